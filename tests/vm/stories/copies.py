"""Owns the story of a stick that was copied whole, id, serial number and all. Never writes to a stick from here."""

import os

from box.lanes import story
from box.mail import messages


def called(post, place):
    """What status says of the stick mounted at a place, or nothing."""
    found = [one for one in post.told("status")["drives"] if one["label"] == os.path.basename(place)]
    return found[0] if found else None


def has_all(post, place):
    said = called(post, place)
    return said is not None and said["messages"] == len(post.mail) and said["state"] == "safe"


@story
def a_stick_and_its_copy(post):
    post.boot()
    post.configure()
    stick = post.new_stick("AMBER")
    post.plug(stick)
    first = post.until_mounted(stick)
    post.deliver(messages("before", 10))
    post.start_service()
    post.until_served(stick)
    post.run(f"umount {first}")
    post.pull(stick)

    copy = stick.copy("amber-copy")
    post.deliver(messages("meanwhile", 5))
    for one in (stick, copy):
        post.plug(one)
        post.until_mounted(one)
    places = [post.place(one) for one in (stick, copy)]
    post.expect(f"each is mounted at a place of its own: {places}", len(set(places)) == 2)
    for place in places:
        post.until(f"the stick at {place} has everything", lambda: has_all(post, place))
    post.deliver(messages("after", 5))
    for place in places:
        post.until(f"the stick at {place} has everything", lambda: has_all(post, place))
        post.prove(place)
    post.expect("it is reported", any("was copied from drive" in line for line in post.journal()))
    ids = {called(post, place)["id"] for place in places}
    post.expect(f"each has an id of its own: {ids}", len(ids) == 2)
    apart = [post.asked(f"test -e {place}/counterfoil/drive-2.json").code for place in places]
    post.expect(f"one of them was given its own: {apart}", sorted(apart) == [0, 1])
