"""Williams designs over rounds and listeners: each place and each ordered pair of neighbours equally often."""

from collections import Counter
from dataclasses import replace
from hashlib import sha256
from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from blindtest.design import Block, Draws, Protocol, exchanged, make_plan, panel_start, plan_from_record, williams


def balanced(rows, conditions):
    """Return (places, carry-over): counts of each condition at each place, and of each ordered pair of neighbours."""
    places = Counter((at, one) for row in rows for at, one in enumerate(row))
    pairs = Counter(pair for row in rows for pair in pairwise(row))
    assert set(places) == {(at, one) for at in range(conditions) for one in range(conditions)}
    assert set(pairs) == {(a, b) for a in range(conditions) for b in range(conditions) if a != b}
    return set(places.values()), set(pairs.values())


@pytest.mark.parametrize("conditions", range(2, 13))
def test_the_design_is_balanced_for_first_order_carry_over(conditions):
    """Williams 1949: k rows for even k, each place and each ordered pair once; 2k for odd k, each twice."""
    rows = williams(conditions)
    times = 1 if conditions % 2 == 0 else 2
    assert len(rows) == times * conditions == len(set(rows))
    assert balanced(rows, conditions) == ({times}, {times})


def test_the_design_of_four_is_the_one_in_print():
    """Williams 1949, from memory, in letters A B D C / B C A D / C D B A / D A C B (a cyclic square)."""
    assert ["".join("ABCD"[one] for one in row) for row in williams(4)] == ["ABDC", "BCAD", "CDBA", "DACB"]
    with pytest.raises(ValueError, match="an order needs two conditions, got 1"):
        williams(1)


def plan_of(method, *, conditions, clips, repeats, place=0, seed=0, phase="blind", sequence="williams"):
    names = tuple("abcdefghijkl"[:conditions])
    rounds = clips * repeats
    block = Block(
        id="rated", phase=phase, method=method, sequence=sequence, numbers={"repeats": repeats},
        trials=rounds * (conditions if method == "rating-single" else 1),
    )  # fmt: skip
    return make_plan(
        study_seal="ab" * 32,
        sitting=1,
        protocol=Protocol(name="p", title="P", source="s", decides=("rated",), blocks=(block,)),
        conditions=names,
        clips=tuple(f"k{k}" for k in range(clips)),
        nonce=sha256(f"{seed}/{place}".encode()).digest(),
        deadline="2026-03-09T12:00:00+00:00",
        starts={"rated": panel_start(Draws(sha256(b"panel").digest()), "rated", place, conditions)} if sequence else {},
    )


def rounds_of(plan, method, conditions):
    """Return (clip, conditions in their order) of each round."""
    trials = [plan.trial(number) for number in range(plan.length)]
    if method != "rating-single":
        return [
            (t.clip, tuple("abcdefghijkl".index(s.condition) for s in t.drawn.slots if s.role == "rated"))
            for t in trials
        ]
    runs = [trials[at : at + conditions] for at in range(0, len(trials), conditions)]
    assert all(len({t.clip for t in run}) == 1 for run in runs)
    return [(run[0].clip, tuple("abcdefghijkl".index(t.drawn.slots[0].condition) for t in run)) for run in runs]


@pytest.mark.parametrize("method", ["rating", "rating-single", "multi-stimulus"])
@pytest.mark.parametrize(("conditions", "clips", "repeats"), [(4, 2, 2), (3, 3, 4), (2, 3, 2), (5, 5, 2)])
def test_full_cycles_are_balanced_within_a_sitting(method, conditions, clips, repeats):
    plan = plan_of(method, conditions=conditions, clips=clips, repeats=repeats, seed=conditions)
    found = rounds_of(plan, method, conditions)
    times = len(found) // len(williams(conditions)) * (1 if conditions % 2 == 0 else 2)
    assert balanced([row for _, row in found], conditions) == ({times}, {times})
    assert Counter(clip for clip, _ in found) == {f"k{k}": repeats for k in range(clips)}


@pytest.mark.parametrize("method", ["rating", "rating-single"])
@pytest.mark.parametrize(("conditions", "clips"), [(4, 3), (3, 2), (5, 1)])
def test_what_no_sitting_balances_the_panel_does(method, conditions, clips):
    """As many listeners as rows: each row once for every round left over, in whatever order they came."""
    listeners = len(williams(conditions))
    rows = [
        row
        for place in range(listeners)
        for _, row in rounds_of(
            plan_of(method, conditions=conditions, clips=clips, repeats=1, place=place), method, conditions
        )
    ]
    times = clips * (1 if conditions % 2 == 0 else 2)
    assert set(Counter(rows).values()) == {clips}
    assert balanced(rows, conditions) == ({times}, {times})


@given(seed=st.integers(0, 10**9))
@settings(max_examples=20, deadline=None)
def test_listeners_have_plans_of_their_own_from_one_seal(seed):
    draws = Draws(sha256(str(seed).encode()).digest())
    for conditions in (3, 4):
        rows = len(williams(conditions))
        starts = [panel_start(draws, "b", place, conditions) for place in range(3 * rows)]
        assert all(sorted(starts[at : at + rows]) == list(range(rows)) for at in (0, rows, 2 * rows))
    plans = [plan_of("rating", conditions=4, clips=4, repeats=2, place=place, seed=seed) for place in range(4)]
    assert len({str(rounds_of(plan, "rating", 4)) for plan in plans}) == 4


@pytest.mark.parametrize("method", ["rating", "rating-single", "multi-stimulus"])
def test_an_exchange_gives_another_truth_and_the_same_page(method):
    plan = plan_of(method, conditions=3, clips=2, repeats=2)
    twin = exchanged(plan)
    for number in range(plan.length):
        mine, other = plan.trial(number), twin.trial(number)
        assert mine.drawn != other.drawn
        assert [slot.name for slot in mine.drawn.slots] == [slot.name for slot in other.drawn.slots]
        assert replace(other, drawn=mine.drawn) == mine


def test_the_plan_is_drawn_again_from_its_record_and_plans_without_a_sequence_stay():
    plan = plan_of("rating-single", conditions=3, clips=2, repeats=2, place=4)
    assert plan.record["protocol"]["blocks"][0]["sequence"] == "williams"
    again = plan_from_record(plan.record, plan.nonce, expected=plan.commitment)
    assert [again.trial(n) for n in range(plan.length)] == [plan.trial(n) for n in range(plan.length)]
    old = plan_of("rating-single", conditions=3, clips=2, repeats=2, sequence="")
    assert "starts" not in old.record
    assert "sequence" not in old.record["protocol"]["blocks"][0]


def test_names_that_may_be_wrong_go_with_a_sequence():
    plan = plan_of("rating-single", conditions=4, clips=2, repeats=2, phase="unreliable")
    trials = [plan.trial(number) for number in range(plan.length)]
    right = Counter((t.clip, t.labels["1"]) for t in trials if t.labels["1"] == t.drawn.slots[0].condition)
    assert set(right.values()) == {1}
    names = [tuple(t.labels["1"] for t in trials[at : at + 4]) for at in range(0, 16, 4)]
    assert all(len(set(run)) == 4 for run in names)
