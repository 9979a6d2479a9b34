"""A report's page as its tests read it, and what no page says."""

import re
from html.parser import HTMLParser

VOID = {"meta", "br", "hr", "img", "input", "link", "path", "use", "rect", "line", "circle"}
FORBIDDEN = (
    "no difference",
    "not significant",
    "significan",
    "proved",
    "proven",
    "proves",
    "prove ",
    "no audible",
    "inaudible",
    "identical",
    "scientifically",
    "objectively",
    "golden ear",
    "effect of blinding was",
)
"""What a report never says."""


class Reader(HTMLParser):
    """Reads a page strictly: every element closed where it must be; keeps elements, ids, references, text, tables."""

    def __init__(self, text):
        super().__init__(convert_charrefs=True)
        self.open, self.elements, self.words, self.tables = [], [], [], []
        self.feed(text)
        self.close()
        assert self.open == [], f"left open: {self.open}"

    def handle_starttag(self, tag, attrs):
        names = [name for name, _ in attrs]
        assert len(names) == len(set(names)), f"<{tag}> has an attribute twice"
        self.elements.append((tag, dict(attrs), tuple(self.open)))
        if tag not in VOID:
            self.open.append(tag)
        if tag == "table":
            self.tables.append([])
        elif tag == "tr":
            self.tables[-1].append([])
        elif tag in ("td", "th"):
            self.tables[-1][-1].append("")

    def handle_startendtag(self, tag, attrs):
        self.elements.append((tag, dict(attrs), tuple(self.open)))

    def handle_endtag(self, tag):
        assert tag not in VOID
        assert self.open, f"</{tag}> closes nothing"
        assert self.open.pop() == tag, f"</{tag}> closes something else"

    def handle_data(self, data):
        if "style" not in self.open:
            self.words.append(data)
        if self.open and ({"td", "th"} & set(self.open)) and self.tables and self.tables[-1]:
            self.tables[-1][-1][-1] += data

    @property
    def text(self):
        return re.sub(r"\s+", " ", " ".join(self.words).replace("\u00a0", " "))

    def table(self, *header):
        """Return the rows of the one table whose header begins with these words."""
        found = [t for t in self.tables if tuple(t[0][: len(header)]) == header]
        assert len(found) == 1, (header, [t[0] for t in self.tables])
        return found[0][1:]
