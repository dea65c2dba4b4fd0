"""Owns the virtual machine: its power, its USB sockets, how fast a stick is. Never knows what runs inside."""

import json
import subprocess
import threading
import time

from . import agent, blocklog
from .host import Failed

# Ports of the USB controller; a stick takes one.
SOCKETS = 8
BOOT_SECONDS = 180
RUNNING = set()
GUARD = threading.Lock()


class Machine:
    """A machine with a card in it. It is switched on by `power_on`."""

    def __init__(self, folder, image, card):
        self.folder = folder
        self.image = image
        self.card = card
        # Disks in addition to the card, which stay in it: `sticks.Stick`s.
        self.disks = []
        self.process = None
        self.plugged = set()

    def power_on(self):
        """Switches it on and waits until it takes commands."""
        for name in ("agent", "qmp"):
            (self.folder / name).unlink(missing_ok=True)
        with open(self.folder / "qemu.log", "ab") as log:
            self.process = subprocess.Popen(self.command(), stdin=subprocess.DEVNULL, stdout=log, stderr=log)
        with GUARD:
            RUNNING.add(self.process)
        self.plugged = set()
        soon = time.monotonic() + 20
        self.qmp = Qmp(self.folder / "qmp", soon)
        self.agent = agent.Agent(self.folder / "agent", soon)
        self.agent.wait_ready(time.monotonic() + BOOT_SECONDS)

    def command(self):
        """The machine, part by part."""
        # `unsafe` leaves out only this computer's own syncs: what the box wrote and synced is in the file when
        # the machine is killed, what it did not sync may not be.
        card = f"if=none,id=card,format=qcow2,cache=unsafe,file={self.card}"
        kernel = "root=/dev/vda rw console=ttyS0 loglevel=4 fsck.mode=skip mitigations=off systemd.show_status=0"
        return [
            "qemu-system-x86_64", "-machine", "pc", "-accel", "tcg", "-cpu", "max", "-smp", "1", "-m", "768",
            "-nodefaults", "-no-user-config", "-display", "none", "-nic", "none", "-no-reboot",
            "-kernel", str(self.image.kernel), "-initrd", str(self.image.initrd), "-append", kernel,
            "-drive", card, "-device", "virtio-blk-pci,drive=card",
            *(word for disk in self.disks for word in self.disk(disk)),
            "-serial", f"file:{self.folder / 'serial.log'}",
            "-device", "virtio-serial-pci",
            "-chardev", f"socket,id=agent,path={self.folder / 'agent'},server=on,wait=off",
            "-device", "virtserialport,chardev=agent,name=agent",
            "-qmp", f"unix:{self.folder / 'qmp'},server=on,wait=off",
            "-device", f"qemu-xhci,id=usb,p2={SOCKETS},p3={SOCKETS}",
        ]

    def octets(self, stick):
        """What the emulator is told of a stick's or disk's file."""
        # Two sticks may be copies of each other, and one may be read, or a disk written, from here while it is in.
        octets = {"driver": "raw", "node-name": f"{stick.name}-raw", "read-only": stick.read_only, "file": {
            "driver": "file", "node-name": f"{stick.name}-file", "filename": str(stick.path),
            "read-only": stick.read_only, "cache": {"no-flush": True}, "locking": "off"}}
        if stick.logs is None:
            return octets
        # Each time it is plugged it gets another log: the emulator begins one anew.
        stick.logs.append(blocklog.new_log(self.folder / f"{stick.name}-{len(stick.logs) + 1}.log"))
        return blocklog.drivers(stick.logs[-1], octets)

    def disk(self, disk):
        """The words for a disk that is in the machine from the start; inside it is known by its label."""
        node = {**self.octets(disk), "node-name": disk.name}
        return ["-blockdev", json.dumps(node), "-device", f"virtio-blk-pci,drive={disk.name}"]

    def plug(self, stick):
        """Puts a stick into a socket."""
        name = stick.name
        # A stick takes what it is sent at full speed until `stall` says otherwise.
        self.qmp.ask("object-add", {"qom-type": "throttle-group", "id": f"{name}-speed"})
        self.qmp.ask("blockdev-add", {
            "node-name": name, "driver": "throttle", "throttle-group": f"{name}-speed",
            "read-only": stick.read_only, "file": self.octets(stick)})
        self.qmp.ask("device_add", {"driver": "usb-storage", "id": f"usb-{name}", "drive": name, "bus": "usb.0",
                                    "removable": True, "serial": stick.serial})
        self.plugged.add(name)

    def pull(self, stick):
        """Takes a stick out without asking anyone inside."""
        name = stick.name
        self.qmp.ask("device_del", {"id": f"usb-{name}"})
        self.qmp.event("DEVICE_DELETED", lambda data: data.get("device") == f"usb-{name}")
        self.qmp.ask("blockdev-del", {"node-name": name})
        self.qmp.ask("object-del", {"id": f"{name}-speed"})
        self.plugged.discard(name)

    def speed(self, stick, limits):
        """Sets how fast a stick takes what it is sent: the limits of a throttle group, none for full speed."""
        self.qmp.ask("qom-set", {"path": f"/objects/{stick.name}-speed", "property": "limits", "value": limits})

    def cut_power(self):
        """What the box has not written yet is gone."""
        self.end()

    def wait_off(self, within):
        """Waits for it to switch itself off."""
        try:
            code = self.process.wait(within)
        except subprocess.TimeoutExpired:
            raise Failed("the box does not switch itself off") from None
        if code != 0:
            raise Failed(f"the emulator ended with code {code}, and not because the box switched itself off")
        self.end()

    def end(self):
        if self.process is None:
            return
        self.process.kill()
        self.process.wait()
        with GUARD:
            RUNNING.discard(self.process)
        self.process = None
        self.plugged = set()
        for line in ("agent", "qmp"):
            if hasattr(self, line):
                getattr(self, line).close()

    def serial_end(self, lines=40):
        """The last lines of the kernel's console."""
        path = self.folder / "serial.log"
        text = path.read_text(errors="replace") if path.exists() else ""
        log = self.folder / "qemu.log"
        text += log.read_text(errors="replace") if log.exists() else ""
        return "\n".join(text.splitlines()[-lines:])


def end_all():
    """Ends every machine this program started."""
    with GUARD:
        for process in RUNNING:
            process.kill()


class Qmp:
    """The emulator's own line, for everything done to the machine from outside."""

    def __init__(self, path, deadline):
        self.socket = agent.connected(path, deadline)
        self.lines = self.socket.makefile("rw", encoding="utf-8")
        self.events = []
        self.socket.settimeout(60)
        self.read()  # The greeting.
        self.ask("qmp_capabilities")

    def read(self):
        try:
            line = self.lines.readline()
        except OSError as error:
            raise agent.Lost(f"the emulator does not answer: {error}") from None
        if not line:
            raise agent.Lost("the emulator has ended")
        return json.loads(line)

    def ask(self, command, arguments=None):
        """Gives a command and returns its answer."""
        self.lines.write(json.dumps({"execute": command, "arguments": arguments or {}}) + "\n")
        self.lines.flush()
        while True:
            said = self.read()
            if "event" in said:
                self.events.append(said)
            elif "error" in said:
                raise Failed(f"{command} {arguments}: {said['error']['desc']}")
            else:
                return said["return"]

    def event(self, name, which):
        """Waits for an event."""
        while True:
            for at, seen in enumerate(self.events):
                if seen["event"] == name and which(seen.get("data", {})):
                    del self.events[at]
                    return
            self.events.append(self.read())

    def close(self):
        self.lines.close()
        self.socket.close()
