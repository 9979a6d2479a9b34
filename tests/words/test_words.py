"""A text for listeners is the English text, and knows how to be said in another language."""

import copy
import json
import pickle
from dataclasses import replace
from decimal import Decimal

import pytest
from babel import Locale

from blindtest.web.languages import catalogue
from blindtest.words import LANGUAGES, Worded, listed, sentence, worded, worded_many

GERMAN = {
    "{name} has {more}": "{name} hat {more}",
    "more {attribute}": "mehr {attribute}",
    "say it": "\u00fcben Sie es",
}


def german(text):
    return text.in_language(lambda message, count=None: GERMAN.get(message, message), ",")


def test_it_is_the_english_text():
    made = worded("{name} has {more}", name="2", more=worded("more {attribute}", attribute="bass"))
    assert made == "2 has more bass"
    assert isinstance(made, str)
    assert json.dumps({made: made}) == '{"2 has more bass": "2 has more bass"}'
    assert german(made) == "2 hat mehr bass"


def test_braces_in_an_organisers_words_are_text():
    made = worded("{name} has {more}", name="{more}", more="{name}")
    assert made == "{more} has {name}"
    assert german(made) == "{more} hat {name}"


def test_an_unknown_message_is_said_in_english():
    assert german(worded("nobody knows {this}", this=2.5)) == "nobody knows 2,5"


@pytest.mark.parametrize(
    ("value", "english", "other"),
    [
        (2.5, "2.5", "2,5"),
        (30.0, "30", "30"),
        (44_100, "44100", "44100"),
        (Decimal("5.0"), "5.0", "5,0"),
        ("a.b", "a.b", "a.b"),
    ],
)
def test_numbers_are_written_as_the_language_writes_them(value, english, other):
    made = worded("{value} s", value=value)
    assert made == f"{english} s"
    assert german(made) == f"{other} s"


def test_a_clause_becomes_a_sentence_in_every_language():
    made = sentence(worded("say it"))
    assert made == "Say it."
    assert german(made) == "\u00dcben Sie es."


def test_a_list_keeps_its_words():
    made = listed([worded("more {attribute}", attribute="bass"), "X: 2"])
    assert made == "more bass, X: 2"
    assert german(made) == "mehr bass, X: 2"
    assert listed(["X is A"]) == "X is A"


def test_a_number_decides_in_every_language():
    forms = ("{count} of your {of} answers was right.", "{count} of your {of} answers were right.")
    words = catalogue("de")
    for count, english, other in (
        (0, "0 of your 5 answers were right.", "0 Ihrer 5 Antworten waren richtig."),
        (1, "1 of your 5 answers was right.", "1 Ihrer 5 Antworten war richtig."),
        (2, "2 of your 5 answers were right.", "2 Ihrer 5 Antworten waren richtig."),
    ):
        made = worded_many(*forms, count, of=5)
        again = pickle.loads(pickle.dumps(made))
        assert (made, again) == (english, english)
        assert made.in_language(words.of, words.decimal) == again.in_language(words.of, ",") == other
        # What no catalogue knows is said in English.
        assert made.in_language(lambda message, count=None: message, ",") == english


def test_the_form_for_a_number_is_that_of_cldr():
    """Babel's plural rules (CLDR) for every language of the pages, against what the catalogue says of itself."""
    for language in LANGUAGES:
        rule = Locale.parse(language).plural_form
        words = replace(catalogue(language), messages={"m": {name: name for name in ("one", "other")}})
        assert [words.of("m", count) for count in range(200)] == [rule(count) for count in range(200)]


def test_a_copy_says_the_same():
    made = sentence(worded("more {attribute}", attribute="bass"))
    assert copy.deepcopy(made) is copy.copy(made) is made
    again = pickle.loads(pickle.dumps(made))
    assert isinstance(again, Worded)
    assert (again, german(again)) == ("More bass.", "Mehr bass.")
