"""Owns trying states of a log: on this computer, a FAT read with mtools and `restore` run by the program from
the package on what was read; and in the box. Never calls a state tried that was not read to its end."""

import hashlib
import os
import random
import re
import shutil
import subprocess
import tempfile
from collections import Counter
from pathlib import Path

from . import host, sticks
from .post import STATION
from .states import Surface
from .told import RAW, Back, digests

# In memory: the disk would be most of the time.
FAST = Path("/dev/shm")
BAG = f"counterfoil/{STATION}"
# The words of dosfstools 4.2 for a file whose clusters end before it does, and for one whose clusters go on.
SHORT = re.compile(rb"cluster chain length is \d|free cluster|Start cluster")
LONG = re.compile(rb"cluster chain length is >")


class Tally:
    """What was tried of a log's states."""

    def __init__(self):
        self.kinds = Counter()
        # Of each state by its key: whether it is one right after a mark.
        self.keys = {}
        # What came back of a state by its key: here, and in the box.
        self.read = {}
        self.in_the_box = {}
        # Not read here: for the box alone.
        self.unread = set()
        self.trees = 0
        self.broken = set()
        self.longer = set()
        self.raw_lost = set()
        self.losses = []

    def words(self):
        every = sum(self.kinds.values())
        kinds = ", ".join(f"{count} {kind}" for kind, count in self.kinds.items())
        words = f"{every} states ({kinds}), {len(self.keys)} of different octets"
        if self.read:
            tried = len(self.unread & self.in_the_box.keys())
            words += (f"; {len(self.read)} repaired and read by mtools, {len(self.broken)} of them with a chain of "
                      f"clusters that ended early, {len(self.longer)} with one that went on "
                      f"({len(self.unread)} more cannot be read so, {tried} of those tried in the box), "
                      f"{self.trees} different sets of files restored")
        return words + (f"; {len(self.in_the_box)} restored in the box ({len(self.raw_lost)} of them not whole before "
                        "automount put the stick in order)")


class Program:
    """The program from the package, unpacked, and a folder for what it makes."""

    def __init__(self, deb, look=lambda tree: None):
        # Is shown each set of files that was read.
        self.look = look
        self.folder = Path(tempfile.mkdtemp(prefix="replay-", dir=FAST if FAST.is_dir() else None))
        # What came back of equal files is not asked for twice.
        self.trees = {}
        # The keys of the states in which a chain of clusters ends too early, and where one only goes too far.
        self.broken = set()
        self.longer = set()
        host.sh("dpkg-deb", "-x", deb, self.folder / "package")
        self.path = self.folder / "package/usr/bin/counterfoil"

    def __enter__(self):
        return self

    def __exit__(self, *_):
        shutil.rmtree(self.folder, ignore_errors=True)

    def run(self, *words):
        """Runs a command; its exit code. That it ends by a signal or a panic fails the story."""
        environment = {"HOME": str(self.folder), "PATH": os.environ["PATH"]}
        done = subprocess.run([str(self.path), *map(str, words)], capture_output=True, env=environment, check=False)
        if done.returncode not in (0, 1, 3):
            raise host.Failed(f"{words}: exit code {done.returncode}\n{done.stderr.decode(errors='replace')}")
        return done.returncode

    def read(self, surface):
        """What comes back of a FAT, repaired as automount has it repaired before it mounts what was not unmounted.
        As it is mtools would not do: it takes a file for whole whose clusters end early, where a kernel fails.
        Nothing where mtools fails even so: a folder without clusters of its own is the root to it, again and again."""
        tree = self.emptied("tree")
        part = self.repaired(surface)
        # Nothing at all in the root is an error to mcopy.
        if host.sh_raw("mdir", "-b", "-i", part, "::/").strip():
            done = subprocess.run(["mcopy", "-s", "-n", "-Q", "-i", str(part), "::/*", str(tree)], capture_output=True,
                                  check=False, stdin=subprocess.DEVNULL)
            if done.returncode != 0:
                return None
        key = tree_key(tree)
        if key not in self.trees:
            self.look(tree)
            self.trees[key] = self.restored(tree)
        return self.trees[key]

    def repaired(self, surface):
        """A copy of the file system, put in order."""
        part = self.folder / "part.raw"
        part.write_bytes(memoryview(surface.image)[sticks.BEGIN:])
        done = subprocess.run(["fsck.vfat", "-a", str(part)], capture_output=True, check=False)
        if done.returncode > 1:
            raise host.Failed(f"fsck.vfat: exit code {done.returncode}\n{done.stdout.decode(errors='replace')}")
        if SHORT.search(done.stdout):
            self.broken.add(surface.key)
        elif LONG.search(done.stdout):
            self.longer.add(surface.key)
        return part

    def restored(self, tree):
        """What comes back of a drive's files, as they are and once more after the drive was mended."""
        copies = set(digests(tree / BAG / "data").values())
        plain = self.restore(tree)
        everything = self.restore(tree, "--with-removed")
        # A new card, whose mailbox is empty.
        self.emptied("card/mail")
        self.emptied("state")
        self.run("mirror", "--drive", tree, "--mailbox", self.folder / "card/mail", "--station", STATION,
                 "--state", self.folder / "state")
        mended = self.restore(tree, "--with-removed")
        later = set(digests(tree / BAG / "data").values())
        return {"": Back(plain, everything, copies, ""), ", after it was mended": Back(mended, mended, later, "")}

    def restore(self, tree, *more):
        into = self.emptied("back")
        self.run("restore", "--drive", tree, "--station", STATION, "--into", into, *more)
        return digests(into)

    def emptied(self, name):
        folder = self.folder / name
        shutil.rmtree(folder, ignore_errors=True)
        folder.mkdir(parents=True)
        return folder


