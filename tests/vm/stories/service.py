"""Owns the stories of the installed service: what it serves after plugging, and what it costs idle.
Never pulls a stick in use."""

from box.lanes import bare_story, waiting_story
from box.mail import messages

# From the mount, or the service's start, to the proven copy, on a machine that has other work: what notices nothing comes
# with the next scan, after a quarter of an hour.
SOON = 15
IDLE = 60
WAKE_UPS = 5
MEMORY_KIB = 11 * 1024
AUTOMOUNT = "counterfoil-automount@*"


def mirrored_in_time(post, stick, count, event, since):
    """Holds the daemon to its time: from an event in the box to its word that the messages are on a stick."""
    took = post.said_at(f"{stick.label}: {count} messages mirrored", after=since) - since
    post.figures.append(f"{stick.label}: {count} messages mirrored {took:.1f} s after {event}")
    post.expect(f"{stick.label} is mirrored within {SOON} s after {event} ({took:.1f} s)", took <= SOON)


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
    # It was mounted long ago, and comes to be served with the service.
    mirrored_in_time(post, before, 10, "the service's start", post.said_at("Started counterfoil@op"))
    post.until_served(before)
    post.prove(post.place(before))
    for label, kind in (("AMBER", "vfat"), ("BIRCH", "exfat"), ("CEDAR", "ext4")):
        stick = post.new_stick(label, kind)
        post.plug(stick)
        place = post.until_mounted(stick)
        post.expect(f"it is {kind}", post.run(f"findmnt -n -o FSTYPE {place}").strip() == kind)
        mounted = post.said_at(f"is mounted on {place}", AUTOMOUNT)
        mirrored_in_time(post, stick, len(post.mail), "its mount", mounted)
        post.until_served(stick)
        post.prove(place)
        delivered = post.deliver(messages(f"after-{kind}", 5))
        post.until_served(stick)
        # Two seconds of these are the time a file must stay the same, one is the device's before it is called safe.
        took = post.said_at(f"{label}: safe to pull", after=delivered) - delivered
        post.figures.append(f"{label}, {kind}: 5 more mirrored and safe to pull {took:.1f} s after their delivery")
        post.prove(place)
    post.expect("audit finds nothing unmirrored", post.told("audit")["unmirrored"] == [])


@waiting_story
def idle_for_a_minute(post):
    post.boot()
    post.configure()
    post.deliver(messages("idle", 20))
    stick = post.new_stick("AMBER")
    post.plug(stick)
    place = post.until_mounted(stick)
    post.start_service()
    post.until_served(stick)
    # What follows the last change: the audit in the state folder, and a minute later what the stick carries.
    post.until("the audit is written", lambda: post.asked("test -e /var/lib/counterfoil/op/audit.json").code == 0)
    post.until("the stick carries its list",
               lambda: (post.told("drives")["drives"][0]["carried_bytes"] or 0) > 0, 240)
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
    # By device: names of what is open in another namespace do not say where it is mounted.
    devices = post.run(f"find -L /proc/{pid}/fd /proc/{pid}/cwd -maxdepth 1 -printf '%D\\n'").split()
    post.expect("what is open can be seen", len(devices) > 3)
    post.expect("nothing is open on the stick", post.run(f"stat -c %d {place}").strip() not in devices)
    post.run(f"umount {place}")
    post.expect(f"at most {WAKE_UPS} wake-ups in {IDLE} s ({woken})", woken <= WAKE_UPS)
    post.expect(f"at most {MEMORY_KIB} KiB resident ({kib['VmRSS']})", kib["VmRSS"] <= MEMORY_KIB)
