"""Owns the stories of every write a stick was asked for, and every state that a cut among them may leave. Never
calls a state good that it did not read."""

import json
from box import blocklog, replay
from box.bench import Bench
from box.host import Failed
from box.lanes import story
from box.mail import Message, messages
from box.post import CONFIG
from box.states import Log
from box.sticks import Stick
from box.told import Told

SEED = 7
SIZE = "40M"
STATE = "/home/op/state"
MAIL = "/home/op/mail"
COPY = "/home/op/copy"
# Of the states, in a usual run: so many of a FAT's are read here, so many of a mended one's, so many with
# a broken chain are tried in the box too, so many others; so many of an exFAT's in the box; so many to see a fault.
READ, READ_AGAIN, BROKEN, ALIKE, EXFAT, FAULTY = 200, 20, 6, 2, 20, 20



class Life:
    """A stick's life in a box, told mark by mark."""

    def __init__(self, post, stick, told=None, live=None):
        self.post = post
        self.stick = stick
        self.told = told or Told()
        # What is in the mailbox.
        self.live = dict(live or {})
        self.state = STATE
        # What the card held when each of some marks was made, by the mark.
        self.kept = {}

    def plug(self):
        self.post.plug(self.stick)
        self.post.until_mounted(self.stick)

    def unmount(self):
        self.post.run(f"umount {self.post.place(self.stick)}")

    def pull(self):
        self.post.pull(self.stick)
        self.post.until("the mount is gone", lambda: self.post.place(self.stick) is None)

    def deliver(self, mail):
        self.post.deliver(mail)
        self.live |= {one.name: one.sha256 for one in mail}

    def move(self, old, new):
        self.post.run(f"runuser -u op -- mv {MAIL}/{old} {MAIL}/{new}")
        self.live[new] = self.live.pop(old)
        self.post.mail[new] = Message(new, self.post.mail.pop(old).octets)

    def remove(self, name):
        self.post.run(f"rm {MAIL}/{name}")
        del self.live[name], self.post.mail[name]

    def replace(self, name, text):
        self.deliver([Message(name, text.encode())])

    def mirror(self, environment=""):
        """Mirrors by hand, and puts down that it was acknowledged. A message that went by hand, unseen, is missing for
        good: that is said, and every other one is safe."""
        done = self.post.as_op(f"{environment} counterfoil mirror --state {self.state} --json")
        if done.code not in (0, 1) or json.loads(done.out)["messages"]["unmirrored"] > 0:
            raise Failed(f"mirror: exit code {done.code}\n{done.out}{done.err}")
        self.mark(self.live)
        return done.err

    def mark(self, live):
        """Writes a mark on the stick, past its file system, where the log has it in its order."""
        number = self.told.add(live)
        # A node of its own: writing to the one in /dev would make udev look at the stick again.
        self.post.run(f"part=$(findmnt -n -o SOURCE {self.post.place(self.stick)}); disk=${{part%%[0-9]*}}; "
                      "rm -f /root/mark; mknod /root/mark b $(stat -c '0x%t 0x%T' $disk) && "
                      f"dd of=/root/mark bs={blocklog.SECTOR} seek={blocklog.MARK_SECTOR} oflag=direct conv=notrunc "
                      "iflag=fullblock status=none", blocklog.mark(number))
        return number

    def keep(self):
        """Keeps what the card holds now: mailbox and catalogue, as a cut in the next mirror would leave them."""
        number = len(self.told.moments) - 1
        kept = f"/home/op/kept-{number}"
        self.post.run(f"mkdir {kept} && cp -a {MAIL} {kept}/mail && cp -a {STATE} {kept}/state")
        self.kept[number] = (kept, dict(self.live))

    def log(self):
        return Log(blocklog.read(self.stick.logs))


def by_hand(life):
    """Mirrored by hand: a new drive, batches, one by one, what happens to messages."""
    life.deliver(messages("first", 12))
    life.mirror()
    life.deliver(messages("batch", 40))
    life.keep()
    life.mirror()
    for number in range(1, 6):
        life.deliver(messages(f"single-{number}", 1))
        life.mirror()
    life.move("first-0001.eml", "moved.eml")
    life.deliver(messages("beside", 1))
    life.keep()
    life.mirror()
    life.replace("first-0002.eml", "Subject: another version\r\n\r\nThe ferry leaves at noon.\r\n")
    life.mirror()
    life.remove("first-0003.eml")
    life.mirror()
    life.deliver(messages("many", 100) + messages("large", 1, size=150_000))
    life.keep()
    life.mirror()


def out_and_in(life):
    """Unmounted and plugged again, then pulled without asking and plugged again."""
    life.unmount()
    life.pull()
    life.plug()
    life.deliver(messages("again", 1))
    life.mirror()
    life.deliver(messages("before-the-pull", 3))
    life.mirror()
    life.pull()
    life.plug()
    life.deliver(messages("after-the-pull", 5))
    life.mirror()


def by_the_daemon(life):
    """Served by the daemon while mail arrives one by one."""
    post = life.post
    life.deliver(messages("for-the-daemon", 10))
    post.start_service()
    acknowledged(life)
    life.move("batch-0001.eml", "moved-too.eml")
    life.remove("batch-0002.eml")
    life.deliver(messages("with-the-daemon", 1))
    acknowledged(life)
    steady = messages("steady", 30)
    noted = dict(life.live)
    post.deliver_steadily(steady, 0.2)
    digests = {one.name: one.sha256 for one in steady}

    def all_noted():
        now = {name: digests[name] for name in post.acknowledged() & digests.keys()}
        if now.keys() - noted.keys():
            noted.update(now)
            life.mark(noted)
        return len(noted) == len(life.live) + len(steady)

    post.until("all that arrives is acknowledged", all_noted, 300)
    life.live = noted
    post.stop_service()