def tree_key(tree):
    """The same for equal files under equal names."""
    whole = hashlib.sha256()
    for path in sorted(path for path in tree.rglob("*") if path.is_file()):
        octets = path.read_bytes()
        whole.update(f"{path.relative_to(tree)}\0{len(octets)}\0".encode() + octets)
    return whole.digest()


class Trial:
    """The states of one log, on top of what the stick held before."""

    def __init__(self, folder, base, log, told, seed):
        self.base = base
        place = FAST if FAST.is_dir() else folder
        self.surface = lambda: Surface(base, Path(tempfile.mkstemp(prefix="surface-", dir=place)[1]))
        self.log = log
        self.told = told
        self.seed = seed
        self.tally = Tally()
        with self.surface() as surface:
            for state in log.states(surface, seed):
                self.tally.kinds[state.kind] += 1
                marked = state.kind == "whole" and log.marks[state.at] != log.marks[max(0, state.at - 1)]
                self.tally.keys[state.key] = self.tally.keys.get(state.key, False) or marked

    def sample(self, keys, most):
        """So many of some states, the same for the same seed; all for none."""
        keys = [key for key in self.tally.keys if key in keys]
        return set(keys if most is None or most >= len(keys) else random.Random(self.seed).sample(keys, most))

    def at_marks(self):
        return {key for key, marked in self.tally.keys.items() if marked}

    def here(self, program, most):
        """Tries states on this computer, those at marks among them."""
        before = len(program.trees)
        wanted = self.sample(self.tally.keys.keys(), most) | self.at_marks()
        self.hold(wanted, program.read, self.tally.read)
        self.tally.trees = len(program.trees) - before
        self.tally.unread = {key for key, backs in self.tally.read.items() if backs is None}
        for key in self.tally.unread:
            del self.tally.read[key]
        self.tally.broken = program.broken & self.tally.read.keys()
        self.tally.longer = program.longer & self.tally.read.keys()

    def in_the_box(self, bench, wanted):
        """Tries states in the box. What this computer read too must have come back the same."""
        self.hold(wanted, lambda surface: bench.restored(surface.image), self.tally.in_the_box)
        for key, backs in self.tally.in_the_box.items():
            if key in self.tally.read:
                here, there = self.tally.read[key][""], backs[""]
                apart = here.everything.items() ^ there.everything.items()
                if apart:
                    raise host.Failed(f"of one state other files come back in the box than on this computer: "
                                      f"{self.where(key)}: {sorted(apart)[:4]}; in the box: {there.said}")

    def where(self, key):
        """In what states the bytes are these."""
        with self.surface() as surface:
            found = [f"{state.kind} at entry {state.at}{state.what}, mark {state.acknowledged}"
                     for state in self.log.states(surface, self.seed) if state.key == key]
        return ", ".join(found)

    def image(self, number):
        """The bytes of a state after a mark and before the next, whose files are not those of the mark: what a
        mirror that was cut left."""
        marked = [id(self.tally.read.get(key)) for key in self.at_marks()]
        with self.surface() as surface:
            found = [state.key for state in self.log.states(surface, self.seed) if state.acknowledged == number
                     and state.key in self.tally.read and id(self.tally.read[state.key]) not in marked]
        chosen = random.Random(self.seed).choice(found)
        with self.surface() as surface:
            for state in self.log.states(surface, self.seed):
                if state.key == chosen:
                    return bytes(surface.image)
        raise host.Failed(f"no state after mark {number}")

    def hold(self, wanted, read, known):
        """Holds what comes back of states to what was acknowledged before the cut."""
        with self.surface() as surface:
            for state in self.log.states(surface, self.seed):
                if state.key not in wanted:
                    continue
                if state.key not in known:
                    known[state.key] = read(surface)
                if known[state.key] is not None:
                    self.judge(state, known[state.key])

    def judge(self, state, backs):
        for how, back in backs.items():
            lost = self.told.lost(state.acknowledged, back)
            if lost and how == RAW:
                self.tally.raw_lost.add(state.key)
            elif lost:
                self.tally.losses.append((state,
                    f"{state.kind} at entry {state.at}{state.what}, mark {state.acknowledged}{how}: {len(lost)} lost: "
                    f"{', '.join(sorted(lost)[:3])}; {back.said}"))

    def as_if_nothing_were_flushed(self, program, most):
        """States that a device leaves which does not mean its flushes: how many, and how many of them lose mail."""
        tried = 0
        with self.surface() as surface:
            for state in self.log.as_if_nothing_were_flushed(surface, self.seed, most):
                backs = program.read(surface)
                if backs is not None:
                    tried += 1
                    self.judge(state, backs)
        return tried
