"""Owns the story of what a stick is asked for: writes and flushes as it counts them itself. Never loosens a bound."""

from box.lanes import waiting_story
from box.mail import messages
from box.post import CONFIG

# How long counters must stand still: the kernel writes back what is 30 s old, looking every 5 s
# (proc_sys_vm(5), dirty_expire_centisecs and dirty_writeback_centisecs).
STILL = 37


def counted(post, stick):
    """Writes and flushes completed (the kernel's Documentation/block/stat.rst), once they stand still."""
    disk = post.run(f"findmnt -n -o SOURCE {post.place(stick)}").strip().removeprefix("/dev/").rstrip("0123456789")
    still = (f"last=; for n in $(seq {STILL * 5}); do now=$(awk '{{print $5, $16}}' /sys/block/{disk}/stat); "
             f"[ \"$now\" = \"$last\" ] && same=$((same + 1)) || same=0; last=$now; "
             f"[ $same -ge {STILL} ] && break; sleep 1; done; echo $now")
    writes, flushes = post.run(still, within=400).split()
    return int(writes), int(flushes)


def cost(before, after):
    return after[0] - before[0], after[1] - before[1]


@waiting_story
def what_a_stick_is_asked_for(post):
    post.boot()
    # What it carries beside the copies is written by the hour, not by the message.
    post.configure(CONFIG + "\n[drives]\ncarry = []\n")
    stick = post.new_stick("AMBER", size="8G")
    post.plug(stick)
    post.until_mounted(stick)
    fresh = counted(post, stick)
    post.start_service()
    post.deliver(messages("known", 1, size=4096))
    post.until_served(stick)
    known = counted(post, stick)
    post.deliver(messages("one", 1, size=4096))
    post.until_served(stick)
    one = counted(post, stick)
    post.stop_service()
    post.deliver(messages("hundred", 100, size=4096))
    post.start_service()
    post.until_served(stick)
    hundred = counted(post, stick)

    plain = post.new_stick("LARCH", size="8G")
    post.plug(plain)
    place = post.until_mounted(plain)
    empty = counted(post, plain)
    post.run(f"cp -r /home/op/mail {place}/ && sync -f {place}")
    copied = counted(post, plain)

    table = {"a new drive and its first message": cost(fresh, known), "one message": cost(known, one),
             "100 waiting messages of 4 kB": cost(one, hundred),
             "102 messages by cp -r and sync -f": cost(empty, copied)}
    post.figures += [f"| {what} | {writes} writes | {flushes} flushes |" for what, (writes, flushes) in table.items()]
    for what, most in (("one message", (16, 2)), ("100 waiting messages of 4 kB", (50, 2))):
        post.expect(f"{what}: at most {most} writes and flushes, {table[what]}",
                    table[what][0] <= most[0] and table[what][1] <= most[1])
