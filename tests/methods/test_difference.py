"""Tests of a difference and of a named attribute: every truth comes equally often, and the answer says which it was."""

import math
from collections import Counter
from hashlib import sha256
from itertools import pairwise

import pytest

from blindtest.design import Draws
from blindtest.methods import DUO_TRIO, SAME_DIFFERENT, TETRAD, THREE_AFC, TRIANGLE, TWO_AFC, Setting

DRAWS = Draws(sha256(b"difference").digest())
SETTING = Setting(conditions=("k1", "k2"))
COUNT = 6000
METHODS = (TRIANGLE, DUO_TRIO, TETRAD, SAME_DIFFERENT, TWO_AFC, THREE_AFC)
CHI2_999 = {2: 10.828, 3: 13.816, 4: 16.266, 6: 20.515}
"""99.9 % points for cells - 1 degrees of freedom (any table of the distribution; here scipy.stats.chi2.ppf)."""


def trials(method, setting=SETTING):
    return [method.draw(DRAWS.source(f"{method.name}/{n}"), setting, ()) for n in range(COUNT)]


def truth(trial):
    return "".join(slot.condition[-1] for slot in trial.slots)


@pytest.mark.parametrize(
    ("method", "truths"),
    [
        (TRIANGLE, {"112", "121", "211", "221", "212", "122"}),  # ISO 4120: AAB ABA BAA BBA BAB ABB
        (DUO_TRIO, {"112", "121", "221", "212"}),  # ISO 10399: balanced reference
        (TETRAD, {"1122", "2211", "1212", "2121", "1221", "2112"}),
        (TWO_AFC, {"12", "21"}),
        (THREE_AFC, {"122", "212", "221"}),
        (SAME_DIFFERENT, {"11", "22", "12", "21"}),  # Macmillan & Creelman 2005, ch. 9
    ],
    ids=lambda value: getattr(value, "name", ""),
)
def test_all_truths_come_equally_often(method, truths):
    cells = Counter(truth(trial) for trial in trials(method))
    assert set(cells) == truths
    expected = COUNT / len(truths)
    assert sum((n - expected) ** 2 / expected for n in cells.values()) < CHI2_999[len(truths)]


@pytest.mark.parametrize("method", METHODS, ids=lambda method: method.name)
def test_neighbouring_keys_are_independent(method):
    """In a balanced key a right answer is followed by its equal less often than guessing has it."""
    keys = [trial.right["choice"] for trial in trials(method)]
    same = sum(a == b for a, b in pairwise(keys)) / (COUNT - 1)
    guess = method.guess_rate
    assert same == pytest.approx(guess, abs=4 * math.sqrt(guess * (1 - guess) / COUNT))


def test_the_odd_one_of_a_triangle_is_the_right_answer():
    for trial in trials(TRIANGLE):
        held = {slot.name: slot.condition for slot in trial.slots}
        odd = held.pop(trial.right["choice"])
        assert odd not in held.values()


def test_the_right_one_of_a_duo_trio_is_the_reference_again():
    for trial in trials(DUO_TRIO):
        held = {slot.name: slot.condition for slot in trial.slots}
        assert held[trial.right["choice"]] == held["R"]
        assert held["1"] != held["2"]


def test_a_constant_reference_is_what_is_named_last():
    constant = trials(DUO_TRIO, Setting(conditions=("k1", "k2"), numbers={"constant": 1}))
    assert {trial.slots[0].condition for trial in constant} == {"k2"}
    assert Counter(truth(trial) for trial in constant).keys() == {"221", "212"}


def test_the_right_pairing_of_a_tetrad_has_equals_together():
    for trial in trials(TETRAD):
        held = {slot.name: slot.condition for slot in trial.slots}
        one, partner = trial.right["choice"]
        others = {"1", "2", "3", "4"} - {one, partner}
        assert held[one] == held[partner]
        assert len({held[other] for other in others}) == 1
        assert held[one] not in {held[other] for other in others}


@pytest.mark.parametrize("method", [TWO_AFC, THREE_AFC], ids=lambda method: method.name)
def test_right_is_where_the_first_condition_stands(method):
    for trial in trials(method):
        held = {slot.name: slot.condition for slot in trial.slots}
        assert [name for name, condition in held.items() if condition == "k1"] == [trial.right["choice"]]


@pytest.mark.parametrize("method", [TWO_AFC, THREE_AFC], ids=lambda method: method.name)
def test_the_question_asks_for_the_attribute_that_was_named(method):
    named = Setting(conditions=("k1", "k2"), numbers={"attribute": "bass"})
    question = method.question(method.slot_names(named), named)
    assert "has more bass" in question.prompt
    assert all(words == f"{name} has more bass" for name, words in question.options)


def test_a_pair_is_called_what_it_is():
    for trial in trials(SAME_DIFFERENT):
        first, second = (slot.condition for slot in trial.slots)
        assert trial.right["choice"] == ("same" if first == second else "different")


@pytest.mark.parametrize("method", METHODS, ids=lambda method: method.name)
@pytest.mark.parametrize("answer", [{}, {"choice": "5"}, {"choice": 1}, {"choice": "1", "more": 1}, {"choice": None}])
def test_other_answers_are_refused(method, answer):
    question = method.question(method.slot_names(SETTING), SETTING)
    assert method.fault_in(question, answer).startswith("the answer must be")


def test_their_facts():
    assert [(m.name, m.guess_rate, m.decides) for m in METHODS] == [
        ("triangle", 1 / 3, ("heard",)),
        ("duo-trio", 1 / 2, ("heard",)),
        ("tetrad", 1 / 3, ("heard",)),
        ("same-different", 1 / 2, ("heard",)),
        ("2afc", 1 / 2, ("attribute",)),
        ("3afc", 1 / 3, ("attribute",)),
    ]
