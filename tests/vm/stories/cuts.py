"""Owns the stories of power that goes. Never shuts down in an orderly way."""

import random

from box.host import Failed
from box.lanes import story
from box.mail import messages
from box.post import STATION

CUTS = 10


def cut_again_and_again(post, seed):
    """Cuts the power in the middle of arriving mail, and looks each time at what the stick really holds."""
    chance = random.Random(seed)
    stick = post.new_stick("AMBER")
    acknowledged = set()
    moments = []
    for cut in range(CUTS):
        post.boot()
        if cut == 0:
            post.configure()
            post.start_service()
        post.plug(stick)
        post.deliver_steadily(messages(f"cut-{seed}-{cut}", 40), 0.05)
        moment = chance.uniform(1.0, 9.0)
        moments.append(round(moment, 1))
        acknowledged |= noted_for(post, moment)
        post.cut_power()
        holds(stick, {post.mail[name].sha256 for name in acknowledged}, cut)
    post.boot()
    post.plug(stick)
    post.until_mounted(stick)
    # What was on its way at a cut may never have reached the mailbox.
    there = post.in_mailbox()
    post.until("all is mirrored", lambda: post.is_served(stick, len(there)) and post.told("audit")["unmirrored"] == [])
    post.prove(post.place(stick), there)
    post.expect("what was acknowledged is in the mailbox or on the stick", acknowledged)
    post.figures.append(f"seed {seed}: cut {CUTS} times, after {moments} s; {len(acknowledged)} of "
                        f"{len(post.mail)} messages had been acknowledged before a cut")


def noted_for(post, seconds):
    """What is acknowledged, asked again and again for so long."""
    import time
    noted = set()
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        noted |= post.acknowledged()
    return noted


def holds(stick, hashes, cut):
    """Reads the stick from outside, as the cut left it: every acknowledged message must be there, with a line."""
    import hashlib
    import json
    files = stick.files()
    bag = f"counterfoil/{STATION}/"
    there = {hashlib.sha256(octets).hexdigest() for name, octets in files.items() if name.startswith(bag + "data/")}
    lines = files.get(bag + "ledger.jsonl", b"").split(b"\n")
    told = set()
    for line in lines:
        try:
            told.add(json.loads(line).get("sha256"))
        except ValueError:
            continue  # The cut may have torn what was not acknowledged.
    for what, found in (("its octets", there), ("its line", told)):
        if hashes - found:
            raise Failed(f"cut {cut}: {len(hashes - found)} acknowledged messages are without {what}")


@story
def power_cut_ten_times(post):
    cut_again_and_again(post, 11)


@story
def power_cut_ten_times_more(post):
    cut_again_and_again(post, 23)
