"""SVG of the figures: for files of their own and for our page, on light and on dark ground.

Colours: M. Okabe and K. Ito, Color Universal Design (2008): its blue, vermillion and bluish green on light ground; its
sky blue, orange, reddish purple and a lighter bluish green on dark ground. The fourth on light ground is the purple of
P. Tol's muted scheme (2021), since the reddish purple is too pale on white.
"""

import re
from xml.etree import ElementTree

__all__ = ["DARK", "FONT", "LIGHT", "inline", "standalone", "tidied"]

FONT = "DejaVu Sans"
"""With which texts are measured; it comes with matplotlib."""

LIGHT = {
    "ink": "#21272b",
    "soft": "#70787d",
    "grid": "#d3d7da",
    "a": "#0072b2",
    "b": "#d55e00",
    "c": "#009e73",
    "d": "#aa4499",
}
"""Colours as drawn."""
DARK = {
    "ink": "#e8e6e1",
    "soft": "#a3a9ad",
    "grid": "#41484d",
    "a": "#56b4e9",
    "b": "#e69f00",
    "c": "#2fbf95",
    "d": "#cc79a7",
}
"""What each of them becomes on dark ground."""


def tidied(svg: str, name: str, title: str, description: str) -> ElementTree.Element:
    """Return the drawing without name spaces, metadata or sizes, its ids prefixed, with title and description."""
    root = ElementTree.fromstring(svg)
    for parent in list(root.iter()):
        for child in list(parent):
            # The drawing's own style sheet speaks to every element of a page it is put into.
            if _local(child.tag) in ("metadata", "style"):
                parent.remove(child)
    for element in root.iter():
        element.tag = _local(element.tag)
        for key in list(element.attrib):
            value = element.attrib.pop(key)
            local = _local(key)
            if local == "id":
                value = f"{name}-{value}"
            elif local == "href" and value.startswith("#"):
                value = f"#{name}-{value[1:]}"
            if local == "style":
                value = re.sub(r"font-family:[^;]*", f"font-family: '{FONT}', Verdana, sans-serif", value)
            element.attrib[local] = re.sub(r"url\(#", f"url(#{name}-", value)
        # White space of the drawing's lines; that of words stays.
        if element.tag != "text":
            element.text = (element.text or "").strip() or None
        element.tail = None
    for size in ("width", "height", "version"):
        root.attrib.pop(size, None)
    root.set("style", "stroke-linejoin: round; stroke-linecap: butt")
    root.attrib.update({"role": "img", "aria-labelledby": f"{name}-title", "aria-describedby": f"{name}-desc"})
    heading = ElementTree.Element("title", {"id": f"{name}-title"})
    heading.text = title
    words = ElementTree.Element("desc", {"id": f"{name}-desc"})
    words.text = description
    root.insert(0, heading)
    root.insert(1, words)
    return root


def _local(name: object) -> str:
    return str(name).rpartition("}")[2]


def standalone(tree: ElementTree.Element) -> str:
    """Return a file of its own: light colours where they stand, dark ones by the reader's preference."""
    rules = [
        f'[style*="{what}: {LIGHT[role]}"]{{{what}:{DARK[role]}!important}}'
        for role in LIGHT
        for what in ("fill", "stroke")
    ]
    own = ElementTree.Element("style")
    own.text = "@media (prefers-color-scheme: dark){" + "".join(rules) + "}"
    whole = ElementTree.Element(tree.tag, {"xmlns": "http://www.w3.org/2000/svg", **tree.attrib})
    whole.extend([*tree[:2], own, *tree[2:]])
    return '<?xml version="1.0" encoding="UTF-8"?>\n' + ElementTree.tostring(whole, encoding="unicode") + "\n"


def inline(tree: ElementTree.Element) -> str:
    """Return the drawing for a page of ours, which sets the colours."""
    text = ElementTree.tostring(tree, encoding="unicode")
    roles = {colour: role for role, colour in LIGHT.items()}
    inside_styles = re.compile(r'(?<= style=")[^"]*(?=")')
    return inside_styles.sub(
        lambda style: re.sub("|".join(roles), lambda colour: f"var(--fig-{roles[colour.group()]})", style.group()),
        text,
    )
