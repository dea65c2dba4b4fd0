"""Tables for a spreadsheet, read back with Python's own reader.
Never opens a spreadsheet: what one would take for a formula is known from how it begins."""

import csv

from station import HOSTILE


HEADS = ["DATE", "TIME", "FROM", "MSG#", "TO", "MSG#", "SUBJECT", "DIRECTION", "SHA-256"]
# In front of a sign these make no difference to some spreadsheets.
PASSED_OVER = " \u00a0\"'"


def complaints(station):
    station.say("traffic", "--csv", "traffic.csv")
    raw = (station.root / "traffic.csv").read_bytes()
    return [f"traffic.csv: {text}" for text in _look(raw, HEADS, HOSTILE)]


def _look(raw, heads, subjects):
    found = []
    rest = raw.replace(b"\r\n", b"")
    if b"\n" in rest or b"\r" in rest:
        found.append("a line does not end in CRLF")
    rows = list(csv.reader(raw.decode("utf-8").splitlines(keepends=True), strict=True))
    if rows[0] != heads:
        found.append(f"other heads: {rows[0]}")
    if any(len(row) != len(heads) for row in rows):
        found.append("a row has more or fewer fields than there are heads")
    fields = [field for row in rows for field in row]
    found += [f"a live formula: {field!r}" for field in fields
              if not field.startswith("'") and field.lstrip(PASSED_OVER)[:1] in tuple("=+-@\t\r")]
    wanted = ["'" + text if text.startswith("=") else text for text in subjects]
    found += [f"{text!r} does not read back" for text in wanted if text not in fields]
    return found


# What is wrong, and a word of the complaint it has to raise.
GOOD = b'A,B\r\n"a""b,c",\'=1+1\r\n'
WRONG = [
    (GOOD.replace(b"\r\n", b"\n"), "CRLF"),
    (GOOD.replace(b"A,B", b"A,C"), "other heads"),
    (GOOD + b"one\r\n", "more or fewer fields"),
    (GOOD.replace(b"'=", b"="), "a live formula: '=1+1'"),
    (GOOD.replace(b"'=", b" ="), "a live formula: ' =1+1'"),
    (GOOD.replace(b'""', b""), "does not read back"),
]


def unseen():
    """Faults that no check has seen, and complaints about a table that has none."""
    looked = [(at, wanted, _look(raw, ["A", "B"], ['a"b,c', "=1+1"])) for at, (raw, wanted) in enumerate(WRONG)]
    found = [f"planted table {at} was not seen ({wanted}): {seen}" for at, wanted, seen in looked
             if not any(wanted in text for text in seen)]
    return found + _look(GOOD, ["A", "B"], ['a"b,c', "=1+1"])
