"""The catalogues hold what the sources say, all of it, and nothing else."""

import json
import re
import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))

from babel import Locale
from babel.messages.jslexer import tokenize, unquote_string
from babel.messages.pofile import read_po
from catalogues import (
    KEYWORDS,
    PACKAGE,
    TEMPLATE,
    WORDS,
    calls_in,
    compiled,
    extracted,
    forms,
    read,
)

from blindtest.words import ENGLISH, LANGUAGES

OTHERS = sorted(set(LANGUAGES) - {ENGLISH})
NOT_YET = ("words.js",)
MODULES = sorted(path for path in (PACKAGE / "web" / "static").glob("*.js") if path.name not in NOT_YET)
REMEDY = "run python tests/words/refresh.py, and give new messages their words"


@pytest.fixture(scope="module")
def found():
    return extracted()


def fields(text: str) -> set[str]:
    return set(re.findall(r"\{(\w+)\}", text))


def test_there_is_a_second_language():
    assert OTHERS
    assert {path.stem for path in WORDS.glob("*.po")} == set(OTHERS) == {path.stem for path in WORDS.glob("*.json")}


def test_the_template_is_that_of_the_sources(found):
    assert len(found) > 300
    with TEMPLATE.open("rb") as file:
        held = read_po(file)
    # By messages: where they stand is told for translators, and may be told late.
    assert {message.id for message in held} == {message.id for message in found}, REMEDY


@pytest.mark.parametrize("language", OTHERS)
def test_a_catalogue_is_complete(language, found):
    held = read(language)
    assert {message.id for message in held if message.id} == {message.id for message in found if message.id}, REMEDY
    assert not held.obsolete
    for message in held:
        if not message.id:
            continue
        assert not message.fuzzy, message.id
        told = message.string if isinstance(message.string, tuple) else (message.string,)
        assert len(told) == (held.num_plurals if message.pluralizable else 1)
        assert all(each.strip() for each in told), message.id
        # Babel's own checks of formats and plural forms.
        assert list(message.check(held)) == [], message.id
        ids = message.id if isinstance(message.id, tuple) else (message.id,)
        for each in told:
            assert fields(each) == fields(ids[-1]), message.id
            # What stands before or behind belongs to the place where it is used.
            assert each == each.strip(), message.id


@pytest.mark.parametrize("language", OTHERS)
def test_what_the_page_reads_is_compiled_from_it(language):
    assert (WORDS / f"{language}.json").read_text(encoding="utf-8") == compiled(language), REMEDY


@pytest.mark.parametrize("language", OTHERS)
def test_plural_forms_are_those_of_cldr(language):
    """Against Babel's CLDR data: each category that the language has for whole numbers gets a form."""
    held = read(language)
    rule = Locale.parse(language).plural_form
    assert set(forms(held)) == {rule(count) for count in range(1000)} | {"other"}
    plural = [m for m in json.loads(compiled(language))["messages"].values() if isinstance(m, dict)]
    assert plural
    assert all(set(each) == set(forms(held)) for each in plural)


def test_german_has_a_form_for_one():
    # CLDR 45, plurals: de: one: i = 1 and v = 0.
    trial = json.loads((WORDS / "de.json").read_text(encoding="utf-8"))["messages"]["{count} trial."]
    assert trial == {"one": "{count} Durchgang.", "other": "{count} Durchgänge."}


@pytest.mark.parametrize("path", MODULES, ids=lambda path: path.name)
def test_no_call_of_a_module_escapes_the_extraction(path):
    """Counted a second way: by a pattern, without tokens. Every message is a string that is written out."""
    text = path.read_text(encoding="utf-8")
    pattern = r"(\.*)\b(" + "|".join(name for name in KEYWORDS if name != "worded") + r")\((?!\w*\) \{)"
    counted = [dots for dots, _ in re.findall(pattern, text) if dots != "."]
    calls = list(calls_in(text))
    assert len(calls) == len(counted)
    for line, function, arguments in calls:
        wanted = 2 if function == "sayMany" else 1
        assert all(isinstance(each, str) for each in arguments[:wanted]), f"{path.name}:{line}"


def test_what_a_template_string_and_a_call_hold_is_found():
    text = """a(`x ${say("one")} ${b ? say("two", { c: say("three") }) : ""}`); page.say("four");
        f(...sayParts("five")); class A { say(text) { return text; } }"""
    assert [arguments[0] for _, _, arguments in calls_in(text)] == ["one", "two", "three", "five"]


LOOKS_LIKE_WORDS = re.compile(r"^[A-Z][a-z]+( |$)|[a-z][.:;?!,…]( |$)|([A-Za-z]+ ){3}")


@pytest.mark.parametrize("path", MODULES, ids=lambda path: path.name)
def test_no_words_of_a_module_are_left_out(path):
    """What begins with a capital, has a comma or four words in it goes through the catalogue, or is named here."""
    text = path.read_text(encoding="utf-8")
    known = {each for _, _, arguments in calls_in(text) for each in arguments if each}
    for token in tokenize(text, jsx=False, template_string=True):
        if token.type not in ("string", "template_string"):
            continue
        held = unquote_string(token.value) if token.type == "string" else re.sub(r"\$\{.*\}", "", token.value[1:-1])
        if held in known or not LOOKS_LIKE_WORDS.search(held):
            continue
        assert held in NOT_WORDS.get(path.name, ()), f"{path.name}:{token.lineno}: {held!r} is not in the catalogue"


NOT_WORDS = {
    "trial.js": ("no page for answers of the kind ",),
    "track.js": ("no page for a choice",),
    "panel.js": ("no page for the step ",),
}
"""Of mistakes in the program."""
