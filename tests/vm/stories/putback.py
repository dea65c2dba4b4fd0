"""Owns the story of a power cut while a mailbox is put back onto a new card. Never calls a message whole that was not
hashed."""

from box import blocklog
from box.bench import Bench
from box.host import Failed
from box.lanes import story
from box.mail import messages
from box.post import STATION
from .replay import SEED, Life, few, tried

# States that are tried in a usual run: of the restore, and of a plain copy, to see a fault.
MOMENTS, FAULTY = 50, 20
SIZE = "24M"
# What a cut left, as the kernel mounts it; then the same command once more. A superblock of two sectors that was torn
# between them no kernel mounts: it is checked first, as a box does when it boots.
TRY = """
export HOME=/root
at=/mnt/card
on() {{ mount -t ext4 /dev/{disk} $at 2>&1; }}
mkdir -p $at
said=$(on) || {{ echo "$said"; e2fsck -fy /dev/{disk}; on; }} >&2
mountpoint -q $at || exit 8
sums() {{
    [ ! -d $at/mail ] || (cd $at/mail && find . -type f ! -path './.counterfoil-restore/*' -exec sha256sum {{}} +) |
        sed "s/^/$1 /"
}}
sums cut
counterfoil restore --drive {drive} --station {station} --into $at/mail >/dev/null 2>/run/said
echo "code $?"
[ ! -e $at/mail/.counterfoil-restore ] || echo "staged"
sums again
umount $at || exit 9
cat /run/said >&2
"""


class Found:
    """What stood in the mailbox after a cut, and after the second restore."""

    def __init__(self, answer):
        if answer.code != 0:
            raise Failed(f"exit code {answer.code} of a state's trial\n{answer.out}{answer.err}")
        lines = [line.split(maxsplit=2) for line in answer.out.splitlines()]
        self.cut, self.again = ({line[2].removeprefix("./"): line[1] for line in lines if line[0] == when}
                                for when in ("cut", "again"))
        self.code = next(int(line[1]) for line in lines if line[0] == "code")
        self.staged = ["staged"] in lines


def put_back(post, label, how):
    """A new card in a socket, so that its every write is logged, and mail put onto it: the states that cuts leave."""
    card = post.new_stick(label, "ext4", size=SIZE)
    card.logs = []
    before = card.copy(f"{card.name}-before").path
    life = Life(post, card)
    life.plug()
    done = post.as_op(how.format(at=f"{post.place(card)}/mail"))
    post.expect(f"all is put back: {done.err}", done.code == 0)
    life.unmount()
    life.pull()
    return tried(post, label, life, before)


@story
def power_cut_at_fifty_moments_of_a_restore(post):
    post.boot()
    post.configure()
    stick = post.new_stick("AMBER")
    post.plug(stick)
    drive = post.until_mounted(stick)
    post.deliver(messages("water", 60) + messages("road", 60) + messages("long", 4, size=90_000))
    post.run("cd /home/op/mail && runuser -u op -- mkdir -p in/cur && runuser -u op -- mv road-* in/cur/")
    post.expect("all is mirrored", post.as_op("counterfoil mirror").code == 0)
    wanted = {f"in/cur/{name}" if name.startswith("road") else name: one.sha256 for name, one in post.mail.items()}
    restored = put_back(post, "SPARE", f"counterfoil restore --drive {drive} --station {STATION} --into {{at}}")
    # The control: names that are durable before what is in the files, since another program synced one of its own.
    copied = put_back(post, "CEDAR", "cp -r /home/op/mail {at} && echo log >{at}.log && sync {at}.log")
    post.run(f"umount {drive}")
    post.pull(stick)
    bench = Bench(post, "ext4", restored.base.stat().st_size)
    # Automount is off now: both are mounted by hand.
    post.plug(stick)
    post.run(f"mkdir -p /mnt/amber && mount -o ro /dev/{post.until_seen(stick, 1)} /mnt/amber")
    counts = []
    for where, found in tries(post, bench, restored, few(post, MOMENTS)):
        torn = is_torn(found, wanted)
        post.expect(f"{where}: no message is torn or another: {torn[:3]}", not torn)
        post.expect(f"{where}: the second restore puts all back", found.code == 0 and found.again == wanted)
        post.expect(f"{where}: nothing is left staged", not found.staged)
        counts.append(len(found.cut))
    post.expect("there were moments before and after", min(counts) == 0 and max(counts) == len(wanted))
    plain = [is_torn(found, wanted) for _, found in tries(post, bench, copied, FAULTY)]
    spoilt = sum(map(bool, plain))
    post.expect("what a plain copy leaves torn is seen", spoilt)
    writes, flushes = (restored.log.count(kind) for kind in (blocklog.Write, blocklog.Flush))
    post.figures.append(f"seed {SEED}: {writes} writes, {flushes} flushes; of {len(counts)} states {counts.count(0)} "
                        f"with no message named, {counts.count(len(wanted))} with all {len(wanted)}; each whole, and "
                        f"all there after a second restore; of {len(plain)} after cp, {spoilt} hold torn messages")


def is_torn(found, wanted):
    return [path for path, digest in found.cut.items() if wanted.get(path) != digest]


def tries(post, bench, trial, most):
    """What is found in so many states, all for none, each with its words."""
    # The last state of all is that of a restore that was not cut.
    chosen = trial.sample(trial.tally.keys, most) | {list(trial.tally.keys)[-1]}
    script = TRY.format(disk=bench.disk, drive="/mnt/amber", station=STATION)
    with trial.surface() as surface:
        for state in trial.log.states(surface, trial.seed):
            if state.key not in chosen:
                continue
            chosen.discard(state.key)
            bench.put(surface.image)
            yield f"{state.kind} at entry {state.at}{state.what}", Found(post.asked(script, 120))
