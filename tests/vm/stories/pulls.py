"""Owns the stories of sticks that are pulled in use. Never cuts the power."""

from box.lanes import story
from box.mail import messages


@story
def pulled_in_the_middle_of_five_hundred(post):
    post.boot()
    post.configure()
    stick = post.new_stick("AMBER")
    post.plug(stick)
    place = post.until_mounted(stick)
    post.deliver(messages("first", 3))
    post.start_service()
    post.until_served(stick)
    post.deliver_steadily(messages("many", 500), 0.02)
    post.until("some of them are mirrored", lambda: 30 < post.drive(stick)["messages"] < 400, 120)
    post.pull(stick)
    post.until("the mount is gone", lambda: post.place(stick) is None)
    post.until("all have arrived", lambda: len(post.in_mailbox()) == 503, 120)
    post.expect("not one file lies in the empty mount point",
                post.run(f"mkdir -p /run/card && mount --bind / /run/card && find /run/card{place} "
                         "-mindepth 1 2>/dev/null | head; umount /run/card") == "")
    post.plug(stick)
    place = post.until_mounted(stick)
    post.until_served(stick, 120)
    post.prove(place)
    mirrored = [line["sha256"] for line in post.ledger(stick) if line["kind"] == "mirrored"]
    post.expect("no message has two lines", len(mirrored) == len(set(mirrored)) == 503)
    files = post.run(f"find {place}/counterfoil/*/data -type f -exec sha256sum {{}} + | cut -c 1-64").split()
    distinct = {one.sha256 for one in post.mail.values()}
    post.figures.append(f"{len(files)} payload files for {len(distinct)} messages")
    post.expect("every message has one file", set(files) >= distinct and len(set(files)) == len(files))


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
    post.deliver(messages("one", 3))
    took = post.until_served(birch)
    post.figures.append(f"BIRCH is safe to pull again {took:.1f} s after the delivery")
    post.until("AMBER is away", lambda: post.drive(amber)["state"] == "away")
    post.prove(post.place(birch))
