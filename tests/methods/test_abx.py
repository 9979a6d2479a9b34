"""ABX: X is A or B by an independent fair draw, and so is which condition is called A (methods.md 1.1)."""

import math
from collections import Counter
from hashlib import sha256
from itertools import pairwise

import pytest

from blindtest.design import Draws
from blindtest.methods import ABX, Setting

DRAWS = Draws(sha256(b"abx").digest())
SETTING = Setting(conditions=("k1", "k2"))
COUNT = 8000
TRIALS = [ABX.draw(DRAWS.source(f"key/{n}"), SETTING, ()) for n in range(COUNT)]


def test_x_is_one_of_a_and_b_and_the_answer_says_which():
    for trial in TRIALS:
        held = {slot.name: slot.condition for slot in trial.slots}
        assert {held["A"], held["B"]} == {"k1", "k2"}
        assert held["X"] == held[trial.right["choice"]]


def test_all_four_truths_come_equally_often():
    """Chi-square of four cells with expectation 2,000 each; 16.27 is its 99.9 % point for 3 degrees of freedom
    (any table of the distribution; here scipy.stats.chi2.ppf(.999, 3) = 16.266)."""
    cells = Counter((t.slots[0].condition, t.right["choice"]) for t in TRIALS)
    assert len(cells) == 4
    assert sum((n - COUNT / 4) ** 2 / (COUNT / 4) for n in cells.values()) < 16.27


def test_neighbouring_keys_are_independent():
    """In a balanced key of 16, a key is followed by its equal less than half of the time (7/15); here half."""
    keys = [t.right["choice"] for t in TRIALS]
    same = sum(a == b for a, b in pairwise(keys)) / (COUNT - 1)
    assert same == pytest.approx(0.5, abs=4 * math.sqrt(0.25 / COUNT))


@pytest.mark.parametrize("answer", [{}, {"choice": "X"}, {"choice": "a"}, {"choice": "A", "more": 1}, {"choice": None}])
def test_other_answers_are_refused(answer):
    question = ABX.question(("A", "B", "X"), SETTING)
    assert ABX.fault_in(question, answer) == "the answer must be A or B"


def test_its_facts():
    assert (ABX.name, ABX.guess_rate, ABX.decides, ABX.adaptive) == ("abx", 0.5, ("heard",), False)
    assert ABX.question(("A", "B", "X"), SETTING).options == (("A", "X is A"), ("B", "X is B"))
