"""Owns the stories of sticks that are pulled in use. Never cuts the power."""

from box.lanes import story
from box.mail import messages

BEFORE = 3
MANY = 500


@story
def pulled_in_the_middle_of_five_hundred(post):
    post.boot()
    post.configure()
    stick = post.new_stick("AMBER")
    post.plug(stick)
    place = post.until_mounted(stick)
    post.deliver(messages("first", BEFORE))
    post.start_service()
    post.until_served(stick)
    post.deliver_steadily(messages("many", MANY), 0.05)
    post.until("some of them are mirrored", lambda: post.drive(stick)["messages"] > BEFORE + MANY // 4, 120)
    post.pull(stick)
    arrived = len(post.in_mailbox())
    post.until("the mount is gone", lambda: post.place(stick) is None)
    post.until("all have arrived", lambda: len(post.in_mailbox()) == BEFORE + MANY, 120)
    left = [one["reason"] for one in post.told("audit")["unmirrored"]]
    post.expect(f"it was pulled in the middle: {arrived - BEFORE} of {MANY} had arrived, {len(left)} are not mirrored",
                0 < len(left) < MANY and arrived < BEFORE + MANY)
    post.expect(f"audit says what keeps them: {set(left)}", set(left) == {"no-drive"})
    post.expect("not one file lies in the empty mount point", left_below(post, place) == "")
    post.plug(stick)
    place = post.until_mounted(stick)
    took = post.until_served(stick, 180)
    post.prove(place)
    post.expect("audit finds nothing unmirrored", post.told("audit")["unmirrored"] == [])
    # Those copied just before the pull, and right, are adopted.
    mirrored = [line["sha256"] for line in post.ledger(stick) if line["kind"] in ("mirrored", "adopted")]
    post.expect(f"every message has one line of its copy ({len(mirrored)})",
                sorted(mirrored) == sorted(one.sha256 for one in post.mail.values()))
    files = post.run(f"find {place}/counterfoil/*/data -type f -exec sha256sum {{}} + | cut -c 1-64").split()
    post.figures.append(f"pulled when {arrived - BEFORE} of {MANY} had arrived, {MANY - len(left)} were mirrored; "
                        f"all safe {took:.1f} s after it was back; {len(files)} payload files")


@story
def one_of_two_is_pulled(post):
    post.boot()
    post.configure()
    amber, birch = post.new_stick("AMBER"), post.new_stick("BIRCH")
    for stick in (amber, birch):
        post.plug(stick)
        post.until_mounted(stick)
    post.deliver(messages("both", 3))
    post.start_service()
    for stick in (amber, birch):
        post.until_served(stick)
    post.pull(amber)
    delivered = post.deliver(messages("one", 3))
    post.until_served(birch)
    took = post.said_at("BIRCH: safe to pull", after=delivered) - delivered
    post.until("AMBER is away", lambda: post.drive(amber)["state"] == "away")
    post.expect("AMBER is known with what it got", post.drive(amber)["messages"] == 3)
    post.prove(post.place(birch))
    post.figures.append(f"BIRCH is safe to pull again {took:.1f} s after the delivery")


def left_below(post, place):
    """What lies on the card where a stick was mounted, seen past whatever is mounted there now."""
    return post.run("mkdir -p /run/card && mount --bind / /run/card && "
                    f"find /run/card{place} -mindepth 1 2>/dev/null | head; umount /run/card")
