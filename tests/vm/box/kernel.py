"""Owns how the kernel is handed to the machine so that it boots quickly: unpacked, and with a first file
system that knows this one disk. Never changes what runs once the disk is mounted."""

import lzma
import struct

# What the kernel needs to find its disk. Debian's own first file system starts a udev for that.
MODULES = ["virtio_pci", "virtio_blk", "crc32c_generic", "ext4"]
INIT = """#!/bin/busybox sh
/bin/busybox mount -t devtmpfs dev /dev
for module in {modules}; do /bin/busybox insmod /modules/$module; done
until [ -b /dev/vda ]; do /bin/busybox usleep 20000; done
/bin/busybox mount -t ext4 -o noatime /dev/vda /root
exec /bin/busybox switch_root /root /sbin/init
"""
# Fields of the header of a kernel file (the kernel's Documentation/arch/x86/boot.rst).
SETUP_SECTORS = 0x1F1
PAYLOAD = 0x248


def unpack(packed, target):
    """Takes the kernel out of the file it is packed in: to unpack itself takes it seconds in an emulator."""
    octets = packed.read_bytes()
    begin = ((octets[SETUP_SECTORS] or 4) + 1) * 512
    offset, length = struct.unpack_from("<II", octets, PAYLOAD)
    target.write_bytes(lzma.LZMADecompressor().decompress(octets[begin + offset:begin + offset + length]))


def first_files(root, target):
    """Writes the archive that the kernel unpacks into its first file system."""
    folder = next((root / "usr/lib/modules").iterdir())
    order = load_order(folder)
    files = [("bin", None), ("dev", None), ("modules", None), ("root", None),
             ("bin/busybox", (root / "usr/bin/busybox").read_bytes()),
             ("init", INIT.format(modules=" ".join(path.rsplit("/", 1)[1] for path in order)).encode())]
    files += [("modules/" + path.rsplit("/", 1)[1], (folder / path).read_bytes()) for path in order]
    octets = b"".join(entry(number, *file) for number, file in enumerate(files, 1))
    target.write_bytes(octets + entry(0, "TRAILER!!!", b""))


def load_order(folder):
    """The modules and those they need, each after those."""
    needs = {}
    for line in (folder / "modules.dep").read_text().splitlines():
        path, _, others = line.partition(":")
        needs[path] = others.split()
    order = []
    for name in MODULES:
        path = next(path for path in needs if path.endswith(f"/{name}.ko"))
        # modules.dep names those needed so that the last one is loaded first.
        order += [one for one in [*reversed(needs[path]), path] if one not in order]
    return order


def entry(number, name, octets):
    """One file of an archive as cpio writes it with `--format=newc` (cpio(5)); a folder has no octets."""
    mode = 0o040755 if octets is None else 0o100755
    octets = octets or b""
    fields = [number, mode, 0, 0, 1, 0, len(octets), 0, 0, 0, 0, len(name) + 1, 0]
    head = b"070701" + b"".join(b"%08X" % field for field in fields) + name.encode() + b"\0"
    return padded(head) + padded(octets)


def padded(octets):
    return octets + bytes(-len(octets) % 4)
