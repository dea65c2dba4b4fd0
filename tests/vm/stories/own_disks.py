"""Owns the stories of the card's wear: mailbox, state and system on disks of their own, the journal in memory, and what
is written to the state's disk. Never counts what the mail programs write."""

import random
import shutil

from box import blocklog
from box.host import Failed
from box.lanes import waiting_story
from box.mail import messages
from box.states import Log, Surface
from .cuts import digests

STATE = "/var/lib/counterfoil"
MAIL = "/home/op/mail"
IDLE = 600
# Bytes to the card for a message while no stick is there.
WITHOUT_A_STICK = 4096
SEED = 5
# States of the state's disk that the program is started from: each takes half a minute.
TRIED = 12


def box(post, logged=False):
    """A box whose mailbox and state lie on disks of their own, with the service and a stick."""
    post.give_disk("MAIL", MAIL, (1000, 1000))
    disk = post.give_disk("STATE", STATE, logged=logged)
    if logged:
        # What the log begins with.
        shutil.copyfile(disk.path, blank(post))
    post.boot()
    post.mount_disks()
    post.configure()
    stick = post.new_stick("AMBER")
    post.start_service()
    post.plug(stick)
    post.until_mounted(stick)
    post.deliver(messages("first", 1))
    post.until_served(stick)
    return disk, stick


def sees(post, count):
    """Waits until the service knows all mail, of which so many messages are on the card only."""
    post.until(f"{count} messages are only on the card",
               lambda: post.told("status")["messages"]["unmirrored"] == count)


@waiting_story
def nothing_is_written_to_the_card_for_a_message(post):
    _, stick = box(post)
    before = post.written(STATE)
    post.deliver(messages("hundred", 100, size=4096))
    post.until_served(stick)
    post.run(f"sleep {IDLE}", within=IDLE + 60)
    with_stick = post.written(STATE) - before

    post.run(f"umount {post.place(stick)}")
    post.pull(stick)
    post.until("the stick is gone", lambda: post.drive(stick)["state"] == "away")
    before = post.written(STATE)
    for number in range(20):
        post.deliver(messages(f"alone-{number}", 1, size=4096))
        sees(post, number + 1)
    alone = (post.written(STATE) - before) / 20
    post.figures += [f"| to the state's disk for 100 messages with a stick, and {IDLE} s idle | {with_stick} B | 0 |",
                     f"| for a message without a stick, of 20 one by one | {alone:.0f} B | {WITHOUT_A_STICK} |"]
    # One of them goes, under the service's eyes, and no stick can be told.
    gone = "hundred-0007.eml"
    post.run(f"rm {MAIL}/{gone}")
    del post.mail[gone]
    post.until("it is seen to go", lambda: post.told("status")["messages"]["total"] == len(post.mail))
    post.stop_service()
    forget_memory(post)
    post.start_service()
    sees(post, 20)
    post.plug(stick)
    post.until_mounted(stick)
    post.until("all is on the stick", lambda: post.told("audit")["unmirrored"] == [])
    one_truth(post, "started again without a stick")
    post.expect(f"nothing is written to the card for a message while a stick is there: {with_stick} B", with_stick == 0)
    post.expect(f"without a stick at most {WITHOUT_A_STICK} B a message: {alone:.0f}", alone <= WITHOUT_A_STICK)


def forget_memory(post):
    """What the service keeps in memory is gone, as after the power was off."""
    post.run("rm -rf /run/counterfoil")


def one_truth(post, when):
    """A restore gives just what is in the mailbox."""
    back = "/home/op/back"
    post.run(f"rm -rf {back}")
    done = post.as_op(f"counterfoil restore --into {back}", 180)
    post.expect(f"restore ends well, {when}: {done.code} {done.out}{done.err}", done.code == 0)
    there, given = digests(post, MAIL), digests(post, back)
    other = sorted(there.items() ^ given.items())
    post.expect(f"what comes back is what is there, {when}: {other[:4]}", not other)


@waiting_story
def power_cut_at_any_write_of_the_state(post):
    """The log of the state's disk is replayed from the last message that a stick took to an orderly stop: every state
    that a cut may leave is one to be started from, and some are."""
    disk, stick = box(post, logged=True)
    begun = len(blocklog.read(disk.logs))
    post.run(f"umount {post.place(stick)}")
    post.pull(stick)
    post.until("the stick is gone", lambda: post.drive(stick)["state"] == "away")
    post.deliver(messages("alone", 5))
    sees(post, 5)
    gone = "first-0001.eml"
    post.run(f"rm {MAIL}/{gone}")
    del post.mail[gone]
    post.until("it is seen to go", lambda: post.told("status")["messages"]["total"] == len(post.mail))
    post.stop_service()
    post.run(f"sync -f {STATE}; umount {STATE}")
    log, before, surface_path = Log(blocklog.read(disk.logs)), blank(post), post.folder / "surface"
    with Surface(before, surface_path) as surface:
        later = [state.key for state in log.states(surface, SEED) if state.at >= begun]
    known = list(dict.fromkeys(later))
    if not known:
        raise Failed("nothing was written to the state's disk: there is no state to start from")
    last = known.pop()
    chosen = {*random.Random(SEED).sample(known, min(len(known), TRIED - 1)), last}
    tried = 0
    with Surface(before, surface_path) as surface:
        for state in log.states(surface, SEED):
            if state.at >= begun and state.key in chosen:
                chosen.discard(state.key)
                tried += 1
                start_from(post, disk, stick, surface.image, f"{state.kind} at {state.at}{state.what}")
    post.figures.append(f"{len(known) + 1} states of the state's disk, of different bytes, after its entry {begun}; "
                        f"started from {tried}: seed {SEED}")


def blank(post):
    """The state's disk as it was before its log."""
    return post.folder / "state-before.raw"


def start_from(post, disk, stick, image, what):
    """Starts the service with a state that a cut left, and a copy of the stick as it was: one truth."""
    # The kernel forgets what it read of a disk when nobody has it open any more.
    with open(disk.path, "r+b") as file:
        file.write(image)
    post.run(f"mount {STATE}")
    forget_memory(post)
    post.start_service()
    copy = stick.copy("trial")
    copy.serial = stick.serial
    post.plug(copy)
    post.until_mounted(copy)
    post.until(f"all is on the stick, {what}", lambda: post.told("audit")["unmirrored"] == [], 120)
    back = "/home/op/back"
    post.run(f"rm -rf {back}")
    post.as_op(f"counterfoil restore --into {back}", 180)
    there, given = digests(post, MAIL), digests(post, back)
    # A deletion that was seen and not yet told when the power went is missing: it comes back rather than goes.
    more = set(given) - set(there)
    post.expect(f"what is there comes back, {what}: {sorted(there.items() - given.items())[:4]}",
                there.items() <= given.items())
    post.expect(f"nothing else comes back but the message whose deletion may not have been told, {what}: {more}",
                more <= {"first-0001.eml"})
    post.stop_service()
    post.run(f"umount {post.place(copy)}; umount {STATE}")
    post.pull(copy)
    copy.path.unlink()
