"""Owns the sticks: files of this computer, with a partition table and a file system. Never runs a box."""

import struct
import tempfile
from pathlib import Path

from . import host

SECTOR = 512
# Where the first partition of a stick usually begins: common practice, no source.
BEGIN = 1 << 20
# Kinds of partition, from memory: FAT32 by blocks, exFAT, Linux.
KINDS = {"vfat": 0x0C, "exfat": 0x07, "ext4": 0x83}


class Stick:
    """A stick that can be plugged into a box."""

    def __init__(self, path, label, serial, read_only=False):
        self.path = path
        self.label = label
        self.serial = serial
        self.read_only = read_only
        # Where there is a list, every write is logged: the logs, one each time it was plugged.
        self.logs = None

    @property
    def name(self):
        """Its name on this side."""
        return self.path.stem

    def copy(self, name):
        """Another stick with the same bytes on it."""
        path = self.path.with_name(f"{name}.raw")
        host.sh("cp", "--sparse=always", self.path, path)
        return Stick(path, self.label, name.upper())

    def files(self):
        """Every file on it and its bytes, read from this computer while it is in no box. For FAT only."""
        with tempfile.TemporaryDirectory(dir=self.path.parent) as folder:
            # Where a cut left a FAT that counts its free space wrongly, mtools would refuse.
            host.sh_raw("mcopy", "-s", "-n", "-Q", "-i", f"{self.path}@@{BEGIN}", "::/*", folder,
                        environment={"MTOOLS_SKIP_CHECK": "1"})
            found = (path for path in Path(folder).rglob("*") if path.is_file())
            return {str(path.relative_to(folder)): path.read_bytes() for path in found}


def make(folder, label, kind="vfat", size="256M", table=True, owner=(1000, 1000)):
    """A new stick with an empty file system."""
    name = label.lower()
    path = folder / f"{name}.raw"
    path.unlink(missing_ok=True)
    host.sh("truncate", "-s", size, path)
    whole = path.stat().st_size
    if not table:
        formatted(path, label, kind, owner)
        return Stick(path, label, name.upper())
    part = folder / f"{name}.part"
    part.unlink(missing_ok=True)
    host.sh("truncate", "-s", str(whole - BEGIN), part)
    formatted(part, label, kind, owner)
    host.copy_holes(part, path, BEGIN)
    part.unlink()
    with open(path, "r+b") as file:
        file.write(partition_table(whole, kind))
    return Stick(path, label, name.upper())


def disk(folder, label, owner, size="64M", logged=False):
    """A disk for a card's own use: an ext4 without a partition table, which writes nothing of its own accord."""
    path = folder / f"{label.lower()}.raw"
    host.sh("truncate", "-s", size, path)
    ahead = f"root_owner={owner[0]}:{owner[1]},lazy_itable_init=0,lazy_journal_init=0"
    host.sh("mkfs.ext4", "-q", "-L", label, "-E", ahead, path)
    made = Stick(path, label, label.upper())
    made.logs = [] if logged else None
    return made


def formatted(path, label, kind, owner):
    """Makes a file system in a file."""
    if kind == "vfat":
        host.sh("mkfs.vfat", "-F", "32", "-n", label, path)
    elif kind == "exfat":
        host.sh("mkfs.exfat", "-L", label, path)
    else:
        host.sh("mkfs.ext4", "-q", "-L", label, "-E", f"root_owner={owner[0]}:{owner[1]}", path)


def partition_table(size, kind):
    """A first sector with one partition; addresses by head and cylinder are those that mean 'too large'."""
    entry = struct.pack("<B3sB3sII", 0, b"\xfe\xff\xff", KINDS[kind], b"\xfe\xff\xff", BEGIN // SECTOR,
                        (size - BEGIN) // SECTOR)
    return bytes(440) + struct.pack("<IH", 0x50494552, 0) + entry + bytes(48) + b"\x55\xaa"
