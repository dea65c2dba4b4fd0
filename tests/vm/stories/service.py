"""Owns the stories of the installed service: what it serves after plugging, and what it costs idle.
Never pulls a stick in use."""

from box.lanes import bare_story, story
from box.mail import messages

# From the mount to the proven copy.
SOON = 5
IDLE = 60
WAKE_UPS = 5
MEMORY_KIB = 10 * 1024


def mirrored_after_mount(post, stick, count):
    """The seconds in the box from the mount of a stick to the daemon's word that all is on it."""
    served = []

    def is_told():
        served[:] = [line for line in post.journal() if f"{stick.label}: " in line and "copied" in line]
        return served

    post.until(f"the daemon tells of {stick.label}", is_told)
    post.until_served(stick)
    mounts = post.run("journalctl -b -o short-monotonic -q --no-pager -u 'counterfoil-automount@*'").splitlines()
    mounted = [line for line in mounts if f"is mounted on {post.place(stick)}" in line]
    took = seconds(served[0]) - seconds(mounted[-1])
    post.figures.append(f"{stick.label}: {count} messages mirrored {took:.1f} s after the mount")
    post.expect(f"{stick.label} is mirrored within {SOON} s of its mount ({took:.1f} s)", took <= SOON)


def seconds(line):
    """The time of a journal line since boot."""
    return float(line.split("]")[0].strip("[ "))


@bare_story
def installed_and_plugged(post):
    post.boot()
    post.install(post.deb)
    post.configure()
    before = post.new_stick("DROVE")
    post.plug(before)
    post.until_mounted(before)
    post.deliver(messages("before", 10))
    post.start_service()
    post.until_served(before)
    post.prove(post.place(before))
    for label, kind in (("AMBER", "vfat"), ("BIRCH", "exfat"), ("CEDAR", "ext4")):
        stick = post.new_stick(label, kind)
        post.plug(stick)
        post.until_mounted(stick)
        mirrored_after_mount(post, stick, len(post.mail))
        post.deliver(messages(f"after-{kind}", 5))
        # Two seconds of these five are the time a file must stay the same.
        took = post.until_served(stick)
        post.figures.append(f"{label}: 5 more mirrored and safe to pull {took:.1f} s after their delivery")
        post.prove(post.place(stick))
    post.expect("audit finds nothing unmirrored", post.told("audit")["unmirrored"] == [])


@story
def idle_for_a_minute(post):
    post.boot()
    post.configure()
    post.deliver(messages("idle", 20))
    stick = post.new_stick("AMBER")
    post.plug(stick)
    place = post.until_mounted(stick)
    post.start_service()
    post.until_served(stick)
    pid = post.daemon()
    # One script, so that nothing but time passes between the two looks.
    count = f"cat /proc/{pid}/task/*/status | awk '/^voluntary_ctxt/ {{ sum += $2 }} END {{ print sum }}'"
    first, last = post.run(f"{count}; sleep {IDLE}; {count}", within=IDLE + 60).split()
    woken = int(last) - int(first)
    memory = dict(line.split(":\t") for line in post.run(f"grep -E '^(Vm|Rss)' /proc/{pid}/status").splitlines())
    kib = {name: int(text.split()[0]) for name, text in memory.items()}
    post.figures.append(f"idle for {IDLE} s: {woken} wake-ups; resident {kib['VmRSS']} KiB (private "
                        f"{kib['RssAnon']}, of files {kib['RssFile']}), peak {kib['VmHWM']} KiB")
    open_there = post.asked(f"ls -l /proc/{pid}/fd | grep -F '{place}/'").out
    post.expect(f"nothing is open on the stick: {open_there}", open_there == "")
    post.run(f"umount {place}")
    post.expect(f"at most {WAKE_UPS} wake-ups in {IDLE} s ({woken})", woken <= WAKE_UPS)
    post.expect(f"at most {MEMORY_KIB} KiB resident ({kib['VmRSS']})", kib["VmRSS"] <= MEMORY_KIB)
