"""Paired preference, ratings and recognition: their facts, their orders, what they refuse."""

from collections import Counter
from hashlib import sha256

import pytest

from blindtest.design import Block, Protocol, make_plan
from blindtest.methods import PREFERENCE, RATING, RATING_SINGLE, RECOGNITION, Setting

CLIPS = ("x", "y", "z")


def plan(method, conditions, trials, seed=0, numbers=None, phase="blind"):
    block = Block(id="test", phase=phase, method=method, trials=trials, numbers=numbers or {})
    return make_plan(
        study_seal="ab" * 32,
        sitting=1,
        protocol=Protocol(name="p", title="P", source="s", decides=(), blocks=(block,)),
        conditions=conditions,
        clips=CLIPS,
        nonce=sha256(f"{method}/{seed}".encode()).digest(),
        deadline="2026-03-09T12:00:00+00:00",
        labels={"a": "Ay", "b": "Bee", "c": "Cee"},
    )


@pytest.mark.parametrize("trials", [20, 21, 7])
def test_each_comes_first_as_often_as_the_other_also_on_each_clip(trials):
    one = plan("preference", ("a", "b"), trials)
    firsts = Counter(), Counter()
    by_clip = {clip: Counter() for clip in CLIPS}
    for number in range(trials):
        trial = one.trial(number)
        firsts[0][trial.drawn.slots[0].condition] += 1
        by_clip[trial.clip][trial.drawn.slots[0].condition] += 1
    assert abs(firsts[0]["a"] - firsts[0]["b"]) <= 1
    assert all(abs(counts["a"] - counts["b"]) <= 1 for counts in by_clip.values())


def test_which_comes_first_is_drawn():
    """Over 200 plans the first trial begins with either about equally often: within 5 standard deviations."""
    firsts = Counter(plan("preference", ("a", "b"), 20, seed).trial(0).drawn.slots[0].condition for seed in range(200))
    assert 65 <= firsts["a"] <= 135


def test_one_at_a_time_each_condition_comes_equally_often_with_each_clip():
    one = plan("rating-single", ("a", "b", "c"), 18)
    seen = Counter((one.trial(n).clip, one.trial(n).drawn.slots[0].condition) for n in range(18))
    assert set(seen.values()) == {2}
    assert len(seen) == 9


def test_side_by_side_every_slot_order_comes_equally_often():
    """3! orders over 3,000 independent draws; chi-squared below the 99.99 % point (scipy)."""
    from scipy.stats import chi2

    draws, setting = plan("rating", ("a", "b", "c"), 1).draws, Setting(conditions=("a", "b", "c"))
    drawn = (RATING.draw(draws.source(f"key/{n}"), setting, ()) for n in range(3000))
    orders = Counter(tuple(slot.condition for slot in one.slots) for one in drawn)
    assert len(orders) == 6
    assert sum((count - 500) ** 2 / 500 for count in orders.values()) < chi2.ppf(0.9999, 5)


def test_no_preference_is_an_answer_only_where_the_protocol_allows_it():
    setting = Setting(conditions=("a", "b"))
    plain = PREFERENCE.question(("1", "2"), setting)
    tied = PREFERENCE.question(("1", "2"), Setting(conditions=("a", "b"), numbers={"ties": 1}))
    assert PREFERENCE.fault_in(plain, {"choice": "none"})
    assert PREFERENCE.fault_in(tied, {"choice": "none"}) is None


@pytest.mark.parametrize(
    ("answer", "words"),
    [
        ({"1": 50}, "not rated yet: 2"),
        ({"1": 50, "2": 101}, "outside 0 to 100"),
        ({"1": 50, "2": float("nan")}, "not a number"),
        ({"1": 50, "2": True}, "not a number"),
        ({"1": 50, "2": 10, "3": 10}, "not there"),
    ],
)
def test_ratings_that_are_none_are_refused(answer, words):
    setting = Setting(conditions=("a", "b"))
    question = RATING.question(RATING.slot_names(setting), setting)
    assert words in RATING.fault_in(question, answer)


def test_the_scale_has_the_words_of_the_standard():
    # ITU-R BS.1534-3, 5.4: Excellent, Good, Fair, Poor, Bad in five equal intervals from the top
    question = RATING_SINGLE.question(("1",), Setting(conditions=("a", "b")))
    assert question.scale == ((90, "Excellent"), (70, "Good"), (50, "Fair"), (30, "Poor"), (10, "Bad"))
    assert question.range == (0, 100)


def test_recognition_names_all_and_its_key_is_an_independent_draw():
    one = plan("recognition", ("a", "b", "c"), 600)
    keys = Counter(one.trial(n).drawn.right["choice"] for n in range(600))
    assert set(keys) == {"1", "2", "3"}
    assert all(140 <= count <= 260 for count in keys.values())  # 5 standard deviations about 200
    question = RECOGNITION.question(("?",), one.setting(one.protocol.blocks[0]))
    assert [words for _, words in question.options] == ["Ay", "Bee", "Cee"]
    trial = one.trial(0)
    place = int(trial.drawn.right["choice"]) - 1
    assert trial.drawn.slots[0].condition == ("a", "b", "c")[place]


def test_blind_ratings_know_no_labels():
    one = plan("rating", ("a", "b"), 3)
    assert one.setting(one.protocol.blocks[0]).labels == ()
    labelled = plan("rating", ("a", "b"), 3, phase="labelled")
    assert labelled.setting(labelled.protocol.blocks[0]).labels == ("Ay", "Bee")
