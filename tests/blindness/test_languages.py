"""A catalogue is a place where truth could leave: two messages alike in English may differ in another language.

Every method in every language: exchange the truth, and not one byte of what a trial shows may change.
"""

import json
from dataclasses import replace

import pytest

from blindtest.design import exchanged
from blindtest.session import start, view_of
from blindtest.web.languages import said_in
from blindtest.words import ENGLISH, LANGUAGES, worded

TOLD = ("labelled", "named-pairs", "worn")
"""Parts in which the listener reads what sounds."""


def shown(made, language, **changes):
    sitting = replace(start(made, study="toy", listener="L01"), step="trial", gain_db=-20.0, **changes)
    return json.dumps(said_in(language, view_of(sitting).to_json()), ensure_ascii=False)


@pytest.mark.parametrize("language", LANGUAGES)
def test_exchanging_the_truth_changes_nothing_in_any_language(toy, language):
    for name in set(toy.PARTS) - set(TOLD):
        made = toy.plan_of({name: 2})
        other = exchanged(made)
        for trial in range(2):
            assert made.trial(trial).drawn != other.trial(trial).drawn, name
            assert shown(made, language, trial=trial) == shown(other, language, trial=trial), name


def test_it_would_see_two_messages_that_are_alike_in_english_only():
    one, other = worded("more"), worded("{word}", word="more")
    assert one == other
    assert said_in(ENGLISH, [one]) == said_in(ENGLISH, [other])
    assert said_in("de", [one]) != said_in("de", [other])
