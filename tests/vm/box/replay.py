"""Owns trying states on this computer: a FAT read with mtools, `restore` run by the program from the package on
what was read. Never believes a state whose files it could not read to be a good one."""

import hashlib
import os
import random
import shutil
import subprocess
import tempfile
from collections import Counter
from pathlib import Path

from . import host, sticks
from .post import STATION
from .states import Surface
from .told import Back, digests

# In memory: the disk would be most of the time.
FAST = Path("/dev/shm")
# States read in a usual run, beside those at a mark; with --all-states it is every one.
SAMPLE = 900
BAG = f"counterfoil/{STATION}"


class Lost(host.Failed):
    """An acknowledged message did not come back."""


class Tally:
    """What was tried."""

    def __init__(self):
        self.kinds = Counter()
        self.distinct = 0
        self.read = 0
        self.held = 0
        self.complained = 0
        self.trees = {}
        self.losses = []

    def words(self):
        every = sum(self.kinds.values())
        kinds = ", ".join(f"{self.kinds[kind]} {kind}" for kind in ("whole", "without", "torn"))
        return (f"{every} states ({kinds}), {self.distinct} of them of different octets; {self.held} held to their marks, "
                f"{self.read} read ({self.complained} with complaints of mtools), {len(self.trees)} different sets of files")


class Program:
    """The program from the package, unpacked, and a folder for what it makes."""

    def __init__(self, deb):
        self.folder = Path(tempfile.mkdtemp(prefix="replay-", dir=FAST if FAST.is_dir() else None))
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

    def tree(self, image):
        """The files of a FAT image, in a folder; whether mtools had nothing to complain of."""
        folder = self.emptied("tree")
        # mtools would refuse a FAT of which a cut left the free space wrongly counted.
        done = subprocess.run(["mcopy", "-s", "-n", "-Q", "-i", f"{image}@@{sticks.BEGIN}", "::/*", str(folder)],
                              capture_output=True, check=False, stdin=subprocess.DEVNULL,
                              env={**os.environ, "MTOOLS_SKIP_CHECK": "1"})
        return folder, done.returncode == 0

    def restored(self, tree):
        """What comes back of a drive's files, as they are and once more after the drive was mended."""
        copies = set(digests(tree / BAG / "data").values())
        plain, code = self.restore(tree)
        everything, _ = self.restore(tree, "--with-removed")
        # A new card, whose mailbox is empty.
        self.emptied("card/mail")
        self.emptied("state")
        self.run("mirror", "--drive", tree, "--mailbox", self.folder / "card/mail", "--station", STATION,
                 "--state", self.folder / "state")
        mended, _ = self.restore(tree, "--with-removed")
        later = set(digests(tree / BAG / "data").values())
        return Back(plain, everything, copies, code), Back(mended, mended, later, 0)

    def restore(self, tree, *more):
        into = self.emptied("back")
        code = self.run("restore", "--drive", tree, "--station", STATION, "--into", into, *more)
        return digests(into), code

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


def chosen(log, surface, seed, most, tally):
    """The keys of the states to be read: all, or so many of them and those whole at a mark."""
    keys = {}
    for state in log.states(surface, seed):
        tally.kinds[state.kind] += 1
        told = state.kind == "whole" and log.marks[state.at] != log.marks[max(0, state.at - 1)]
        keys[state.key] = keys.get(state.key, False) or told
    tally.distinct = len(keys)
    if most is None or most >= len(keys):
        return set(keys)
    return {key for key, told in keys.items() if told} | set(random.Random(seed).sample(list(keys), most))


def try_states(program, base, log, told, seed, most):
    """Tries the states of a log on top of what the stick held before; the tally. Losses are in it, not raised."""
    tally = Tally()
    with Surface(base, program.folder / "surface.raw") as surface:
        wanted = chosen(log, surface, seed, most, tally)
    with Surface(base, program.folder / "surface.raw") as surface:
        known = {}
        for state in log.states(surface, seed):
            if state.key in wanted:
                hold(program, surface, state, told, known, tally)
    return tally


def try_unflushed(program, base, log, told, seed, most):
    """The same for a device that does not mean its flushes: the losses are what it is for."""
    tally = Tally()
    with Surface(base, program.folder / "surface.raw") as surface:
        for state in log.as_if_nothing_were_flushed(surface, seed, most):
            hold(program, surface, state, told, {}, tally)
    return tally


def hold(program, surface, state, told, known, tally):
    """Holds what comes back of a state to what was acknowledged by then."""
    tally.held += 1
    if state.key not in known:
        tree, clean = program.tree(surface.path)
        tally.read += 1
        tally.complained += not clean
        known[state.key] = tree_key(tree)
        if known[state.key] not in tally.trees:
            tally.trees[known[state.key]] = program.restored(tree)
    for how, back in zip(("", ", after it was mended"), tally.trees[known[state.key]]):
        lost = told.lost(state.acknowledged, back)
        if lost:
            tally.losses.append(f"{state.kind} at entry {state.at}, mark {state.acknowledged}{how}: {len(lost)} lost: "
                                f"{', '.join(sorted(lost)[:3])}")
