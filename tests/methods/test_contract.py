"""The contract of methods, held against every method of the table and two toys that stretch it."""

import math
import runpy
from collections import Counter
from dataclasses import replace
from hashlib import sha256
from pathlib import Path

import pytest

from blindtest.design import Draws
from blindtest.methods import METHODS, Outcome, Setting

TOYS = runpy.run_path(str(Path(__file__).parent / "toys.py"))
ALL = TOYS["METHODS_WITH_TOYS"]
NUMBERS = {"toy-rating": {"most": 100}}
DRAWS = Draws(sha256(b"contract").digest())


def setting_of(method):
    return Setting(conditions=("k1", "k2"), numbers=NUMBERS.get(method.name, {}), labels=("one", "other"))


def drawn(method, number, earlier=()):
    return method.draw(DRAWS.source(f"{method.name}/{number}"), setting_of(method), earlier)


def some_answers(question):
    if question.kind == "choose":
        return [{"choice": value} for value, _ in question.options]
    low, high = question.range
    one = {} if question.one_at is None else {question.keys[-1]: question.one_at}
    return [{**dict.fromkeys(question.keys, value), **one} for value in (low, (low + high) / 2, high)]


def test_the_table_names_its_methods():
    assert list(METHODS) == [method.name for method in METHODS.values()]
    assert "abx" in METHODS


@pytest.mark.parametrize("method", ALL.values(), ids=ALL)
def test_slots_have_the_names_that_are_shown_and_conditions_of_the_setting(method):
    for number in range(50):
        trial = drawn(method, number)
        assert tuple(slot.name for slot in trial.slots) == method.slot_names(setting_of(method))
        assert {slot.condition for slot in trial.slots} <= {"k1", "k2"}


@pytest.mark.parametrize("method", ALL.values(), ids=ALL)
def test_the_same_draws_give_the_same_trial(method):
    assert [drawn(method, n) for n in range(20)] == [drawn(method, n) for n in range(20)]


@pytest.mark.parametrize("method", ALL.values(), ids=ALL)
def test_the_question_is_made_of_names_only(method):
    """It has no way to the truth: the same for every draw, and no id of a condition in its words."""
    question = method.question(method.slot_names(setting_of(method)), setting_of(method))
    assert question.kind == method.answer_kind
    assert "k1" not in repr(question)
    assert "k2" not in repr(question)


@pytest.mark.parametrize("method", ALL.values(), ids=ALL)
def test_answers_are_checked(method):
    question = method.question(method.slot_names(setting_of(method)), setting_of(method))
    for answer in some_answers(question):
        assert set(answer) == set(question.keys)
        assert method.fault_in(question, answer) is None
    for broken in ({}, {"other": 1}, dict.fromkeys(question.keys, "no such answer")):
        assert method.fault_in(question, broken)


@pytest.mark.parametrize("method", [m for m in ALL.values() if m.guess_rate is not None], ids=lambda m: m.name)
def test_whoever_always_says_the_same_is_right_at_the_guess_rate(method):
    """Each fixed answer, over 6,000 independent draws: within 4 standard errors of the binomial."""
    count = 6000
    question = method.question(method.slot_names(setting_of(method)), setting_of(method))
    answers = some_answers(question)
    right = Counter(k for n in range(count) for k, a in enumerate(answers) if method.is_right(drawn(method, n), a))
    error = math.sqrt(method.guess_rate * (1 - method.guess_rate) / count)
    for k in range(len(answers)):
        assert right[k] / count == pytest.approx(method.guess_rate, abs=4 * error)


@pytest.mark.parametrize("method", [m for m in ALL.values() if drawn(m, 0).right is None], ids=lambda m: m.name)
def test_where_no_answer_is_right_none_is_said_to_be(method):
    question = method.question(method.slot_names(setting_of(method)), setting_of(method))
    assert {method.is_right(drawn(method, 0), answer) for answer in some_answers(question)} == {None}


@pytest.mark.parametrize("method", ALL.values(), ids=ALL)
def test_only_adaptive_methods_read_the_outcomes(method):
    setting = setting_of(method)
    if method.adaptive:
        setting = replace(setting, conditions=("k1", "k2", "k3", "k4"), numbers={**setting.numbers, "start": 0.5})
    first = method.draw(DRAWS.source(f"{method.name}/0"), setting, ())
    question = method.question(method.slot_names(setting), setting)
    wrong = next(a for a in some_answers(question) if method.is_right(first, a) is not True)
    after_wrong = (Outcome(drawn=first, answer=wrong, correct=method.is_right(first, wrong)),)
    for number in range(1, 20):
        trials = [method.draw(DRAWS.source(f"{method.name}/{number}"), setting, e) for e in ((), after_wrong)]
        assert (trials[0] != trials[1]) == method.adaptive
