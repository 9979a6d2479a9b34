"""A picture of every method's page: wide and light, 320 px and dark, and at 200 % zoom; made to be looked at.

What a machine can hold against them is held too: axe-core's rules, and reflow (WCAG 2.2, 1.4.10 and 1.4.4: 1280 px at
200 % are 640 CSS px of half the height). They lie in .artifacts/methods.
"""

import re

import pytest

from blindtest.methods import METHODS
from blindtest.words import ENGLISH, LANGUAGES

pytestmark = [pytest.mark.browser]

LOOKS = {
    "1280-light": ({"width": 1280, "height": 800}, "light"),
    "320-dark": ({"width": 320, "height": 640}, "dark"),
    "200-percent": ({"width": 640, "height": 400}, "light"),
}
PARTS = {
    "abx": ("abx-sure", "123", "jd"),
    "triangle": ("triangle", "123", "j"),
    "duo-trio": ("duo-trio", "123", "j"),
    "tetrad": ("tetrad", "1234", "j"),
    "same-different": ("same-different", "12", "j"),
    "2afc": ("2afc", "12", "j"),
    "3afc": ("3afc", "123", "j"),
    "staircase": ("staircase", "123", "j"),
    "staircase-weighted": ("staircase-weighted", "123", "j"),
    "threshold-bayes": ("threshold-bayes", "123", "j"),
    "preference": ("ties", "12", "l"),
    "stage-pair": ("stages", "12", "k"),
    "rating": ("rating", "1234", "hh"),
    "rating-single": ("single", "1", "jj"),
    "multi-stimulus": ("multi-stimulus", "o1234", "ff"),
    "small-impairment": ("small-impairment", "o12", "jh"),
    "recognition": ("recognition", "1", "k"),
    "free-listening": ("free", "p12", ""),
    "familiarisation": ("familiarisation", "1234", "j"),
    "adjustment": ("adjust", "12", "hh"),
}
"""By method: its part of the toy sitting, keys of its sounds, and keys pressed after each."""


COLLIDING = """() => {
  const found = [];
  const boxes = (nodes) => [...nodes].map((node) => [node, node.getBoundingClientRect()]);
  for (const marks of document.querySelectorAll(".marks"))
    for (const [one, a] of boxes(marks.querySelectorAll(".word")))
      for (const [other, b] of boxes(marks.querySelectorAll(".word")))
        if (one !== other && a.left < b.right && b.left < a.right && a.top < b.bottom - 2 && b.top < a.bottom - 2)
          found.push(`${one.textContent} on ${other.textContent}`);
  for (const box of document.querySelectorAll(".options, .dial, button, .rating, #trial"))
    for (const inside of box.querySelectorAll("label > *, span:not(.only-spoken), kbd")) {
      const [outer, inner] = [box.getBoundingClientRect(), inside.getBoundingClientRect()];
      if (inner.width > 0 && (inner.right > outer.right + 1 || inner.left < outer.left - 1))
        found.push(`${inside.textContent} out of its ${box.tagName}`);
    }
  return found;
}"""
"""Words of a scale that lie on each other, and what stands out of the box it belongs to."""

NAMED = {"unreliable-labels": ("unreliable", "1", "jj")}
"""A method with names that may be wrong."""


def test_no_method_is_without_a_picture():
    assert set(PARTS) == set(METHODS)


@pytest.mark.long
@pytest.mark.parametrize("language", LANGUAGES)
@pytest.mark.parametrize("method", PARTS | NAMED)
def test_every_method_has_its_picture_taken(launch, serving, listener_on, artifacts, method, language):
    from axe_playwright_python.sync_playwright import Axe

    folder = artifacts / ("methods" if language == ENGLISH else f"methods-{language}")
    folder.mkdir(exist_ok=True)
    page = launch(viewport={"width": 1280, "height": 800}, reduced_motion="reduce", bypass_csp=True).new_page()
    part, slots, keys = (PARTS | NAMED)[method]
    someone = listener_on(page, language)
    seconds = 6.0 if part == "free" else 1.0
    page.goto(serving(parts={part: 2}, break_after=1, seconds=seconds, language=language).link)

    def look(what):
        for name, (size, scheme) in LOOKS.items():
            page.emulate_media(color_scheme=scheme)
            page.set_viewport_size(size)
            high = page.evaluate("document.documentElement.scrollHeight")
            page.set_viewport_size({"width": size["width"], "height": max(high, size["height"])})
            page.wait_for_timeout(80)
            page.screenshot(path=folder / f"{method}-{what}-{name}.png")
            page.set_viewport_size(size)
            assert page.evaluate("document.documentElement.scrollWidth") <= size["width"], name
            assert page.evaluate(COLLIDING) == [], name
            found = Axe().run(page)
            assert found.violations_count == 0, f"{what}, {name}\n{found.generate_report()}"

    said = someone.said
    if method == "abx":
        someone.hears(said("Before you listen"))
        look("ready")
    someone.to_the_trials()
    someone.hears(said("Trial {number} of {of}", number=1, of=2))
    if method in NAMED:
        someone.hears(said("Names that may be wrong: right on half of the trials, at random; these answers count"))
        someone.hears(
            said(
                "Each sound carries a name. On a random half of these trials the names are right; on the other half "
                "they are wrong, and nothing marks which. Read the name, listen, and rate what you hear."
            )
        )
    unheard = said("Still to be heard before you can confirm: {names}.", names="").rstrip("\\.")
    someone.hears(f"{unheard}|{said('Press Play. Which sound begins was drawn.')}")
    for slot in slots:
        someone.key(slot)
        page.wait_for_timeout(60)
        someone.key(keys)
    if method == "free-listening":
        someone.hears(said("Choose which one plays the rest."))
        someone.key("j")
    ready = (
        "Confirm your answer, or choose again.",
        "Confirm your setting, or go on with it.",
        "Confirm to go on.",
        "At least one has to get {most}: one of them is {names} again.",
    )
    someone.hears("|".join(said(each).split(r"\{")[0] for each in ready))
    look("trial")
    if method == "abx":
        for panel in ("Loop a part", "Remark", "Keys"):
            someone.press(said(panel))
        look("panels")
        page.get_by_role("button", name=re.compile(said("Confirm"))).click()
        someone.hears(said("A rest"))
        look("rest")
