"""Owns the words that the stories are told in: an operator's post with its box, its mailbox and its sticks.
Waits for conditions with a deadline, never for a time. Never judges more than the word says."""

import contextlib
import json
import shlex
import time

from . import image, mail, sticks
from .agent import Lost
from .host import Failed
from .machine import Machine

# Far above what anything here takes in an emulator; only a failure waits this long.
PATIENCE = 60
STATION = "pier-4"
CONFIG = f"""station = "{STATION}"

[[mailbox]]
path = "/home/op/mail"
"""
# What may have to do with a failed story; every command run as the operator leaves lines of its own.
LAST_WORDS = {
    "the service": "journalctl -b --no-pager -q -o short-monotonic -u counterfoil@op | tail -40",
    "automount": "journalctl -b --no-pager -q -o short-monotonic -u 'counterfoil-automount*' | tail -30",
    "status": "runuser -u op -- timeout 20 counterfoil status 2>&1",
    "mounts": "grep -E ' /(media|run/media|mnt)' /proc/mounts; ls -ld /media/* 2>&1",
    "the rest": "journalctl -b --no-pager -q -o short-monotonic | grep -vE 'runuser|pam_unix' | tail -30",
}


class Post:
    """A box that is off, with a new card in it."""

    def __init__(self, folder, start):
        self.folder = folder
        self.machine = Machine(folder, start, image.overlay(start.disk, start.kind, folder / "card.qcow2"))
        # Everything ever delivered, by its name in the mailbox.
        self.mail = {}
        # Where the disks in addition to the card are mounted, by label.
        self.places = {}
        # What is told beside the story's name when it came true.
        self.figures = []

    # Power

    def boot(self):
        self.machine.power_on()

    def cut_power(self):
        self.machine.cut_power()

    def shut_down(self):
        """An orderly end. The box may be off before its answer is out; how it went off is the machine's to say."""
        with contextlib.suppress(Lost):
            self.run("systemctl --no-block poweroff")
        self.machine.wait_off(PATIENCE)

    def give_disk(self, label, place, owner=(0, 0), logged=False):
        """Puts a disk into the box, which is off, for a folder of the card to lie on once `mount_disks` was done."""
        disk = sticks.disk(self.folder, label, owner, logged=logged)
        self.machine.disks.append(disk)
        self.places[label] = place
        return disk

    def mount_disks(self):
        """Mounts the disks at their places, now and at every later boot, writing no times of reading."""
        table = "".join(f"LABEL={label} {place} ext4 noatime 0 0\n" for label, place in self.places.items())
        folders = " ".join(self.places.values())
        self.run(f"mkdir -p {folders} && cat >>/etc/fstab && systemctl daemon-reload && mount -a && "
                 f"for place in {folders}; do rmdir $place/lost+found; done", table.encode())

    def written(self, place):
        """Bytes written to the disk that a place lies on since boot (the kernel's Documentation/block/stat.rst), with
        all that waits to be written."""
        disk = f"$(basename $(readlink -f $(findmnt -n -o SOURCE {place})))"
        return int(self.run(f"sync -f {place}; awk '{{print $7}}' /sys/class/block/{disk}/stat")) * 512

    # Commands

    def run(self, script, stdin=b"", within=PATIENCE):
        """Runs a script as root; what it says on standard output. Its failure is one of the story."""
        answer = self.machine.agent.run(script, stdin, within)
        if answer.code != 0:
            raise Failed(f"exit code {answer.code} of: {script}\n{answer.out}{answer.err}")
        return answer.out

    def asked(self, script, within=PATIENCE):
        """Runs a script as root and gives its whole answer, whatever its exit code."""
        return self.machine.agent.run(script, b"", within)

    def as_op(self, script, within=PATIENCE):
        """Runs a script as the operator and gives its whole answer."""
        return self.asked(f"runuser -u op -- bash -c {shlex.quote(script)}", within)

    def until(self, what, true, within=PATIENCE):
        """Waits until something is true; the seconds it took."""
        begun = time.monotonic()
        while True:
            said = true()
            took = time.monotonic() - begun
            if said:
                return took
            if took > within:
                raise Failed(f"did not come true within {within} s: {what}")
            time.sleep(0.05)

    def expect(self, what, true):
        """Fails the story if something is not true now."""
        if not true:
            raise Failed(f"is not so: {what}")

    # The service

    def install(self, package):
        """Installs the package as an administrator does, and turns automount on."""
        self.run("cat >/root/counterfoil.deb", package.read_bytes())
        self.run("dpkg -i /root/counterfoil.deb", within=180)
        self.run("systemctl enable --now counterfoil-automount")

    def configure(self, text=CONFIG):
        self.run("cat >/etc/counterfoil/counterfoil.toml", text.encode())

    def start_service(self):
        self.run("systemctl enable --now counterfoil@op")

    def stop_service(self):
        self.run("systemctl stop counterfoil@op")

    def daemon(self):
        """The daemon's process id."""
        return int(self.run("systemctl show --value -p MainPID counterfoil@op"))

    def journal(self, unit="counterfoil@op"):
        """What a service said, each line with the seconds since boot."""
        return self.run(f"journalctl -b -u '{unit}' -o short-monotonic --no-pager -q").splitlines()

    def said_at(self, words, unit="counterfoil@op", after=0.0):
        """When a service first said these words after a moment, in seconds since the box's boot; waits for them."""
        def moments():
            said = (float(line.split("]")[0].strip("[ ")) for line in self.journal(unit) if words in line)
            return [at for at in said if at > after]
        found = []
        self.until(f"{unit} says: {words}", lambda: found.extend(moments()) or found)
        return found[0]

    # Mail

    def deliver(self, messages, within=PATIENCE):
        """Delivers messages as mail programs do: written elsewhere on the card, then renamed. When the last was
        there, in seconds since the box's boot."""
        self.wait_at_the_door(messages)
        return float(self.run("cd /home/op/incoming && runuser -u op -- find . -type f -exec mv -t ../mail {} + && "
                              "cut -d' ' -f1 /proc/uptime", within=within))

    def deliver_steadily(self, messages, gap):
        """The same one by one, with a pause after each; the story goes on meanwhile."""
        self.wait_at_the_door(messages)
        # One process: starting another for each message would take the emulator longer than the pause.
        steps = ('chdir "/home/op/incoming" or die; for (sort glob "*") '
                 f'{{ rename $_, "../mail/$_" or die; select undef, undef, undef, {gap} }}')
        self.run(f"runuser -u op -- setsid perl -e {shlex.quote(steps)} >/dev/null 2>&1 &")

    def wait_at_the_door(self, messages):
        self.run("runuser -u op -- mkdir -p /home/op/incoming && "
                 "runuser -u op -- tar -x -f - -C /home/op/incoming", mail.archive(messages))
        self.mail.update((one.name, one) for one in messages)

    def in_mailbox(self):
        """The names in the mailbox."""
        return set(self.run("ls /home/op/mail").split())

    # Sticks

    def new_stick(self, label, kind="vfat", **more):
        return sticks.make(self.folder, label, kind, **more)

    def plug(self, stick):
        self.machine.plug(stick)

    def pull(self, stick):
        self.machine.pull(stick)

    def of_disk(self, stick, ask):
        """What a script says of the disk `$d` that a stick is, or nothing."""
        # From the kernel: udev forgets what it knows of a disk while it looks at it anew. Quoted, so that where no disk
        # is there the pattern stays one, and is not answered by a disk that comes a moment later.
        serial = shlex.quote(stick.serial)
        found = self.asked("for disk in /sys/block/sd*; do [ -e \"$disk\" ] || continue; d=${disk##*/}; "
                           "at=$(readlink -f \"$disk/device\"); "
                           "until [ -e \"$at/serial\" ] || [ -z \"$at\" ]; do at=${at%/*}; done; "
                           f"if [ \"$(cat \"$at/serial\")\" = {serial} ]; then {ask}; fi; done").out.split()
        return found[0] if found else None

    def place(self, stick):
        """Where a stick is mounted, or nothing."""
        return self.of_disk(stick, "grep -E \"^/dev/$d[0-9]* \" /proc/mounts | cut -d' ' -f2")

    def until_seen(self, stick, part=""):
        """Waits until a stick that nothing mounts is there, with this part of it; the name of its device."""
        found = []
        self.until(f"{stick.label} is seen", lambda: found.append(
            self.of_disk(stick, f"[ ! -b \"/dev/${{d}}{part}\" ] || echo \"${{d}}{part}\"")) or found[-1])
        # Whoever looks at it still is waited for.
        self.run("udevadm settle")
        return found[-1]

    def until_mounted(self, stick, within=PATIENCE):
        """Waits until it is mounted; where."""
        found = []
        self.until(f"{stick.label} is mounted", lambda: found.append(self.place(stick)) or found[-1], within)
        return found[-1]

    # What the program says

    def told(self, command):
        """What a command of the program says, run by the operator."""
        answer = self.as_op(f"counterfoil {command} --json")
        if answer.code not in (0, 1):
            raise Failed(f"counterfoil {command}: exit code {answer.code}\n{answer.err}")
        return json.loads(answer.out)

    def drive(self, stick):
        """What status says of a stick, or nothing."""
        found = [one for one in self.told("status")["drives"] if one["label"] == stick.label]
        return found[0] if found else None

    def is_served(self, stick, count):
        """Whether status says that a stick has so many messages and is safe to pull."""
        drive = self.drive(stick)
        return drive is not None and drive["messages"] == count and drive["state"] == "safe"

    def until_served(self, stick, within=PATIENCE):
        """Waits until status says that a stick has everything and is safe to pull."""
        return self.until(f"{stick.label} has all {len(self.mail)} messages and is safe to pull",
                          lambda: self.is_served(stick, len(self.mail)), within)

    def acknowledged(self):
        """The names of the messages of which audit says now that they are mirrored."""
        # Those that come after this look may be mirrored too; they are not counted.
        there = self.in_mailbox()
        return there - {one["path"] for one in self.told("audit")["unmirrored"]}

    # Proof

    def prove(self, place, names=None):
        """Proves with sha256sum alone that a stick holds these messages, all unless said."""
        bag = f"{place}/counterfoil/{STATION}"
        self.run(f"cd {bag} && sha256sum --strict --quiet -c manifest-sha256.txt", within=180)
        sums = self.run(f"cat {bag}/manifest-sha256.txt").splitlines()
        there = [line.split()[0] for line in sums if not line.startswith("#")]
        wanted = {self.mail[name].sha256 for name in (self.mail if names is None else names)}
        self.expect(f"every message is on {place}", wanted <= set(there))
        return there

    def ledger(self, stick):
        """The lines of a stick's ledger, where it is mounted."""
        text = self.run(f"cat {self.place(stick)}/counterfoil/{STATION}/ledger.jsonl")
        return [json.loads(line) for line in text.splitlines()]

    # When a story fails

    def last_words(self):
        """The end of the console, and what the box says of itself."""
        words = ["--- console", self.machine.serial_end()]
        for what, script in LAST_WORDS.items() if self.machine.process is not None else ():
            try:
                words += [f"--- {what}", self.asked(script, 30).out]
            except (Lost, OSError):
                return "\n".join([*words, "(the box does not answer)"])
        return "\n".join(words)
