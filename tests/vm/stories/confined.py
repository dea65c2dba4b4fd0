"""Owns the stories of what the units may do, and of whom a stick is for. Never asks a unit's text: what holds in the
box counts."""

from box.lanes import story
from box.mail import messages

# Far less than the 30 s after which the kernel resets a stick that does not answer.
SOON = 15
RULE = '''SUBSYSTEM=="block", ENV{ID_FS_TYPE}=="ext2", ENV{COUNTERFOIL_AUTOMOUNT}="yes"\n'''


def unit_of(post, stick):
    """The unit that mounts a stick, and its device."""
    device = post.of_disk(stick, "echo ${d}1")
    return f"counterfoil-automount@{device}", device


@story
def the_service_sees_one_home_and_runs_nothing(post):
    post.boot()
    post.configure()
    post.run("useradd --create-home q2x && install -m 0644 /dev/null /home/q2x/list && touch /root/list")
    stick = post.new_stick("AMBER")
    post.plug(stick)
    place = post.until_mounted(stick)
    # As if somebody else had mounted it, so that it is the service's own limit that is met.
    post.run(f"mount -o remount,exec {place} && cp /bin/true {place}/true && {place}/true")
    post.deliver(messages("confined", 5))
    post.start_service()
    post.until_served(stick)
    pid = post.daemon()
    inside = f"nsenter --mount --target {pid} --"
    post.expect("the mailbox is there", len(post.run(f"{inside} ls /home/op/mail").split()) == 5)
    post.expect("no other home is", post.run(f"{inside} ls /home").split() == ["op"])
    post.expect("root's neither", post.run(f"{inside} ls -A /root") == "")
    for path in ("/home/op/mail", "/home", "/etc", "/root"):
        answer = post.asked(f"{inside} runuser -u op -- touch {path}/written")
        refused = "Read-only" in answer.err or "Permission denied" in answer.err
        post.expect(f"{path} is not written to: {answer.err}", answer.code != 0 and refused)
    for path in ("/home/op/mail", "/home"):
        answer = post.asked(f"{inside} touch {path}/written")
        post.expect(f"{path} is not written to by root either: {answer.err}", "Read-only" in answer.err)
    ran = post.asked(f"{inside} {place}/true")
    post.expect(f"nothing on the stick is run: {ran.err}", ran.code == 126)
    limits = post.run(f"grep 'core file' /proc/{pid}/limits").split()
    post.expect(f"no core file: {limits}", limits[4:6] == ["0", "0"])
    # The report is written all the same, by a program that may not lower its priority.
    post.until("the audit is written", lambda: post.asked("test -e /var/lib/counterfoil/op/audit.json").code == 0)


@story
def a_stick_is_for_root_and_its_group(post):
    post.boot()
    for label, kind in (("AMBER", "vfat"), ("BIRCH", "exfat"), ("CEDAR", "ext4")):
        stick = post.new_stick(label, kind)
        post.plug(stick)
        place = post.until_mounted(stick)
        post.run(f"runuser -u op -- sh -c 'echo EXERCISE >{place}/word'")
        options = post.run(f"findmnt -n -o OPTIONS {place}").strip().split(",")
        for option in ("nosuid", "nodev", "noexec", "nosymfollow", "errors=remount-ro"):
            post.expect(f"{kind} has {option}: {options}", option in options)
        if kind != "ext4":
            read = post.asked(f"runuser -u nobody -- cat {place}/word")
            post.expect(f"nobody else reads {kind}: {read.out}", read.code != 0 and "EXERCISE" not in read.out)
    # On what has links none is followed, by root either.
    post.run(f"ln -s /etc/hostname {place}/link")
    followed = post.asked(f"cat {place}/link")
    post.expect(f"no link is followed: {followed.out}{followed.err}", followed.code != 0 and followed.out == "")

    # A type that is not shipped is the administrator's to add.
    unit, device = unit_of(post, stick)
    post.run(f"systemctl stop {unit} && mkfs.ext2 -q -F -L CEDAR /dev/{device} && udevadm trigger --settle /dev/{device}")
    kinds = post.run(f"udevadm info --query=property /dev/{device}")
    post.expect("it is ext2 now, and no mount is asked for", "ID_FS_TYPE=ext2" in kinds and unit not in kinds)
    post.run("systemctl restart counterfoil-automount")
    post.expect("it is left alone", post.place(stick) is None)
    post.run("cat >/etc/udev/rules.d/90-counterfoil-automount.rules", RULE.encode())
    post.run("systemctl restart counterfoil-automount")
    place = post.until_mounted(stick)
    post.expect("it is mounted as ext2", post.run(f"findmnt -n -o FSTYPE {place}").strip() == "ext2")


@story
def a_stick_that_hangs_at_its_mount(post):
    post.boot()
    stick = post.new_stick("AMBER")
    # Of the same name: the place of the first one is taken though nothing is mounted there yet.
    other = stick.copy("birch")
    post.run("systemctl stop counterfoil-automount")
    post.plug(stick)
    device = post.until_seen(stick, "1")
    post.run("systemctl start counterfoil-automount")
    post.until_mounted(stick)
    post.run(f"systemctl stop counterfoil-automount@{device} && echo 3 >/proc/sys/vm/drop_caches")
    # It answers nothing from here on; see places.a_stick_that_stalls.
    post.machine.speed(stick, {"bps-total": 1})
    post.run(f"systemctl --no-block start counterfoil-automount@{device}")
    post.until("its place is chosen", lambda: post.asked(f"test -e /run/counterfoil-automount/{device}").code == 0)
    begun = float(post.run("cut -d' ' -f1 /proc/uptime"))
    post.plug(other)
    place = post.until_mounted(other, SOON)
    took = float(post.run("cut -d' ' -f1 /proc/uptime")) - begun
    state = post.run(f"systemctl show --value -p ActiveState counterfoil-automount@{device}").strip()
    post.figures.append(f"while AMBER does not answer at its mount, another is mounted in {took:.1f} s")
    post.expect(f"the first hangs still: {state}", state == "activating")
    post.expect(f"the other has a place of its own: {place}", place == "/media/AMBER-2")


@story
def plugged_in_again_at_once(post):
    post.boot()
    stick = post.new_stick("AMBER")
    post.plug(stick)
    post.until_mounted(stick)
    for _ in range(3):
        # The unit of the mount that goes is still ending when the next one is asked for, under the same name.
        post.pull(stick)
        post.plug(stick)
        before = post.journal("counterfoil-automount@*")
        post.until("it is mounted anew", lambda: any("is mounted on /media/AMBER" in line for line in
                                                     post.journal("counterfoil-automount@*")[len(before):]))
        place = post.until_mounted(stick)
        post.run(f"runuser -u op -- sh -c 'echo EXERCISE >{place}/word' && sync -f {place}")
    # What somebody stops stays so.
    unit, _ = unit_of(post, stick)
    post.run(f"systemctl stop {unit} && udevadm settle")
    post.expect("it is let go of", post.place(stick) is None)
    post.expect("and stays so", post.run(f"systemctl show --value -p ActiveState {unit}").strip() == "inactive")
