"""A page in a browser: what it asks for, what it says, how it is built, how it looks, what is printed of it.
Never lets a request out, and never takes a picture for a check: those are for people."""

import urllib.parse

import axe_playwright_python.sync_playwright as axe
import playwright.sync_api as playwright

import paper
import tools

# From a telephone in the hand to a wide screen, in CSS pixels; 320 is what WCAG 2 asks for (1.4.10, reflow).
WIDTHS = (320, 480, 768, 1024, 1600)
SCHEMES = ("light", "dark")
RULES = {"runOnly": {"type": "tag", "values": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa"]}}


class Browser:
    """One browser, a new profile for each look."""

    def __init__(self, out):
        self.out = out

    def __enter__(self):
        self._playwright = playwright.sync_playwright().start()
        # As root, in which tests run, its sandbox cannot be set up; every page here is our own.
        self._browser = self._playwright.chromium.launch(executable_path=tools.CHROMIUM, args=["--no-sandbox"])
        return self

    def __exit__(self, *_):
        self._browser.close()
        self._playwright.stop()

    def complaints(self, page, schemes=SCHEMES, pictures=True):
        """Everything that is not as it should be."""
        found = []
        for scheme in schemes:
            with Look(self._browser, page, scheme) as look:
                found += look.complaints()
                if pictures:
                    look.shot(self.out / f"{page.name}-{scheme}.png")
                if scheme == "light":
                    found += look.widths()
                    found += look.printed(self.out / f"{page.name}.pdf")
                if pictures and scheme == "light":
                    look.narrow(self.out / f"{page.name}-narrow.png")
                    paper.pictures(self.out / f"{page.name}.pdf")
                found += look.noise()
        return list(dict.fromkeys(found))


class Look:
    """One page, open in one colour scheme."""

    def __init__(self, browser, page, scheme):
        self.page, self.scheme = page, scheme
        self.asked, self.said = [], []
        self.context = browser.new_context(color_scheme=scheme, viewport={"width": 1024, "height": 768})
        self.context.set_default_timeout(tools.PATIENCE * 1000)
        self.context.route("**/*", self._request)
        self.tab = self.context.new_page()
        self.tab.on("console", lambda message: self.said.append(f"console: {message.text}"))
        self.tab.on("pageerror", lambda error: self.said.append(f"error: {error}"))
        self.tab.on("dialog", self._dialog)
        self.tab.goto(self.url(), wait_until="load")

    def __enter__(self):
        return self

    def __exit__(self, *_):
        self.context.close()

    def url(self):
        return self.page.path.resolve().as_uri()

    def _request(self, route):
        if route.request.url == self.url():
            route.continue_()
        else:
            self.asked.append(route.request.url)
            route.abort()

    def _dialog(self, dialog):
        self.said.append(f"dialog: {dialog.message}")
        dialog.dismiss()

    def noise(self):
        return [f"asks for {url}" for url in self.asked] + self.said

    def complaints(self):
        return self._text() + self._markup() + self._links() + self._headings() + self._tables() + self._rules()

    def _text(self):
        text = self.tab.inner_text("body")
        return [f"does not show {wanted!r}" for wanted in self.page.shows if wanted not in text]

    def _markup(self):
        found = self.tab.evaluate(MARKUP, self.page.links)
        return [f"has {what}" for what in found]

    def _links(self):
        """Links that leave the page's folder, or lead to what is not in it."""
        targets = self.tab.evaluate("[...document.querySelectorAll('a')].map(a => a.getAttribute('href'))")
        if self.page.links and not targets:
            return ["leads nowhere"]
        return [f"leads to {target}: {why}" for target in dict.fromkeys(targets) if (why := self._astray(target))]

    def _astray(self, target):
        parts = urllib.parse.urlsplit(target)
        if parts.scheme or parts.netloc or not parts.path or parts.path.startswith("/") or ".." in parts.path:
            return "not below its own folder"
        there = self.page.path.parent / urllib.parse.unquote(parts.path)
        if not there.is_file():
            return "no such file"
        if parts.fragment and f'id="{parts.fragment}"' not in there.read_text(encoding="utf-8"):
            return "no such place"
        return None

    def _headings(self):
        levels = [int(self.tab.evaluate("h => h.tagName.slice(1)", heading.element_handle()))
                  for heading in self.tab.get_by_role("heading").all()]
        if not levels or levels[0] != 1 or levels.count(1) != 1:
            return [f"headings do not begin with the only one of level 1: {levels}"]
        if any(below > above + 1 for above, below in zip(levels, levels[1:])):
            return [f"headings leave out a level: {levels}"]
        return []

    def _tables(self):
        found = []
        tables = self.tab.get_by_role("table").all()
        if self.page.heads and not tables:
            found.append("no table is found by its role")
        heads = []
        for table in tables:
            heads.append([head.inner_text().strip() for head in table.get_by_role("columnheader").all()])
            if not heads[-1]:
                found.append("a table has no column heads")
            if table.locator("th:not([scope])").count():
                found.append("a head of a table does not say what it is the head of")
            if table.locator("thead").count() != 1:
                found.append("a table has no head that could be repeated on each sheet")
        if self.page.heads and self.page.heads not in heads:
            found.append(f"no table has the heads {self.page.heads}: {heads}")
        return found

    def _rules(self):
        result = axe.Axe().run(self.tab, options=RULES).response
        if len(result["passes"]) < 5:
            return [f"only {len(result['passes'])} rules on accessibility were applied"]
        places = [(rule["id"], node["target"], node.get("failureSummary", ""))
                  for rule in result["violations"] for node in rule["nodes"]]
        return [f"{self.scheme}: {rule} at {target}: {why}" for rule, target, why in places[:10]]

    def widths(self):
        found = []
        for width in WIDTHS:
            self.tab.set_viewport_size({"width": width, "height": 768})
            wide, seen = self.tab.evaluate("[document.documentElement.scrollWidth, innerWidth]")
            if wide > seen:
                found.append(f"scrolls sideways at {width}: {wide} of {seen}")
            found += [f"{label!r} cannot be scrolled from the keyboard at {width}"
                      for label in self._stuck()]
        self.tab.set_viewport_size({"width": 1024, "height": 768})
        return found

    def _stuck(self):
        """Boxes that are wider than they show and do not scroll when an arrow is pressed in them."""
        stuck = []
        for box in self.tab.get_by_role("region").all():
            if box.evaluate("box => box.scrollWidth <= box.clientWidth"):
                continue
            box.focus()
            self.tab.keyboard.press("ArrowRight")
            try:
                self.tab.wait_for_function("box => box.scrollLeft > 0", arg=box.element_handle(), timeout=5_000)
            except playwright.TimeoutError:
                stuck.append(box.get_attribute("aria-label"))
        return stuck

    def shot(self, path):
        self.tab.screenshot(path=path, full_page=False)

    def narrow(self, path):
        self.tab.set_viewport_size({"width": 320, "height": 768})
        self.tab.evaluate("scrollTo(0, 0)")
        self.shot(path)
        self.tab.set_viewport_size({"width": 1024, "height": 768})

    def printed(self, path):
        self.tab.pdf(path=path, prefer_css_page_size=True)
        return paper.complaints(path, self.page.heads)


# What no page of ours has: scripts, what runs them, what asks for something, text that turns the direction.
MARKUP = """links => {
    const found = [];
    for (const kind of ["script", "iframe", "object", "embed", "link", "img", "form", "base"])
        if (document.querySelector(kind)) found.push("an element " + kind);
    for (const element of document.querySelectorAll("*"))
        for (const attribute of element.attributes)
            if (/^on|^style$|^src|^href/.test(attribute.name)
                && !(links && element.localName == "a" && attribute.name == "href"))
                found.push("an attribute " + attribute.name);
    if (/[\\u0000-\\u0008\\u000b-\\u001f\\u007f-\\u009f\\u200e\\u200f\\u202a-\\u202e\\u2066-\\u2069]/
        .test(document.documentElement.textContent)) found.push("a character that steers");
    if (!document.documentElement.lang) found.push("no language");
    if (!document.title) found.push("no title");
    return [...new Set(found)];
}"""
