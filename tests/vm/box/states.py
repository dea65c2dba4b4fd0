"""Owns the states that a cut may leave a stick in, by its log. Never reads a file system.

Those of a window, which is what lies between two flushes, on top of everything before it:

- whole: everything up to a write
- without: the same, one write of the window left out
- torn: the same, the last write ended in its middle
"""

import hashlib
import mmap
import random

from .blocklog import SECTOR, Flush, Mark, Write


class State:
    """What a cut left. The image of the surface is in this state while it is looked at."""

    def __init__(self, kind, at, acknowledged, key, what=""):
        self.kind = kind
        # Which write is left out, or torn.
        self.what = what
        # How many entries of the log had been made when the cut came, or the next was being made.
        self.at = at
        # The last mark before that.
        self.acknowledged = acknowledged
        # The same for equal bytes; of 128 bits, so that different ones are told apart.
        self.key = key


class Surface:
    """An image, kept in a file that others may read, and what its bytes are known by."""

    def __init__(self, base, path):
        self.path = path
        octets = base.read_bytes()
        path.write_bytes(octets)
        with open(path, "r+b") as file:
            self.image = mmap.mmap(file.fileno(), len(octets))
        self.key = 0
        self.hashes = {}

    def put(self, sector, octets):
        """Writes; gives what takes it back."""
        at = sector * SECTOR
        before = (sector, self.image[at:at + len(octets)], self.key)
        for offset in range(0, len(octets), SECTOR):
            old, new = before[1][offset:offset + SECTOR], octets[offset:offset + SECTOR]
            if old != new:
                here = sector + offset // SECTOR
                self.key ^= self.hash(here, old) ^ self.hash(here, new)
        self.image[at:at + len(octets)] = octets
        return before

    def take_back(self, before):
        sector, octets, self.key = before
        self.image[sector * SECTOR:sector * SECTOR + len(octets)] = octets

    def hash(self, sector, octets):
        known = self.hashes.get((sector, octets))
        if known is None:
            digest = hashlib.blake2b(b"%d " % sector + octets, digest_size=16).digest()
            known = self.hashes[sector, octets] = int.from_bytes(digest, "little")
        return known

    def __enter__(self):
        return self

    def __exit__(self, *_):
        self.image.close()
        self.path.unlink()


class Log:
    """The entries of a log, and what is known of each place in it."""

    def __init__(self, entries):
        self.entries = entries
        self.marks = [0]
        for entry in entries:
            self.marks.append(entry.number if isinstance(entry, Mark) else self.marks[-1])
        self.windows = []
        window = []
        for at, entry in enumerate(entries):
            if isinstance(entry, Write):
                window.append(at)
            elif isinstance(entry, Flush):
                self.windows.append((window, at))
                window = []
        self.windows.append((window, len(entries)))

    def count(self, kind):
        return sum(isinstance(entry, kind) for entry in self.entries)

    def ends_as(self, base, end):
        """Whether the log, played on the bytes a stick had, makes of them those it has. The marks' place aside."""
        octets = bytearray(base.read_bytes())
        for entry in self.entries:
            if isinstance(entry, Write):
                octets[entry.sector * SECTOR:entry.sector * SECTOR + len(entry.octets)] = entry.octets
        gap = slice(SECTOR, 1 << 20)
        found = bytearray(end.read_bytes())
        octets[gap] = found[gap]
        return octets == found

    def states(self, surface, seed):
        """Every state, one after another, on a surface that has the bytes from before the log."""
        chance = random.Random(seed)
        for window, end in self.windows:
            yield from self.of_window(surface, window, end, chance)

    def of_window(self, surface, window, end, chance):
        def state(kind, now, what=""):
            # It lasts until the next write or flush; marks up to there are older than the cut.
            return State(kind, now, self.marks[now], surface.key, what)

        ends = [*window[1:], end]
        yield state("whole", window[0] if window else end)
        for place, at in enumerate(window):
            write = self.entries[at]
            sectors = len(write.octets) // SECTOR
            if sectors > 1:
                back = surface.put(write.sector, write.octets[:chance.randrange(1, sectors) * SECTOR])
                yield state("torn", at, f" ({at} torn)")
                surface.take_back(back)
            if not write.durable:
                yield from self.without(surface, window[place + 1:], ends[place + 1:],
                                        lambda now, left=at: state("without", now, f" ({left} left out)"))
            surface.put(write.sector, write.octets)
            yield state("whole", ends[place])

    def without(self, surface, later, ends, state):
        """The states of a window in which the write before these is left out."""
        backs = []
        for at, end in zip(later, ends):
            backs.append(surface.put(self.entries[at].sector, self.entries[at].octets))
            yield state(end)
        for back in reversed(backs):
            surface.take_back(back)

    def as_if_nothing_were_flushed(self, surface, seed, most):
        """States at the end of the log with one write of all left out, as many as asked for: what a device leaves
        that does not mean its flushes."""
        writes = [entry for entry in self.entries if isinstance(entry, Write)]
        for lost in sorted(random.Random(seed).sample(range(len(writes)), min(most, len(writes)))):
            backs = [surface.put(write.sector, write.octets) for at, write in enumerate(writes) if at != lost]
            yield State("without", len(self.entries), self.marks[-1], surface.key, f" (write {lost} left out)")
            for back in reversed(backs):
                surface.take_back(back)
