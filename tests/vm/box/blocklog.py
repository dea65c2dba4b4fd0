"""Owns the log of a stick: every write and flush its device was asked for, in order, as the emulator's driver
`blklogwrites` puts it down. Never changes a log, and never guesses at what is not in it."""

import struct
from pathlib import Path

from . import host

SECTOR = 512
# The format is that of the kernel's Documentation/admin-guide/device-mapper/log-writes.rst; the values are from
# memory. First a sector with magic, version, count of entries, size of a sector; then entry after entry: a sector
# with place, sectors, flags, bytes of a mark's data; behind it what was written.
MAGIC = 0x6A736677736872
VERSION = 1
HEAD = struct.Struct("<QQQI")
ENTRY = struct.Struct("<QQQQ")
FLUSH, FUA, DISCARD = 1, 2, 4
# Holes cost nothing.
LOG_SIZE = "512M"
# Where nobody else writes: between the partition table and the first partition.
MARK_SECTOR = 64
MARK = b"acknowledged up to "


class Write:
    """Octets written at a sector."""

    def __init__(self, sector, octets, durable):
        self.sector = sector
        self.octets = octets
        # Written past the device's cache.
        self.durable = durable


class Flush:
    """From here on everything before is durable."""


class Mark:
    """The word of the one who tells the story: what it calls by this number was acknowledged before this."""

    def __init__(self, number):
        self.number = number


def new_log(path):
    """An empty file for a log."""
    path.unlink(missing_ok=True)
    host.sh("truncate", "-s", LOG_SIZE, path)
    return path


def drivers(log, file):
    """What the emulator is told to put between a stick and its file, so that the log is written."""
    # The count at the log's beginning is brought up to date with each entry.
    return {"driver": "blklogwrites", "file": file, "log-sector-size": SECTOR, "log-super-update-interval": 1,
            "log": {"driver": "file", "filename": str(log), "locking": "off", "cache": {"no-flush": True}}}


def read(paths):
    """The entries of several logs of one stick, one after another."""
    return [entry for path in paths for entry in entries(Path(path))]


def entries(path):
    """The entries of one log."""
    with open(path, "rb") as file:
        magic, version, count, sector = HEAD.unpack(file.read(HEAD.size))
        if (magic, version, sector) != (MAGIC, VERSION, SECTOR):
            raise host.Failed(f"{path}: is no log of writes: {magic:#x}, version {version}, sectors of {sector}")
        found = []
        file.seek(SECTOR)
        for _ in range(count):
            found += entry(file, path)
    return found


def entry(file, path):
    """The next entry; a write that is flushed at once is three."""
    place, sectors, flags, data = ENTRY.unpack(file.read(SECTOR)[:ENTRY.size])
    if flags & DISCARD or flags & ~(FLUSH | FUA) or data:
        raise host.Failed(f"{path}: an entry that nothing here should cause: flags {flags:#x}, data {data}")
    octets = file.read(sectors * SECTOR)
    if len(octets) != sectors * SECTOR:
        raise host.Failed(f"{path}: ends in the middle of an entry")
    found = [Flush()] if flags & FLUSH else []
    if place == MARK_SECTOR and octets.startswith(MARK):
        found.append(Mark(int(octets[len(MARK):].split()[0])))
    elif octets:
        found.append(Write(place, octets, bool(flags & FUA)))
    return found


def mark(number):
    """The bytes of a mark, to be written at `MARK_SECTOR`."""
    return (MARK + b"%d\n" % number).ljust(SECTOR, b"\0")
