"""An invented station with a mailbox full of what a mailbox may hold, and the pages its program writes.
Never uses a name or an address of anybody."""

import dataclasses
import pathlib
import re
import shutil

import tools

# Shown on every page that shows subjects, as text and not as what it pretends to be.
HOSTILE = [
    "<script>alert(1)</script>",
    '"><img src=x onerror=alert(1)>',
    "</title></style><h1>taken over</h1>",
    "=1+1",
    "&lt;b&gt; is not bold",
    "{{7*7}}${7*7}",
]
# Steer whatever shows them, if they get through: as they stand in a header, and as they have to be shown.
STEERING = [
    ("=?utf-8?q?road_=E2=80=AEdesolc=E2=80=AC_now?=", "road \\u{202e}desolc\\u{202c} now"),
    ("=?utf-8?q?=1B[31mred=1B[0m?=", "\\u{1b}[31mred\\u{1b}[0m"),
]
LONG = "A" + "a" * 117
RIGHT_TO_LEFT = "=?utf-8?b?157XmdedINeR16DXmden15XXqg==?="
# So many that the table goes on over several sheets.
ROUTINE = 130
# Messages on a page of the list that a stick carries, at most: one more makes a second.
A_PAGE = 1000


@dataclasses.dataclass
class Page:
    """A page, and what has to be seen of it."""

    name: str
    path: pathlib.Path
    # Text that has to be there, as it is read.
    shows: list
    # Column heads, in order, of the long table: they stand at the head of every sheet it is on.
    heads: list
    # Whether it leads to other files beside it.
    links: bool = False


