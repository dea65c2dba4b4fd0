"""Owns the story of every write of what a stick carries beside its copies: list of messages, config, program. Never
looks at the copies themselves other than as the stories of every write do."""

import hashlib

from box import replay
from box.bench import Bench
from box.lanes import story
from box.mail import messages
from box.post import CONFIG, STATION
from .replay import READ, SIZE, Life, few, held, tried

PROGRAMS = "/home/op/programs"
ARCH = "counterfoil-testing"
SIGNED = "# A station's settings, kept by counterfoil. SHA-256 of what follows: "
IN_THE_BOX = 16


def carrying(life, programs):
    """A new stick with mail on it and nothing else, then all there is; more mail, so that the list grows; another
    config, shorter than the first; another program."""
    post = life.post
    # A stand-in: every write of the real one, which is hundreds of times as long, would be tried.
    environment = f"COUNTERFOIL_PROGRAMS={PROGRAMS}"
    configs = set()

    def step():
        life.mirror(environment)
        configs.add(post.run(f"cat {post.place(life.stick)}/counterfoil/{STATION}/config.toml").strip())

    def program(octets):
        post.run(f"mkdir -p {PROGRAMS} && cat >{PROGRAMS}/{ARCH} && chmod -R a+rX {PROGRAMS}", octets)
        programs.add(octets)

    post.configure(CONFIG + "\n[drives]\ncarry = []\n")
    life.deliver(messages("first", 5))
    # Acknowledged before anything is carried: no cut while that is written may cost it.
    life.mirror()
    post.configure(CONFIG + "\n[link]\nbits_per_second = 300\n")
    program(bytes(range(256)) * 40)
    life.deliver(messages("second", 1))
    step()
    life.deliver(messages("more", 40))
    step()
    post.configure(CONFIG)
    program(bytes(reversed(range(256))) * 30)
    life.deliver(messages("last", 1))
    step()
    return configs


class Looked:
    """What stood on the stick in the states that were read, and whether any of it lied."""

    def __init__(self, configs, programs):
        self.configs = configs
        self.programs = programs
        self.lies = []
        self.whole = {"config": 0, "program": 0, "list": 0}

    def __call__(self, tree):
        self.config(tree / "counterfoil" / STATION / "config.toml")
        self.program(tree / "counterfoil/program")
        self.list(tree / "counterfoil" / STATION / "index.html")

    def config(self, path):
        """One that bears its own hash is one that was in force."""
        text = path.read_text(errors="replace") if path.is_file() else ""
        head, _, body = text.partition("\n")
        if head.startswith(SIGNED) and head[len(SIGNED):] == hashlib.sha256(body.strip().encode()).hexdigest():
            self.whole["config"] += 1
            if text.strip() not in self.configs:
                self.lies.append(f"a config that was never in force: {text}")

    def program(self, folder):
        """A hash stands there only for a program that is there, filled up with NUL at most."""
        sums = folder / f"{ARCH}.sha256"
        words = sums.read_text(errors="replace").split() if sums.is_file() else []
        if len(words) == 2 and len(words[0]) == 64:
            octets = (folder / ARCH).read_bytes()
            self.whole["program"] += 1
            if hashlib.sha256(octets).hexdigest() != words[0]:
                self.lies.append(f"a hash of another program: {words}")
            if octets.rstrip(b"\0") not in {one.rstrip(b"\0") for one in self.programs}:
                self.lies.append("a program that was never installed")

    def list(self, path):
        self.whole["list"] += path.is_file() and b"</html>" in path.read_bytes()


@story
def every_write_of_what_a_fat_carries(post):
    post.boot()
    stick = post.new_stick("AMBER", "vfat", size=SIZE)
    stick.logs = []
    before = stick.copy("amber-before").path
    life = Life(post, stick)
    life.plug()
    programs = set()
    looked = Looked(carrying(life, programs), programs)
    post.expect("two configs were in force", len(looked.configs) == 2)
    life.unmount()
    life.pull()
    trial = tried(post, "what a FAT carries", life, before)
    with replay.Program(post.deb, looked) as program:
        trial.here(program, few(post, READ))
    bench = Bench(post, "vfat", stick.path.stat().st_size)
    trial.in_the_box(bench, trial.tally.unread | trial.sample(trial.tally.read.keys(), few(post, IN_THE_BOX)))
    held(post, "what a FAT carries", trial)
    post.expect(f"nothing there lies: {looked.lies[:3]}", not looked.lies)
    post.expect("each was seen whole, and each not",
                all(0 < seen < trial.tally.trees for seen in looked.whole.values()))
    post.figures.append(f"of {trial.tally.trees} sets of files: whole {looked.whole}")