def acknowledged(life):
    life.post.until("audit finds nothing unmirrored, and the stick is safe to pull", lambda: (
        life.post.told("audit")["unmirrored"] == [] and life.post.drive(life.stick)["state"] == "safe"))
    life.mark(life.live)


def lived(post, kind):
    """A stick with a whole life behind it, as a file with the bytes from before, and its log."""
    post.boot()
    post.configure(CONFIG + "\n[drives]\ncarry = []\n")
    stick = post.new_stick("AMBER", kind, size=SIZE)
    stick.logs = []
    before = stick.copy("amber-before").path
    life = Life(post, stick)
    life.plug()
    by_hand(life)
    out_and_in(life)
    by_the_daemon(life)
    post.run(f"cp -r {post.place(stick)}/counterfoil {COPY}")
    life.unmount()
    life.pull()
    return life, before


def lived_on(life, number, octets, name):
    """Another stick, in a state that a cut left while the mirror after a mark was at work; the card as it was then.
    It is mended, and gets more mail."""
    post = life.post
    kept, mailbox = life.kept[number]
    post.run(f"rm -rf {MAIL} {STATE} && cp -a {kept}/mail {MAIL} && cp -a {kept}/state {STATE}")
    path = post.folder / f"{name}.raw"
    path.write_bytes(octets)
    stick = Stick(path, "AMBER", name.upper())
    stick.logs = []
    before = stick.copy(f"{name}-before").path
    told = Told(life.told.moments[number])
    again = Life(post, stick, told, mailbox)
    again.plug()
    said = again.mirror()
    again.deliver(messages(f"{name}-more", 3))
    again.mirror()
    again.unmount()
    again.pull()
    return again, before, said


def copied_without_a_sync(life):
    """Another stick, to which the files of the first are copied and called acknowledged at once: the replay must see
    that they were not."""
    post = life.post
    stick = post.new_stick("CEDAR", size=SIZE)
    stick.logs = []
    before = stick.copy("cedar-before").path
    hasty = Life(post, stick)
    hasty.plug()
    post.run(f"cp -r {COPY} {post.place(stick)}/counterfoil")
    hasty.mark(life.live)
    hasty.unmount()
    hasty.pull()
    return hasty, before


def tried(post, what, life, before):
    """The trial of the states of a stick's log, which must be whole."""
    post.expect(f"{what}: its log makes of the stick what it is", life.log().ends_as(before, life.stick.path))
    return replay.Trial(post.folder, before, life.log(), life.told, SEED)


def few(post, most):
    """So many in a usual run, all if they are asked for."""
    return None if post.all_states else most


def held(post, what, trial):
    """Puts down what was tried, and fails the story if anything acknowledged was lost."""
    writes, flushes, marks = (trial.log.count(kind) for kind in (blocklog.Write, blocklog.Flush, blocklog.Mark))
    losses = trial.tally.losses
    post.figures.append(f"{what}, seed {trial.seed}: {writes} writes, {flushes} flushes, {marks} marks; "
                        f"{trial.tally.words()}; {len(losses)} lose acknowledged mail")
    if losses:
        lines = [f"{what}: {len(losses)} states lose acknowledged mail", *(text for _, text in losses[:20])]
        raise Failed("\n".join(lines))


def a_fault_is_found(post, program, trial, hasty, before):
    """Holds the replay itself to what it is for: what was never synced, or not really flushed, must be seen lost."""
    control = tried(post, "copied", hasty, before)
    control.here(program, FAULTY)
    lost = {state.at for state, _ in control.tally.losses}
    post.expect("what was copied and not synced is seen lost", lost)
    post.expect("and seen there at the end, when it was", len(control.log.entries) not in lost)
    liar = replay.Trial(post.folder, trial.base, trial.log, trial.told, SEED)
    count = liar.as_if_nothing_were_flushed(program, FAULTY)
    post.expect("what a device loses that does not mean its flushes is seen lost", liar.tally.losses)
    post.figures.append(f"copied without a sync: {len(control.tally.losses)} losses seen; one write of all left out: "
                        f"{len(liar.tally.losses)} of {count} states lose acknowledged mail")


@story
def every_write_to_a_fat(post):
    life, before = lived(post, "vfat")
    hasty, bare = copied_without_a_sync(life)
    trials = {"FAT32": tried(post, "FAT32", life, before)}
    trial = trials["FAT32"]
    with replay.Program(post.deb) as program:
        trial.here(program, few(post, READ))
        a_fault_is_found(post, program, trial, hasty, bare)
        for number in life.kept:
            octets = trial.image(number)
            again, begun, said = lived_on(life, number, octets, f"birch-{number}")
            name = f"FAT32, mended at mark {number}"
            trials[name] = tried(post, name, again, begun)
            trials[name].here(program, few(post, READ_AGAIN))
            post.figures.append(f"{name}: {len(said.splitlines())} findings")
    bench = Bench(post, "vfat", life.stick.path.stat().st_size)
    for what, one in trials.items():
        broken = one.tally.broken
        one.in_the_box(bench, one.tally.unread | one.sample(broken, few(post, BROKEN)) |
                       one.sample(one.tally.read.keys() - broken, ALIKE))
        held(post, what, one)


@story
def every_write_to_an_exfat(post):
    life, before = lived(post, "exfat")
    trial = tried(post, "exFAT", life, before)
    bench = Bench(post, "exfat", life.stick.path.stat().st_size)
    trial.in_the_box(bench, trial.sample(trial.tally.keys, few(post, EXFAT)) | trial.at_marks())
    held(post, "exFAT", trial)
