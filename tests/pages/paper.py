"""A page as it comes out of the printer: every sheet of it, as text.
Never judges how a sheet looks: pictures of them are in target/pages."""

import re

import tools

# A4 in points, rounded as pdfinfo rounds.
A4 = (595, 842)


def complaints(pdf, heads):
    sheets = int(_fact(pdf, "Pages"))
    width, height = (round(float(number)) for number in re.findall(r"[\d.]+", _fact(pdf, "Page size"))[:2])
    found = []
    if abs(width - A4[0]) > 1 or abs(height - A4[1]) > 1:
        found.append(f"is printed on {width} x {height} points, which is not A4")
    if heads and sheets < 3:
        found.append(f"its long table is on {sheets} sheets: too few to see whether its heads are repeated")
    for sheet in range(1, sheets + 1):
        text = tools.said("pdftotext", "-layout", "-f", sheet, "-l", sheet, pdf, "-")
        if f"page {sheet} of {sheets}" not in text:
            found.append(f"sheet {sheet} does not say that it is page {sheet} of {sheets}")
        if heads and not _has_heads(text, heads) and _has_rows(text):
            found.append(f"sheet {sheet} has rows of the table without its heads")
    return found


def pictures(pdf):
    """One picture a sheet, for people."""
    tools.said("pdftoppm", "-png", "-r", "60", pdf, pdf.with_suffix(""))


def _fact(pdf, name):
    for line in tools.said("pdfinfo", pdf).splitlines():
        if line.startswith(f"{name}:"):
            return line.split(":", 1)[1].strip()
    raise tools.Failed(f"pdfinfo does not tell the {name} of {pdf}")


def _has_heads(text, heads):
    return any(re.fullmatch(r"\s*" + r"\s+".join(map(re.escape, heads)) + r"\s*", line) for line in text.splitlines())


def _has_rows(text):
    """Rows of an invented station say that they are an exercise."""
    return "EXERCISE" in text
