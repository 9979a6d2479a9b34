"""Ratings against an original: where it hides is drawn fairly, the scales are those of the standards, and one gets all.

Sources: ITU-R BS.1534-3 (2015), 5.3, 5.4 and attachment 1; ITU-R BS.1116-3 (2015) with the words of BS.562-3.
"""

from collections import Counter
from hashlib import sha256
from itertools import pairwise

import numpy as np
import pytest

from blindtest.design import Draws
from blindtest.methods import MULTI_STIMULUS, SMALL_IMPAIRMENT, Setting
from blindtest.session.opinion import Opinion
from blindtest.session.simulated import HeardTrial, SimulatedListener

DRAWS = Draws(sha256(b"reference ratings").digest())
COUNT = 6000
FOUR = Setting(conditions=("original", "codec", "low", "mid"))
TWO_OBJECTS = Setting(conditions=("original", "one", "other"))
CHI2_999 = {1: 10.828, 23: 49.728}
"""99.9 % points by degrees of freedom (scipy.stats.chi2.ppf)."""


def drawn(method, setting, number):
    return method.draw(DRAWS.source(f"{method.name}/{number}"), setting, ())


def asked(method, setting=FOUR):
    return method.question(method.slot_names(setting), setting)


def test_the_original_stands_openly_in_r_and_once_among_the_rated():
    for number in range(100):
        *rated, given = drawn(MULTI_STIMULUS, FOUR, number).slots
        assert (given.name, given.condition) == ("R", "original")
        assert sorted(slot.condition for slot in rated) == sorted(FOUR.conditions)
    assert asked(MULTI_STIMULUS).keys == ("1", "2", "3", "4"), "R is not rated"


def test_every_slot_order_comes_equally_often():
    cells = Counter(
        tuple(slot.condition for slot in drawn(MULTI_STIMULUS, FOUR, number).slots) for number in range(COUNT)
    )
    assert len(cells) == 24
    assert sum((n - COUNT / 24) ** 2 / (COUNT / 24) for n in cells.values()) < CHI2_999[23]


def test_at_most_twelve_signals_are_rated():
    assert MULTI_STIMULUS.conditions == (2, 12)  # BS.1534-3, 5.3
    twelve = Setting(conditions=tuple(f"c{k}" for k in range(12)))
    assert len(asked(MULTI_STIMULUS, twelve).keys) == 12


def test_of_b_and_c_either_holds_the_object_by_a_fair_and_independent_draw():
    keys = [drawn(SMALL_IMPAIRMENT, TWO_OBJECTS, number).slots[1].condition == "one" for number in range(COUNT)]
    expected = COUNT / 2
    assert sum((n - expected) ** 2 / expected for n in (sum(keys), COUNT - sum(keys))) < CHI2_999[1]
    assert sum(a == b for a, b in pairwise(keys)) / (COUNT - 1) == pytest.approx(0.5, abs=4 * 0.5 / COUNT**0.5)


def test_each_object_meets_the_original():
    from dataclasses import replace

    assert SMALL_IMPAIRMENT.orders(TWO_OBJECTS) == 2
    for order, tested in enumerate(("one", "other")):
        a, b, c = drawn(SMALL_IMPAIRMENT, replace(TWO_OBJECTS, order=order), order).slots
        assert (a.name, a.condition) == ("A", "original")
        assert {b.condition, c.condition} == {"original", tested}


def test_the_scales_are_those_of_the_standards():
    multi, small = asked(MULTI_STIMULUS), asked(SMALL_IMPAIRMENT, TWO_OBJECTS)
    assert multi.range == (0, 100)  # BS.1534-3, 5.4: five equal intervals from the top
    assert [word for _, word in multi.scale] == ["Excellent", "Good", "Fair", "Poor", "Bad"]
    assert [(high + low) / 2 for (high, _), (low, _) in pairwise(multi.scale)] == [80, 60, 40, 20]
    assert (small.range, small.step, small.points) == ((1, 5), 0.1, True)  # BS.1116-3: one decimal
    assert small.scale == (  # BS.562-3
        (5, "Imperceptible"),
        (4, "Perceptible, but not annoying"),
        (3, "Slightly annoying"),
        (2, "Annoying"),
        (1, "Very annoying"),
    )


@pytest.mark.parametrize(
    ("answer", "words"),
    [
        ({"1": 100, "2": 30, "3": 10, "4": 99}, None),
        ({"1": 99, "2": 30, "3": 10, "4": 0}, "at least one has to get 100: one of them is R again"),
        ({"1": 100, "2": 30, "3": 10}, "not rated yet: 4"),
        ({"1": 100, "2": 30, "3": 10, "4": 99, "R": 100}, "not there"),
        ({"1": 100, "2": 30, "3": -1, "4": 99}, "the rating of 3 lies outside 0 to 100"),
    ],
)
def test_one_of_many_has_to_get_100(answer, words):
    fault = MULTI_STIMULUS.fault_in(asked(MULTI_STIMULUS), answer)
    assert fault is None if words is None else words in fault


@pytest.mark.parametrize(
    ("answer", "words"),
    [
        ({"B": 5.0, "C": 3.7}, None),
        ({"B": 5, "C": 5}, None),
        ({"B": 4.9, "C": 3.7}, "at least one has to get 5.0: one of the two is A again"),
        ({"B": 5.0, "C": 3.75}, "the grade of C has more than one decimal"),
        ({"B": 5.0, "C": 0.9}, "the rating of C lies outside 1 to 5"),
        ({"B": 5.0}, "not rated yet: C"),
    ],
)
def test_one_of_two_has_to_get_5(answer, words):
    fault = SMALL_IMPAIRMENT.fault_in(asked(SMALL_IMPAIRMENT, TWO_OBJECTS), answer)
    assert fault is None if words is None else words in fault


def test_a_simulated_listener_gives_what_they_think_and_the_best_all():
    opinion = Opinion(quality={"original": 4.6, "one": 3.0, "other": 3.0}, residual=0.5, step=0.1)
    listener, rng = SimulatedListener(pseudonym="L1", opinion=opinion), np.random.default_rng(5)
    question, differences, confused = asked(SMALL_IMPAIRMENT, TWO_OBJECTS), [], 0
    for number in range(COUNT):
        slots = drawn(SMALL_IMPAIRMENT, TWO_OBJECTS, number).slots
        met = HeardTrial(
            method="small-impairment",
            phase="blind",
            clip="x",
            sounding={slot.name: slot.condition for slot in slots},
            compared=TWO_OBJECTS.conditions,
            question=question,
        )
        answer = listener.answer(met, rng)
        assert SMALL_IMPAIRMENT.fault_in(question, answer) is None
        grade = {slot.condition: answer[slot.name] for slot in slots if slot.name in answer}
        differences.append(grade["one"] - grade["original"])
        confused += grade["one"] > grade["original"]
    # The object is thought better with probability P(N(-1.6, .5 sqrt 2) > 0) = .0118 (normal distribution).
    assert confused / COUNT == pytest.approx(0.0118, abs=4 * (0.0118 / COUNT) ** 0.5 + 0.003)
    assert np.mean(differences) == pytest.approx(-2.0, abs=0.08)
