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


@waiting_story
def what_mirror_by_hand_asks_of_a_stick(post):
    """Its list of messages and its program included. A first message brings the program; then each is written once."""
    post.boot()
    post.configure()
    stick = post.new_stick("AMBER", size="8G")
    post.plug(stick)
    post.until_mounted(stick)

    def mirrored(tag, count):
        post.deliver(messages(tag, count, size=4096))
        before = counted(post, stick)
        done = post.as_op("counterfoil mirror --state /home/op/state")
        post.expect(f"mirror ends well: {done.out}{done.err}", done.code == 0)
        return cost(before, counted(post, stick))

    table = {"a new drive, its first message and the program": mirrored("known", 1),
             "one message": mirrored("one", 1), "100 messages of 4 kB": mirrored("hundred", 100)}
    post.figures += [f"| mirror by hand: {what} | {writes} writes | {flushes} flushes |"
                     for what, (writes, flushes) in table.items()]
    # The goal for one is 20: its two pages, in three steps, are six writes, and FAT writes their entries in the folder
    # after each step that takes it into another of its seconds.
    for what, most in (("one message", (28, 4)), ("100 messages of 4 kB", (40, 4))):
        post.expect(f"{what}: at most {most} writes and flushes, {table[what]}",
                    table[what][0] <= most[0] and table[what][1] <= most[1])


# A stick on USB 2 that writes and reads 20 MB/s and takes 0.5 ms for a request.
LIMITS = {"bps-total": 20_000_000, "iops-total": 2_000}
ROUNDS = 3
TAKES = "begun=$(cut -d' ' -f1 /proc/uptime); {} >/dev/null; echo $begun $(cut -d' ' -f1 /proc/uptime)"


@waiting_story
def what_a_proven_copy_takes_on_a_slow_stick(post):
    """Against `cp -r`, `sync -f` and `sha256sum -c` of what the stick gives back: a figure, and no bound. By the box's
    clock, in turn, each on a new stick, the best of three. The emulator bounds bytes and requests of a second, with a
    tenth of a second's worth at once: no request alone waits half a millisecond, and a stick that stops to erase is not
    shown. The processor is emulated, and slower next to such a stick than any board's."""
    post.boot()
    post.configure(CONFIG + "\n[drives]\ncarry = []\n")
    post.deliver(messages("many", 500, size=40_000), within=180)
    post.run("cd /home/op/mail && sha256sum * >/home/op/sums")

    def took(label, what):
        stick = post.new_stick(label, size="1G")
        post.plug(stick)
        place = post.until_mounted(stick)
        post.machine.speed(stick, LIMITS)
        post.run("sync; echo 3 >/proc/sys/vm/drop_caches; cat /home/op/mail/* >/dev/null")
        begun, ended = post.run(TAKES.format(what(place)), within=300).split()
        post.machine.speed(stick, {})
        there = post.run(f"find {place} -type f -size +38k | wc -l").strip()
        post.expect(f"all messages are on {label}: {there}", int(there) >= 500)
        post.run(f"umount {place}")
        post.pull(stick)
        # The kernel sees no stick that is in the socket before it has seen the last one go.
        post.until(f"{label} is gone", lambda: post.of_disk(stick, "echo there") is None)
        return float(ended) - float(begun)

    def plain(place):
        return (f"{{ cp -r /home/op/mail {place}/ && sync -f {place} && echo 1 >/proc/sys/vm/drop_caches && "
                f"cd {place}/mail && sha256sum --quiet -c /home/op/sums; }}")

    def mirror(state):
        return lambda place: f"runuser -u op -- counterfoil mirror -q --drive {place} --state /home/op/{state}"

    copies, mirrors = [], []
    for number in range(ROUNDS):
        copies.append(took(f"LARCH{number}", plain))
        mirrors.append(took(f"AMBER{number}", mirror(f"state-{number}")))
    ratio = min(mirrors) / min(copies)
    post.figures.append("| mirror of 500 messages of 40 kB to a stick of 20 MB/s / cp -r, sync -f, sha256sum -c of "
                        f"what the stick gives | {min(mirrors):.1f} s | {min(copies):.1f} s | {ratio:.2f} | 1.0 |")
    post.figures.append(f"  all rounds: {mirrors}, {copies}")
