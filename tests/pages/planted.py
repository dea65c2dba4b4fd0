"""Pages that are wrong on purpose, so that a check that has gone blind is noticed.
Never looks at a page of the program."""

import pathlib
import tempfile

from station import Page

GOOD_HEAD = "<!DOCTYPE html><html lang=en><meta charset=utf-8><title>Planted</title><h1>Planted</h1>"
HEADS = ["A", "B"]
TABLE = ("<table><thead><tr><th scope=col>A</th><th scope=col>B</th></tr></thead>"
         + "<tr><td>EXERCISE</td><td>1</td></tr>" * 120 + "</table>")
STYLE = ("<style>@page{size:A4;margin:20mm;@bottom-right{content:'page ' counter(page) ' of ' counter(pages)}}</style>")
GOOD = GOOD_HEAD + STYLE + TABLE

# What is wrong, and a word of the complaint it has to raise.
WRONG = [
    (GOOD + "<script>1</script>", "an element script"),
    (GOOD + "<script>console.log('hello')</script>", "console: hello"),
    (GOOD + "<script>throw new Error('broken')</script>", "error: broken"),
    (GOOD + "<script>alert(1)</script>", "dialog: 1"),
    (GOOD + "<style>body{background:url(https://example.org/a.png)}</style>", "asks for https://example.org/a.png"),
    (GOOD + "<p onclick='1'>a</p>", "an attribute onclick"),
    (GOOD + "<p>a\u202eb</p>", "a character that steers"),
    (GOOD + "<h3>deep</h3>", "leave out a level"),
    (GOOD + "<h1>again</h1>", "the only one of level 1"),
    (GOOD.replace(" scope=col", ""), "does not say what it is the head of"),
    (GOOD.replace("table", "section"), "no table is found by its role"),
    (GOOD.replace(">B<", ">C<"), "no table has the heads"),
    (GOOD + "<p style='color:#888;background:#999'>grey</p>", "color-contrast"),
    (GOOD + "<style>@media(prefers-color-scheme:dark){body{color:#222;background:#000}}</style>",
     "dark: color-contrast"),
    (GOOD.replace(" lang=en", ""), "html-has-lang"),
    (GOOD + "<div style='width:1700px'>wide</div>", "scrolls sideways at 1600"),
    (GOOD + "<div style='width:400px'>wide</div>", "scrolls sideways at 320"),
    (GOOD + "<div role=region aria-label=box tabindex=0 style='overflow-x:hidden;width:90px'>"
     "<div style='width:900px'>a</div></div>", "cannot be scrolled from the keyboard"),
    (GOOD.replace("size:A4", "size:A5"), "which is not A4"),
    (GOOD.replace("' of '", "' and '"), "does not say that it is page 1"),
    (GOOD + "<style>thead{display:table-row-group}</style>", "rows of the table without its heads"),
    (GOOD.replace("Planted</h1>", "</h1>"), "does not show"),
    (GOOD + "<a href='planted.html'>a</a>", "an attribute href"),
    (GOOD + "<a href='https://example.org/'>a</a>", "leads to https://example.org/: not below"),
    (GOOD + "<a href='../planted.html'>a</a>", "leads to ../planted.html: not below"),
    (GOOD + "<a href='gone.html'>a</a>", "leads to gone.html: no such file"),
    (GOOD + "<a href='planted.html#gone'>a</a>", "leads to planted.html#gone: no such place"),
    (GOOD, "leads nowhere"),
]


def unseen(browser):
    """Faults that no check has seen, and complaints about a page that has none."""
    found = []
    with tempfile.TemporaryDirectory(prefix="counterfoil-pages-") as folder:
        path = pathlib.Path(folder) / "planted.html"
        page = Page(name="planted", path=path, shows=["Planted"], heads=HEADS)
        for at, (text, wanted) in enumerate([(GOOD, None), *WRONG]):
            path.write_text(text, encoding="utf-8")
            page.links = wanted is not None and wanted.startswith("leads ")
            schemes = ("light", "dark") if wanted is None or "dark" in wanted else ("light",)
            complaints = browser.complaints(page, schemes, pictures=False)
            if wanted is None:
                found += [f"the planted page without a fault: {text}" for text in complaints]
            elif not any(wanted in complaint for complaint in complaints):
                found.append(f"planted fault {at} was not seen ({wanted}): {complaints}")
    (browser.out / "planted.pdf").unlink()
    return found
