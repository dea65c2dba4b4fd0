"""Owns the stories of what a stick's owner wants: to have it back, or not to have it used. Never goes round it."""

from box import host
from box.lanes import story
from box.mail import messages
from box.post import CONFIG

KNOWN = CONFIG + '\n[drives]\naccept = "known"\n'


@story
def a_stick_is_let_go_of(post):
    post.boot()
    post.configure()
    amber, birch = post.new_stick("AMBER"), post.new_stick("BIRCH")
    for stick in (amber, birch):
        post.plug(stick)
        post.until_mounted(stick)
    post.deliver(messages("before", 100))
    post.start_service()
    # In the middle of the work, as the operator, who may not unmount.
    done = post.as_op("counterfoil drives release AMBER")
    post.expect(f"the operator is told that it may be pulled: {done.out}{done.err}",
                done.code == 0 and "may be pulled" in done.out and "umount" in done.err)
    post.until("status calls it released", lambda: (post.drive(amber) or {"state": ""})["state"] == "released")
    post.until_served(birch)
    held = len(post.ledger(amber))
    post.deliver(messages("later", 5))
    post.until_served(birch)
    post.expect("not one line more was written to it", len(post.ledger(amber)) == held)

    # As an administrator, who may.
    done = post.asked("counterfoil drives release AMBER")
    post.expect(f"it is unmounted: {done.out}{done.err}", done.code == 0 and "is unmounted" in done.out)
    post.expect("it is not mounted any more", post.place(amber) is None)
    post.pull(amber)
    post.plug(amber)
    post.until_mounted(amber)
    post.until_served(amber)
    post.prove(post.place(amber))


@story
def only_known_sticks_and_no_marked_ones(post):
    post.boot()
    post.configure(KNOWN)
    strange, marked = post.new_stick("AMBER"), post.new_stick("BIRCH")
    for stick in (strange, marked):
        post.plug(stick)
        post.until_mounted(stick)
    post.run(f"runuser -u op -- touch {post.place(marked)}/counterfoil.skip; sync -f {post.place(marked)}")
    post.deliver(messages("first", 5))
    before = host.sha256(strange.path)
    post.start_service()
    post.until("the daemon says why", lambda: any("no drive that was added" in line for line in post.journal()))
    post.until("and of the other", lambda: any("counterfoil.skip" in line for line in post.journal()))
    post.expect("not one octet of the strange stick changed", host.sha256(strange.path) == before)
    post.expect("nothing was written to the marked stick",
                post.run(f"ls {post.place(marked)}").split() == ["counterfoil.skip"])
    unmirrored = post.told("audit")["unmirrored"]
    post.expect(f"audit says that there is no drive: {unmirrored[:1]}",
                len(unmirrored) == 5 and {one["reason"] for one in unmirrored} == {"no-drive"})

    done = post.as_op(f"counterfoil drives add {post.place(strange)}")
    post.expect(f"it is made a drive: {done.out}{done.err}", done.code == 0)
    post.until_served(strange)
    post.prove(post.place(strange))
