"""Owns the stories of every write a stick was asked for, and every state that a cut among them may leave. Never
calls a state good that it did not read."""

import shlex

from box import blocklog, replay
from box.bench import Bench
from box.host import Failed
from box.lanes import story
from box.mail import Message, messages
from box.states import Log
from box.told import Told

SEED = 7
SIZE = "40M"
STATE = "/home/op/state"
MAIL = "/home/op/mail"
# Of a FAT's states: so many are read here, so many of those that cannot be are tried in the box, so many in both.
READ, UNREAD, ALIKE = 600, 30, 10
# States of a device that does not mean its flushes, to see that a loss is found.
UNFLUSHED = 40


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

    def mirror(self):
        """Mirrors by hand, and puts down that it was acknowledged."""
        done = self.post.as_op(f"counterfoil mirror --state {self.state} --json")
        if done.code != 0:
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

    def play(self):
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
    while len(noted) < len(life.live) + len(steady):
        now = {name: digests[name] for name in post.acknowledged() & digests.keys()}
        if now.keys() - noted.keys():
            noted |= now
            life.mark(noted)
    life.live = noted
    post.stop_service()


def acknowledged(life):
    life.post.until("audit finds nothing unmirrored, and the stick is safe to pull", lambda: (
        life.post.told("audit")["unmirrored"] == [] and life.post.drive(life.stick)["state"] == "safe"))
    life.mark(life.live)


@story
def every_state_of_a_fat(post):
    post.boot()
    post.configure()
    stick = post.new_stick("AMBER", size=SIZE)
    stick.logs = []
    base = stick.copy("amber-before").path
    life = Life(post, stick)
    life.plug()
    by_hand(life)
    out_and_in(life)
    by_the_daemon(life)
    life.unmount()
    life.pull()
    log = life.play()
    post.expect("the log makes of the stick what it is", log.ends_as(base, stick.path))
    with replay.Program(post.deb) as program:
        trial = replay.Trial(program.folder, base, log, life.told, SEED)
        trial.here(program, few(post, READ))
        bench = Bench(post, "vfat", stick.path.stat().st_size)
        unread = trial.sample(trial.tally.unread(), few(post, UNREAD))
        trial.in_the_box(bench, unread | trial.sample(trial.tally.read.keys() - trial.tally.unread(), ALIKE))
        told(post, "first", trial)


def few(post, most):
    """So many in a usual run, all if they are asked for."""
    return None if post.all_states else most


def told(post, what, trial):
    writes, flushes, marks = (trial.log.count(kind) for kind in (blocklog.Write, blocklog.Flush, blocklog.Mark))
    post.figures.append(f"{what}: seed {trial.seed}; {writes} writes, {flushes} flushes, {marks} marks; "
                        f"{trial.tally.words()}")
    losses = trial.tally.losses
    if losses:
        raise Failed("\n".join([f"{what}: {len(losses)} states lose acknowledged messages", *losses[:20]]))
