"""Owns the disk a box starts from: a Debian made from a recipe, and the same with the package put in.
Both are kept in `target/vm` under the hash of what they were made of. Never holds a running machine."""

import hashlib
import os
import tempfile
from pathlib import Path

from . import host, kernel

AGENT = Path(__file__).with_name("guest-agent")
SUITE = "bookworm"
# The plain kernel: the one meant for clouds has no USB storage.
PACKAGES = ["systemd-sysv", "udev", "kmod", "mount", "linux-image-amd64", "busybox-static", "dosfstools",
            "exfatprogs", "e2fsprogs", "procps"]
# Drivers of devices the box does not have, or could do without: each costs time at every boot.
DRIVERS_LEFT_OUT = [
    "arch/x86", "sound", "net", *(f"drivers/{kind}" for kind in (
        "acpi", "ata", "bluetooth", "char/agp", "char/ipmi", "char/tpm", "cpufreq", "edac", "firmware", "gpu",
        "hwmon", "i2c", "iio", "infiniband", "input", "leds", "md", "media", "misc", "mmc", "mtd", "net", "nvdimm",
        "nvme", "parport", "pcmcia", "platform", "powercap", "rtc", "staging", "thermal", "video", "watchdog"))]
LEFT_OUT = ["/usr/share/doc/*", "/usr/share/man/*", "/usr/share/locale/*"] + [
    f"/lib/modules/*/kernel/{below}/*" for below in DRIVERS_LEFT_OUT]
# What only makes booting longer.
MASKED = ["apt-daily.timer", "apt-daily-upgrade.timer", "dpkg-db-backup.timer", "e2scrub_all.timer",
          "e2scrub_reap.service", "fstrim.timer", "getty@tty1.service", "serial-getty@ttyS0.service",
          "systemd-timesyncd.service", "systemd-tmpfiles-clean.timer", "systemd-update-utmp.service",
          "systemd-update-utmp-runlevel.service", "systemd-pstore.service", "dev-hugepages.mount",
          "dev-mqueue.mount", "sys-kernel-tracing.mount", "sys-kernel-debug.mount", "sys-kernel-config.mount",
          "sys-fs-fuse-connections.mount", "systemd-logind.service", "modprobe@drm.service",
          "modprobe@configfs.service", "modprobe@fuse.service", "modprobe@loop.service",
          "modprobe@dm_mod.service", "modprobe@efi_pstore.service"]
AGENT_UNIT = """[Unit]
Description=Runs the commands of the test
[Service]
ExecStart=/usr/local/sbin/guest-agent
Restart=always
RestartSec=1
OOMScoreAdjust=-1000
[Install]
WantedBy=multi-user.target
"""
# A port of its own driver appears late; the unit starts when it is there.
AGENT_RULE = """SUBSYSTEM=="virtio-ports", ATTR{name}=="agent", TAG+="systemd", \
ENV{SYSTEMD_WANTS}+="guest-agent.service"
"""
# In memory: the card is for what is tested. Nothing is left out for coming too fast.
JOURNAL = """[Journal]
Storage=volatile
RateLimitIntervalSec=0
"""
SIZE = "3G"


class Image:
    """A kernel, its first file system, and a disk."""

    def __init__(self, folder, disk, kind):
        self.kernel = folder / "vmlinux"
        self.initrd = folder / "initrd"
        self.disk = disk
        self.kind = kind


def recipe():
    """Everything that decides what the disk is like."""
    parts = [AGENT.read_text(), Path(__file__).read_text(), Path(kernel.__file__).read_text()]
    return hashlib.sha256("\0".join(parts).encode()).hexdigest()[:16]


def base():
    """The box without the package, made if it is not there yet."""
    folder = host.CACHE / f"base-{recipe()}"
    if not folder.exists():
        host.CACHE.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryDirectory(dir=host.CACHE) as work:
            made = Path(work) / "made"
            made.mkdir()
            build(Path(work) / "root", made)
            os.rename(made, folder)
    return Image(folder, folder / "disk.raw", "raw")


def build(root, made):
    """Makes the files of the box, and its disk of them."""
    exclude = [f"--dpkgopt=path-exclude={path}" for path in LEFT_OUT]
    host.sh("mmdebstrap", "--mode=root", "--variant=essential", "--include=" + ",".join(PACKAGES), *exclude,
            "--format=directory", SUITE, root)
    furnish(root)
    kernel.unpack(next((root / "boot").glob("vmlinuz-*")), made / "vmlinux")
    kernel.first_files(root, made / "initrd")
    disk = made / "disk.raw"
    host.sh("truncate", "-s", SIZE, disk)
    host.sh("mkfs.ext4", "-q", "-d", root, "-L", "card", disk)


def furnish(root):
    """What makes it the box of an operator, and one that can be driven."""
    put(root, "etc/fstab", "/dev/vda / ext4 noatime 0 0\n")
    put(root, "etc/hostname", "pier-box\n")
    put(root, "etc/systemd/journald.conf.d/box.conf", JOURNAL)
    put(root, "etc/systemd/system/guest-agent.service", AGENT_UNIT)
    put(root, "etc/udev/rules.d/90-agent.rules", AGENT_RULE)
    put(root, "usr/local/sbin/guest-agent", AGENT.read_text())
    (root / "usr/local/sbin/guest-agent").chmod(0o755)
    for unit in MASKED:
        (root / "etc/systemd/system" / unit).unlink(missing_ok=True)
        os.symlink("/dev/null", root / "etc/systemd/system" / unit)
    host.sh("chroot", root, "useradd", "--create-home", "--uid", "1000", "--user-group", "--groups", "plugdev",
            "--shell", "/bin/bash", "op")
    host.sh("chroot", root, "install", "-d", "-o", "op", "-g", "op", "-m", "0700", "/home/op", "/home/op/mail")
    put(root, "etc/machine-id", "")


def put(root, name, text):
    """Writes a small file."""
    path = root / name
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(text)


def overlay(disk, kind, at):
    """A disk that is like another one and keeps its own changes apart."""
    host.sh("qemu-img", "create", "-q", "-f", "qcow2", "-b", disk, "-F", kind, at)
    return at
