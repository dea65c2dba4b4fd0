"""Owns the story of a dead card: a new one, and the stick. Never carries anything else over."""

from box import image
from box.lanes import story
from box.mail import messages


@story
def a_new_card_and_the_stick(post):
    post.boot()
    post.configure()
    stick = post.new_stick("AMBER")
    post.plug(stick)
    post.until_mounted(stick)
    post.deliver(messages("kept", 50))
    post.start_service()
    post.until_served(stick)
    post.cut_power()

    start = post.machine.image
    post.machine.card.unlink()
    image.overlay(start.disk, start.kind, post.machine.card)
    post.boot()
    post.run("setsid findmnt --poll=mount --noheadings --output TARGET --types vfat >/run/mounts 2>&1 &")
    post.plug(stick)
    place = post.until_mounted(stick)
    post.said_at("was not unmounted: checked by fsck.vfat", "counterfoil-automount@*")
    # What is looked at before it is put in order nobody else sees, so that nobody can keep it busy.
    post.until("its mount is seen", lambda: post.run("cat /run/mounts"))
    seen = post.run("cat /run/mounts").split()
    post.expect(f"it was mounted once, at its place: {seen}", seen == [place])
    post.expect("the new card has no mail", post.in_mailbox() == set())
    # Nobody is at a terminal: it says what to type, the stick and the folder with it, and that is all there is to do.
    bare = post.as_op("counterfoil restore --station pier-4")
    post.expect(f"a new card believes no stick by itself: {bare.err}", bare.code == 2 and post.in_mailbox() == set())
    typed = [line.strip() for line in bare.err.splitlines() if line.startswith("  counterfoil restore ")]
    expected = f"counterfoil restore --station pier-4 --drive {place} --mailbox mail=/home/op/mail"
    post.expect(f"it says what to type: {bare.err}", typed == [expected])
    done = post.as_op(typed[0])
    post.expect(f"what it says to type ends well: {done.out}{done.err}", done.code == 0)
    sums = post.run("cd /home/op/mail && find . -type f -exec sha256sum {} +").splitlines()
    found = {line[66:].removeprefix("./"): line[:64] for line in sums}
    post.expect("the mailbox is back octet for octet",
                found == {name: one.sha256 for name, one in post.mail.items()})
    owners = post.run("find /home/op/mail ! -user op | head")
    post.expect(f"every file is the operator's: {owners}", owners == "")
