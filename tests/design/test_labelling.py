"""Names that may be wrong: right on exactly half of the trials, balanced over sounds and clips, told by nothing."""

from collections import Counter
from dataclasses import replace
from hashlib import sha256

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import binom

from blindtest.design import Block, Draws, Protocol, exchanged, make_plan, plan_from_record, sittings_of
from blindtest.design.labelling import places_moved

SEEDS = st.integers(0, 10**9)


def plan_of(method, *, seed=0, conditions=3, clips=3, repeats=2):
    names = tuple(f"c{k}" for k in range(conditions))
    pages = clips * repeats * (conditions if method == "rating-single" else 1)
    block = Block(id="named", phase="unreliable", method=method, trials=pages, numbers={"repeats": repeats})
    return make_plan(
        study_seal="ab" * 32,
        sitting=1,
        protocol=Protocol(name="p", title="P", source="s", decides=("rated",), blocks=(block,)),
        conditions=names,
        clips=tuple(f"k{k}" for k in range(clips)),
        nonce=sha256(str(seed).encode()).digest(),
        deadline="2026-03-09T12:00:00+00:00",
    )


def named(plan):
    """Return (clip, sound, name read) of each rated slot."""
    trials = [plan.trial(number) for number in range(plan.length)]
    return [(t.clip, slot.condition, t.labels[slot.name]) for t in trials for slot in t.drawn.slots]


@given(seed=SEEDS, conditions=st.integers(2, 5), clips=st.integers(1, 5), half=st.integers(1, 3))
@pytest.mark.parametrize("method", ["rating", "rating-single"])
@settings(max_examples=15, deadline=None)
def test_half_of_the_names_are_right_for_every_sound_and_every_name_on_every_clip(
    method, seed, conditions, clips, half
):
    """Counted by hand: of 2h ratings of a sound on a clip h are named rightly; so are those under a name."""
    rows = named(plan_of(method, seed=seed, conditions=conditions, clips=clips, repeats=2 * half))
    for column in (1, 2):
        whole, right = (
            Counter((r[0], r[column]) for r in rows),
            Counter((r[0], r[column]) for r in rows if r[1] == r[2]),
        )
        assert set(whole.values()) == {2 * half}
        assert {right[key] for key in whole} == {half}
    wrong = Counter((sound, name) for _, sound, name in rows if sound != name)
    assert len(wrong) == conditions * (conditions - 1) or half * clips < conditions - 1
    # A wrong name comes from every other condition equally often, up to one.
    assert max(wrong.values()) - min(wrong.values()) <= 1


@given(seed=SEEDS)
@settings(max_examples=20, deadline=None)
def test_of_two_devices_sound_and_name_cross_in_a_full_square_on_every_clip(seed):
    cells = Counter(named(plan_of("rating-single", seed=seed, conditions=2, clips=4, repeats=4)))
    assert len(cells) == 4 * 2 * 2
    assert set(cells.values()) == {2}


@given(seed=SEEDS)
@settings(max_examples=20, deadline=None)
def test_all_names_of_a_page_are_right_or_all_are_wrong(seed):
    plan = plan_of("rating", seed=seed, conditions=4, repeats=4)
    for number in range(plan.length):
        trial = plan.trial(number)
        right = {slot.condition == trial.labels[slot.name] for slot in trial.drawn.slots}
        assert len(right) == 1
        assert sorted(trial.labels.values()) == sorted(slot.condition for slot in trial.drawn.slots)


@pytest.mark.parametrize("method", ["rating", "rating-single"])
def test_an_exchange_moves_sounds_and_no_name(method):
    plan = plan_of(method, conditions=3)
    twin = exchanged(plan)
    for number in range(plan.length):
        mine, other = plan.trial(number), twin.trial(number)
        assert mine.labels == other.labels
        assert all(a.condition != b.condition for a, b in zip(mine.drawn.slots, other.drawn.slots, strict=True))
        assert replace(other, drawn=mine.drawn) == mine


def test_nothing_on_the_page_says_which_names_are_right():
    """Over many plans, at every place of a sitting and under every name, a half is right: a binomial at 99.9 %,
    shared among the 16 counts."""
    right, seen = Counter(), Counter()
    plans = 300
    for seed in range(plans):
        plan = plan_of("rating-single", seed=seed, conditions=2, clips=2, repeats=2)
        for number in range(plan.length):
            trial = plan.trial(number)
            (slot,) = trial.drawn.slots
            for key in (("place", number), ("name", trial.labels["1"]), ("clip", trial.clip)):
                seen[key] += 1
                right[key] += slot.condition == trial.labels["1"]
    tail = 0.0005 / len(seen)
    for key, count in seen.items():
        assert binom.ppf(tail, count, 0.5) <= right[key] <= binom.isf(tail, count, 0.5), key


def test_an_odd_number_is_right_and_wrong_in_turn():
    moves = places_moved(Draws(bytes(32)), "b", ("a", "b", "c", "d") * 3, (0,) * 12, 3)
    assert sum(move == 0 for move in moves) == 6
    assert sorted(Counter(move for move in moves if move).values()) == [3, 3]
    with pytest.raises(ValueError, match="a wrong name needs another condition, got 1"):
        places_moved(Draws(bytes(32)), "b", ("a",), (0,), 1)


def test_the_plan_is_drawn_again_from_its_record():
    plan = plan_of("rating-single", seed=5)
    again = plan_from_record(plan.record, plan.nonce, expected=plan.commitment)
    assert [again.trial(n) for n in range(plan.length)] == [plan.trial(n) for n in range(plan.length)]


def test_plans_of_other_phases_are_drawn_as_before():
    """The draws of `labels/...` move no other: a labelled block beside an unreliable one keeps its trials."""
    plan = plan_of("rating")
    alone = replace(plan.protocol.blocks[0], phase="labelled")
    other = replace(plan, protocol=replace(plan.protocol, blocks=(alone,)))
    for number in range(plan.length):
        mine, named_ = plan.trial(number), other.trial(number)
        assert named_.labels == {}
        assert {slot.name: slot.condition for slot in named_.drawn.slots} == mine.labels


def test_recognition_sits_with_the_names_and_worn_before_them():
    blocks = (
        Block(id="worn", phase="worn", method="rating", trials=2),
        Block(id="try", phase="practice", method="rating-single", trials=2),
        Block(id="named", phase="unreliable", method="rating-single", trials=4, sittings=2),
        Block(id="which", phase="blind", method="recognition", trials=4, sittings=2),
    )
    protocol = Protocol(name="p", title="P", source="s", decides=("rated",), blocks=blocks, order="unreliable-labels")
    assert [(one.name, [b.id for b in one.protocol.blocks]) for one in sittings_of(protocol)] == [
        ("worn", ["worn"]),
        ("unreliable 1 of 2", ["try", "named", "which"]),
        ("unreliable 2 of 2", ["try", "named", "which"]),
    ]