class Station:
    """A station `pier-4`: what came in is in `in/`, what went out in `out/`, as a Maildir has it."""

    def __init__(self, program, root):
        self.program, self.root = program, root
        self.remove()
        self.mail, self.stick = root / "mail", root / "amber"
        for folder in ("in/cur", "in/new", "in/tmp", "out/cur", "out/new", "out/tmp", "drafts"):
            (self.mail / folder).mkdir(parents=True)
        self.stick.mkdir()
        (root / "counterfoil.toml").write_text(CONFIG, encoding="utf-8")
        self._fill()
        self.say("mirror")
        # Gone since, and in the log all the same.
        (self.mail / "in/new" / "gone.1").unlink()

    def remove(self):
        shutil.rmtree(self.root, ignore_errors=True)

    def _fill(self):
        subjects = HOSTILE + [raw for raw, _ in STEERING] + [LONG, RIGHT_TO_LEFT, ""]
        for at, subject in enumerate(subjects):
            self._deliver(f"in/new/hostile.{at}", "Lock 2 <q2lck@example.org>", "q1pier@example.org", subject)
        for at in range(ROUTINE):
            way = ("in/new", "out/cur")[at % 2]
            people = ("Relay hill <q3hil@example.org>", "q1pier@example.org")
            sender, receiver = people if way == "in/new" else people[::-1]
            self._deliver(f"{way}/routine.{at}", sender, receiver, f"EXERCISE water level, reading {at}")
        self._deliver("in/new/gone.1", "q4evc@example.org", "q1pier@example.org", "EXERCISE list of evacuees")
        self._deliver("drafts/1", "q1pier@example.org", "q3hil@example.org", "EXERCISE not sent yet")

    def _deliver(self, path, sender, receiver, subject, date="Tue, 1 Jul 2003 10:52:37 +0200"):
        text = (f"From: {sender}\r\nTo: {receiver}\r\nSubject: {subject}\r\n"
                f"Date: {date}\r\n\r\nEXERCISE {path}\r\n")
        (self.mail / path).write_text(text, encoding="utf-8")

    def say(self, command, *more):
        """Runs a command on this station; what it says."""
        # The folder that stands for the drive lies on the device of the mailbox.
        options = ["--config", "counterfoil.toml", "--mailbox", "mail", "--drive", "amber", "--state", "state",
                   "--count-same-device"]
        env = {"PATH": "/usr/bin:/bin", "HOME": str(self.root), "TZ": "UTC",
               "COUNTERFOIL_PROGRAMS": str(self.root / "programs")}
        # 1: something is not safe, which is no fault here.
        return tools.said(self.program, command, *options, *more, cwd=self.root, env=env, ends_with=(0, 1))

    def pages(self):
        """Every page that the program writes, each by its own command."""
        shown = HOSTILE + [text for _, text in STEERING] + [LONG]
        self.say("traffic", "--html", "traffic.html")
        yield Page(
            name="traffic",
            path=self.root / "traffic.html",
            shows=shown + ["Communications log (309-style)", "<b>Flood</b> \"Q\"", "EXERCISE list of evacuees",
                           "EXERCISE not sent yet", "Prepared by (name, call sign)"],
            heads=["TIME", "FROM", "MSG#", "TO", "MSG#", "SUBJECT"],
        )
        self.say("traffic", "--without-subjects", "--html", "traffic-without-subjects.html")
        text = (self.root / "traffic-without-subjects.html").read_text(encoding="utf-8")
        if re.search("EXERCISE|alert", text):
            raise tools.Failed("traffic --without-subjects tells a subject")
        # New, so that there is something that would be lost.
        for at, (subject, _) in enumerate([(text, "") for text in HOSTILE] + STEERING):
            self._deliver(f"in/new/late.{at}", "q2lck@example.org", "q1pier@example.org", subject)
        # Enough for a list that goes on over several sheets of paper.
        for at in range(150):
            self._deliver(f"in/new/more.{at}", "q2lck@example.org", "q1pier@example.org", f"EXERCISE gauge {at}")
        self.say("audit", "--html", "audit.html")
        yield Page(name="audit", path=self.root / "audit.html", shows=shown[:-1] + ["If this card died now"],
                   heads=["First seen", "Folder", "From", "To", "Subject", "Size", "Airtime", "What to do"])
        yield from self._on_the_stick(shown)

    def _on_the_stick(self, shown):
        """The list of messages that a stick carries: a first page, a full page, the last one, and an old page that no
        message is on any more."""
        for at in range(A_PAGE):
            date = f"{1 + at * 30 // A_PAGE} Aug 2003 10:00:00 +0000"
            self._deliver(f"in/new/many.{at}", "Relay hill <q3hil@example.org>", "q1pier@example.org",
                          f"EXERCISE road state {at}", date)
        self.say("mirror")
        self._deliver("in/new/last", "q2lck@example.org", "q1pier@example.org", "EXERCISE last of all",
                      "2 Sep 2003 10:00:00 +0000")
        folder = self.stick / "counterfoil" / "pier-4"
        (folder / "index-3.html").write_text("old", encoding="utf-8")
        self.say("mirror")
        heads = ["Date", "From", "To", "Subject", "Folder", "Size", "Copy"]
        there = {path.name for path in folder.glob("*.html")}
        wanted = {"index.html", "index-1.html", "index-2.html", "index-3.html"}
        if there != wanted:
            raise tools.Failed(f"the stick has other pages than it should: {sorted(there ^ wanted)}")
        pages = [
            ("first", "index.html", [], ["Messages on this drive", "page 1, ", "page 2, ", " to 2003-09-02: ",
                                         "The latest"]),
            ("full", "index-1.html", heads, shown + ["EXERCISE list of evacuees (missing from the mailbox)",
                                                     "(no subject)", "Later: page 2"]),
            ("last", "index-2.html", heads, ["EXERCISE last of all", "Earlier: page 1", "All pages"]),
            ("emptied", "index-3.html", [], ["There is no message here any more", "All pages"]),
        ]
        for name, file, heads, texts in pages:
            yield Page(name=f"stick-{name}", path=folder / file, shows=texts, heads=heads, links=True)


CONFIG = """\
station = "pier-4"

[log]
incident = '<b>Flood</b> "Q"'
activation = "Q-2026-7"
operator = "Op One, Q1AAA"
received = ["in"]
sent = ["out/**"]
"""
