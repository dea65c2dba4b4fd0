"""Owns the stories of power that goes. Never shuts down in an orderly way."""

import hashlib
import json
import random
import time

from box.host import Failed
from box.lanes import story
from box.mail import messages
from box.post import STATION

CUTS = 10
# Enough to be still arriving at the latest cut.
ARRIVING = 150
GAP = 0.1
EARLIEST, LATEST = 2.0, 12.0
# Cuts before which some of the mail of that very boot must have been acknowledged: fewer would prove little.
TELLING = 6
BACK = "/home/op/back"


def cut_again_and_again(post, seed):
    """Cuts the power in the middle of arriving mail, and looks each time at what the stick really holds."""
    print(f"power cuts: seed {seed}", flush=True)
    chance = random.Random(seed)
    stick = post.new_stick("AMBER")
    acknowledged = {}
    cuts = []
    for cut in range(CUTS):
        post.boot()
        if cut == 0:
            post.configure()
            post.start_service()
        post.plug(stick)
        post.until_mounted(stick)
        # What had not been delivered at the last cut.
        post.run("rm -rf /home/op/incoming")
        arriving = messages(f"cut-{seed}-{cut}", ARRIVING)
        post.deliver_steadily(arriving, GAP)
        moment = chance.uniform(EARLIEST, LATEST)
        noted = noted_for(post, moment) & {one.name for one in arriving}
        post.cut_power()
        acknowledged |= {name: post.mail[name].sha256 for name in noted}
        cuts.append((round(moment, 1), len(noted)))
        holds(stick, acknowledged, cut)
    told = ", ".join(f"{moment} s: {count}" for moment, count in cuts)
    post.figures.append(f"seed {seed}: cut {CUTS} times, so long after mail began to arrive, with so many of it "
                        f"acknowledged: {told}; {len(acknowledged)} in all")
    telling = sum(count > 0 for _, count in cuts)
    post.expect(f"new mail was acknowledged before at least {TELLING} cuts ({telling})", telling >= TELLING)
    restored = after_the_last(post, stick, acknowledged)
    post.figures.append(f"after the last, {restored} messages restored, every acknowledged one octet for octet")


def noted_for(post, seconds):
    """What is acknowledged, asked again and again for so long."""
    noted = set()
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        noted |= post.acknowledged()
    return noted


def holds(stick, acknowledged, cut):
    """Reads the stick from outside, as the cut left it: every acknowledged message must be there, with its line."""
    files = stick.files()
    bag = f"counterfoil/{STATION}/"
    there = {hashlib.sha256(octets).hexdigest() for name, octets in files.items() if name.startswith(bag + "data/")}
    told = set()
    for line in files.get(bag + "ledger.jsonl", b"").split(b"\n"):
        try:
            said = json.loads(line)
        except ValueError:
            continue  # The cut may have torn what was not acknowledged.
        told.add((said.get("path"), said.get("sha256")))
    without = {name for name, digest in acknowledged.items() if digest not in there}
    untold = set(acknowledged.items()) - told
    if without or untold:
        raise Failed(f"cut {cut}: of {len(acknowledged)} acknowledged messages {len(without)} are without their bytes "
                     f"and {len(untold)} without their line: {sorted(without)[:3]} {sorted(untold)[:3]}")


def after_the_last(post, stick, acknowledged):
    """Boots once more: everything gets mirrored, and what was acknowledged can be restored."""
    post.boot()
    post.plug(stick)
    place = post.until_mounted(stick)
    post.until("all that is left is mirrored", lambda: post.told("audit")["unmirrored"] == [], 180)
    # Of what was on its way at a cut, names may have reached the card without their bytes, or nothing at all.
    sums = digests(post, "/home/op/mail")
    copies = post.prove(place, acknowledged)
    post.expect("whatever the mailbox holds now is on the stick", set(sums.values()) <= set(copies))
    done = post.as_op(f"counterfoil restore --into {BACK}", 180)
    post.expect(f"restore ends well: {done.code} {done.out}{done.err}", done.code == 0)
    back = digests(post, BACK)
    wrong = {name for name, digest in acknowledged.items() if back.get(name) != digest}
    post.expect(f"every acknowledged message is restored under its name, octet for octet: {sorted(wrong)[:3]}",
                not wrong)
    return len(back)


def digests(post, folder):
    """The names below a folder and what their bytes hash to."""
    sums = post.run(f"cd {folder} && find . -type f -exec sha256sum {{}} +", within=120).splitlines()
    return {line[66:].removeprefix("./"): line[:64] for line in sums}


@story
def power_cut_ten_times(post):
    cut_again_and_again(post, 11)


@story
def power_cut_ten_times_more(post):
    cut_again_and_again(post, 23)
