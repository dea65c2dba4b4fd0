"""Owns what is asked of this computer: tools, folders, files read and copied. Never touches a box."""

import hashlib
import os
import shutil
import subprocess
from pathlib import Path

ROOT = Path(__file__).resolve().parents[3]
CACHE = ROOT / "target" / "vm"

# Command, and the Debian package it comes from.
TOOLS = {
    "qemu-system-x86_64": "qemu-system-x86",
    "qemu-img": "qemu-utils",
    "mmdebstrap": "mmdebstrap",
    "mkfs.vfat": "dosfstools",
    "mkfs.exfat": "exfatprogs",
    "mkfs.ext4": "e2fsprogs",
    "mcopy": "mtools",
    "dpkg-deb": "dpkg",
}


class Missing(Exception):
    """Something is needed here that is not here."""


class Failed(Exception):
    """A story did not come true."""


def check_tools():
    """Names every tool that is missing, with its package."""
    lacking = [f"{tool} (Debian package {package})" for tool, package in TOOLS.items()
               if shutil.which(tool) is None]
    if lacking:
        raise Missing("missing here: " + ", ".join(lacking))
    if os.geteuid() != 0:
        raise Missing("the disk of the box holds files of many owners: run this as root")


def sh(*command):
    """Runs a command; what it says on standard output."""
    return sh_raw(*command).decode(errors="replace")


def sh_raw(*command, environment=None):
    """The same, byte for byte. Its failure is an error that tells what it said."""
    words = [str(word) for word in command]
    done = subprocess.run(words, capture_output=True, env={**os.environ, **(environment or {})})
    if done.returncode != 0:
        said = (done.stdout + done.stderr).decode(errors="replace")[-4000:]
        raise Failed(f"{' '.join(words)}: exit code {done.returncode}\n{said}")
    return done.stdout


def sha256(path):
    """The digest of a file's bytes."""
    with open(path, "rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def copy_holes(source, target, offset):
    """Writes a sparse file into another one, leaving out what is a hole."""
    end = os.stat(source).st_size
    with open(source, "rb") as read, open(target, "r+b") as write:
        at = 0
        while at < end:
            try:
                at = os.lseek(read.fileno(), at, os.SEEK_DATA)
            except OSError:
                return  # Nothing but a hole is left.
            stop = os.lseek(read.fileno(), at, os.SEEK_HOLE)
            read.seek(at)
            write.seek(offset + at)
            while at < stop:
                block = read.read(min(1 << 20, stop - at))
                write.write(block)
                at += len(block)
