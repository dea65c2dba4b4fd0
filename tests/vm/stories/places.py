"""Owns the stories of sticks that take nothing, or take it slowly. Never lets one of them be the only stick."""

from box import host
from box.lanes import story
from box.mail import messages

# On a machine that has other work. Far less than the 30 s after which the kernel resets a stick that does not answer:
# what waits for that one takes longer.
SOON = 15
PRUNING = """station = "pier-4"
churn = "1s"

[[mailbox]]
path = "/home/op/mail"

[drives]
prune = true
prune_after = "1s"
"""


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
    post.until("the journal says that it may only be read",
               lambda: any("AMBER: write to /media/AMBER: Read-only file system" in line for line in post.journal()))
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
def a_full_stick_gives_up_old_versions(post):
    post.boot()
    post.configure(PRUNING)
    stick = post.new_stick("AMBER", size="64M")
    post.plug(stick)
    place = post.until_mounted(stick)
    post.start_service()
    versions = []
    for number in range(4):
        versions += deliver_version(post, place, number)
    post.expect("every version is on the stick", set(sums(post, place)) >= {one.sha256 for one in versions})
    # Room for less than one more, beside the 4 MiB that are kept free for the logs.
    post.run(f"free=$(df --output=avail -B 1 {place} | tail -n 1); "
             f"head -c $((free - (5 << 20))) /dev/zero >{place}/filler && sync -f {place}")
    versions += deliver_version(post, place, 4)
    listed = post.prove(place, ["plan.eml"])
    post.expect("the oldest version is gone, from the manifest too", versions[0].sha256 not in listed)
    kinds = [line["kind"] for line in post.ledger(stick)]
    post.expect(f"the ledger tells of it: {kinds}", "pruned" in kinds)
    post.expect("only superseded versions went", versions[-1].sha256 in listed and versions[-2].sha256 in listed)
    gone = len(versions) - len(set(listed) & {one.sha256 for one in versions})
    post.figures.append(f"full with 4 versions of 2 MiB: {gone} given up for the fifth")
    # What the stick is like for whoever pulls it: whole, without a lost cluster.
    post.stop_service()
    disk = post.run(f"findmnt -n -o SOURCE {place}").strip()
    post.run(f"umount {place} && fsck.vfat -n {disk}")


def deliver_version(post, place, number):
    """Another version of one long message, until the stick has it."""
    one = messages(f"plan-{number}", 1, size=2 << 20)[0]
    one.name = "plan.eml"
    post.deliver([one])
    post.until(f"version {number} is mirrored",
               lambda: post.told("audit")["unmirrored"] == [] and one.sha256 in sums(post, place), 180)
    return [one]


def sums(post, place):
    """The hashes of the copies that are on a stick."""
    return [line.split()[0] for line in post.run(f"cat {place}/counterfoil/pier-4/manifest-sha256.txt").splitlines()
            if not line.startswith("#")]


@story
def a_stick_that_stalls(post):
    stick = post.new_stick("AMBER")
    good = beside_a_good_one(post, stick)
    for one in (stick, good):
        post.until_served(one)
    # It answers nothing at all from here on. The story ends while it does: after 30 s the kernel resets a device
    # that does not answer, and the emulated one waits for its own stalled request then, the whole box with it.
    post.machine.speed(stick, {"bps-total": 1})
    delivered = post.deliver(messages("stalled", 5))
    post.until_served(good, 20)
    took = post.said_at("BIRCH: safe to pull", after=delivered) - delivered
    post.figures.append(f"while AMBER stalls, BIRCH is safe to pull {took:.1f} s after the delivery")
    post.expect(f"BIRCH goes on within {SOON} s ({took:.1f} s)", took <= SOON)
