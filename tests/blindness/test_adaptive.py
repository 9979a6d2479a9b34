"""Adaptive tracks over a grid of levels: the page shows no level, fetches nothing before it is known, and a track whose
truth is exchanged in every trial looks the same, byte for byte, wherever it goes."""

import json
import runpy
from dataclasses import replace
from hashlib import sha256
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from blindtest.design import exchanged, plan_from_record
from blindtest.methods import METHODS
from blindtest.session import after, offers, start, view_of

P = runpy.run_path(str(Path(__file__).parents[1] / "session" / "plans.py"))
ADAPTIVE = [name for name, method in sorted(METHODS.items()) if method.adaptive]
GRID = ("clip-r0", *(f"hump@{place}.25" for place in range(9)))
TASKS = ("odd", "abx")


def sitting_of(method, task, seed):
    numbers = {"task": task, "start": 0.5, "step": 2}
    blocks = (
        P["block"]("practice", method, 3, "practice", feedback=True, numbers=numbers),
        P["block"]("track-1", method, 8, break_after=5, numbers=numbers),
        P["block"]("track-2", method, 4, numbers=numbers),
    )
    plan = P["make"](blocks=blocks, seed=seed, compared=dict.fromkeys(("practice", "track-1", "track-2"), GRID))
    return start(plan, study=P["STUDY"], listener=P["LISTENER"])


def walk(sitting, picks):
    """Yield the sitting after every event of a listener who answers by `picks`."""
    count = 0
    yield sitting
    while not sitting.over:
        for event in P["next_events"](sitting, P["START"], picks[count % len(picks)]):
            sitting = after(sitting, event)
            yield sitting
        count += 1


@pytest.mark.parametrize("task", TASKS)
@pytest.mark.parametrize("method", ADAPTIVE)
@given(seed=st.integers(0, 10**9), picks=st.lists(st.integers(0, 2), min_size=1, max_size=9))
@settings(max_examples=6, deadline=None)
def test_no_byte_of_the_page_depends_on_the_truth_or_on_the_level(method, task, seed, picks):
    sitting = sitting_of(method, task, seed)
    twin = replace(sitting, plan=exchanged(sitting.plan))
    levels, other_levels = [], []
    for mine, other in zip(walk(sitting, picks), walk(twin, picks), strict=True):
        shown, told = view_of(mine).to_json(), view_of(other).to_json()
        if mine.step == "feedback":
            shown.pop("feedback"), told.pop("feedback")
        assert json.dumps(shown) == json.dumps(told)
        assert not [name for name in (*GRID, *P["CONDITIONS"], "one of three", "hump") if name in json.dumps(shown)]
        if mine.step == "trial":
            levels.append(sounding(mine))
            other_levels.append(sounding(other))
    assert len(set(levels)) > 1
    assert len(set(other_levels)) > 1


def sounding(sitting):
    return next(slot.condition for slot in sitting.planned(sitting.trial).drawn.slots if slot.condition != GRID[0])


@pytest.mark.parametrize("method", ADAPTIVE)
def test_the_next_trial_is_fetched_only_when_it_is_known(method):
    """The first of a track is known beforehand, the others when the answer before them stands."""
    for sitting in walk(sitting_of(method, "odd", 3), [0, 1, 2]):
        ahead = {offer.trial for offer in offers(sitting)} - {-1, sitting.trial}
        assert len(view_of(sitting).next) == (3 if sitting.step in ("ready", "level", "break") or ahead else 0)
        answered = {"practice": 0, "track-1": 0, "track-2": 0}
        for answer in sitting.answers:
            answered[answer.block] += 1
        for trial in ahead:
            block, within = sitting.plan.place(trial)
            assert within <= answered[block.id]
    with pytest.raises(ValueError, match="depends on answers"):
        sitting_of(method, "odd", 3).planned(4)


@pytest.mark.parametrize("method", ADAPTIVE)
def test_the_seal_fixes_every_trial_that_could_come(method):
    """From record and nonce alone the same trial follows, for whatever answers; and its place is drawn before them."""
    finished = list(walk(sitting_of(method, "odd", 5), [0, 2, 1]))[-1]
    plan = finished.plan
    again = plan_from_record(plan.record, plan.nonce, expected=plan.commitment)
    for answer in finished.answers:
        earlier = finished.outcomes(answer.block)[: answer.block_trial]
        assert again.trial(answer.trial, earlier).drawn == answer.drawn
    for number in (4, 7):
        flipped = [replace(one, correct=not one.correct) for one in finished.outcomes("track-1")[: number - 3]]
        one, other = (again.trial(number, earlier).drawn for earlier in (finished.outcomes("track-1"), flipped))
        assert one.right == other.right
    with pytest.raises(ValueError, match="commitment"):
        plan_from_record(plan.record, sha256(b"another").digest(), expected=plan.commitment)
