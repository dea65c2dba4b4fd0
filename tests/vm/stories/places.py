"""Owns the stories of sticks that take nothing, or take it slowly. Never lets one of them be the only stick."""

from box import host
from box.lanes import story
from box.mail import messages

SOON = 5


def beside_a_good_one(post, stick):
    """Brings a box up with a good stick and another one, and mail for both."""
    post.boot()
    post.configure()
    good = post.new_stick("BIRCH")
    for one in (good, stick):
        post.plug(one)
        post.until_mounted(one)
    post.deliver(messages("both", 5))
    post.start_service()
    return good


def is_called(post, stick, *states):
    """Waits until status calls a stick one of these."""
    post.until(f"{stick.label} is called {' or '.join(states)}",
               lambda: (post.drive(stick) or {"state": None})["state"] in states)


@story
def a_read_only_stick(post):
    stick = post.new_stick("AMBER")
    stick.read_only = True
    before = host.sha256(stick.path)
    good = beside_a_good_one(post, stick)
    post.until_served(good)
    log = "\n".join(post.journal())
    post.expect(f"the journal says that it may only be read: {log}", "AMBER: write to /media/AMBER: Read-only file system" in log)
    is_called(post, stick, "read-only")
    post.expect("not one octet of it changed", host.sha256(stick.path) == before)


@story
def a_full_stick(post):
    stick = post.new_stick("AMBER", size="64M")
    good = beside_a_good_one(post, stick)
    for one in (stick, good):
        post.until_served(one)
    post.asked(f"cat /dev/zero >{post.place(stick)}/filler; sync -f {post.place(stick)}")
    post.deliver(messages("more", 5))
    post.until_served(good)
    is_called(post, stick, "full")
    post.run(f"rm {post.place(stick)}/filler")
    post.deliver(messages("again", 1))
    post.until_served(stick)
    post.prove(post.place(stick))


@story
def a_stick_that_stalls(post):
    stick = post.new_stick("AMBER")
    good = beside_a_good_one(post, stick)
    for one in (stick, good):
        post.until_served(one)
    # It answers nothing at all from here on. The story ends while it does: after 30 s the kernel resets a device
    # that does not answer, and the emulated one waits for its own stalled request then, the whole box with it.
    post.machine.speed(stick, {"bps-total": 1})
    post.deliver(messages("stalled", 5))
    took = post.until_served(good, 20)
    post.figures.append(f"while AMBER stalls, BIRCH is safe to pull {took:.1f} s after the delivery")
    post.expect(f"BIRCH goes on within {SOON} s ({took:.1f} s)", took <= SOON)
