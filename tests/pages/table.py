"""Tables for a spreadsheet, read back with Python's own reader.
Never opens a spreadsheet: what one would take for a formula is known from how it begins."""

import csv

from station import HOSTILE


def complaints(station):
    station.say("traffic", "--csv", "traffic.csv")
    raw = (station.root / "traffic.csv").read_bytes()
    found = []
    if raw.replace(b"\r\n", b"").count(b"\n") or raw.replace(b"\r\n", b"").count(b"\r"):
        found.append("traffic.csv: a line does not end in CRLF")
    rows = list(csv.reader(raw.decode("utf-8").splitlines(keepends=True), strict=True))
    if rows[0] != ["DATE", "TIME", "FROM", "MSG#", "TO", "MSG#", "SUBJECT", "DIRECTION", "SHA-256"]:
        found.append(f"traffic.csv: other heads: {rows[0]}")
    if any(len(row) != len(rows[0]) for row in rows):
        found.append("traffic.csv: a row has more or fewer fields than there are heads")
    live = [field for row in rows for field in row if field.lstrip(" \"'").startswith(tuple("=+-@\t\r"))
            and not field.startswith("'")]
    found += [f"traffic.csv: a live formula: {field!r}" for field in live]
    subjects = [row[6] for row in rows]
    wanted = ["'" + text if text.startswith("=") else text for text in HOSTILE]
    found += [f"traffic.csv: {text!r} does not read back" for text in wanted if text not in subjects]
    return found
