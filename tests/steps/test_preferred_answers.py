"""What becomes of a claim that one is preferred, where several listeners answered."""

from types import SimpleNamespace

import pytest

from blindtest.steps.answers.preferred import SEVERAL, preferred_answers
from blindtest.steps.sealed_analysis import ANALYSIS, LATER_KINDS

CLAIM = {"device": "x", "comparator": "y", "margin": 0.2, "direction": "two-sided"}


class Sitting:
    """A listener who prefers x in `wins` of 10 pairs."""

    def __init__(self, listener, wins):
        self.entry = SimpleNamespace(listener=listener, number=1, state="finished")
        slots = (SimpleNamespace(condition="x"), SimpleNamespace(condition="y"))
        trial = SimpleNamespace(drawn=SimpleNamespace(slots=slots), clip="c")
        self.plan = SimpleNamespace(trial=lambda number: trial)
        self.wins = wins

    def planned_for(self, claim):
        return range(1, 11)

    def of_claim(self, claim):
        return [{"trial": n, "response": "1" if n <= self.wins else "2"} for n in range(1, 11)]


@pytest.mark.parametrize(("apart", "word"), [(True, "open"), (False, "negligible")])
def test_two_camps_by_what_the_seal_says(apart, word):
    """A seal from before holds all answers together: it is analysed as it was sealed."""
    sittings = [Sitting(f"L-{n}", 9 if n % 2 else 1) for n in range(8)]
    found = preferred_answers(CLAIM, sittings, 0.05, 80, listeners_apart=apart)
    assert (found.conclusion.wins, found.conclusion.losses) == (40, 40)
    assert found.conclusion.word == word
    assert found.conclusion.listeners_differ == apart


def test_the_analysis_of_several_is_sealed_only_where_it_is_used():
    assert SEVERAL in LATER_KINDS
    assert "widened" in ANALYSIS[SEVERAL]
