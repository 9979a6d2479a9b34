"""Adjustment: the page learns distances from the start and nothing else; only an end that is run into is told."""

import json
import runpy
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from blindtest.design import exchanged
from blindtest.session import (
    Began,
    Chosen,
    Confirmed,
    Continued,
    LevelSet,
    Loaded,
    Selected,
    Unchosen,
    after,
    offers,
    start,
    view_of,
)

P = runpy.run_path(str(Path(__file__).parents[1] / "session" / "plans.py"))
GRID = tuple(f"louder@{place - 12}.25" for place in range(25))
SETS = ("equal", "preferred")


def pair(sets, seed, trials=6):
    compared = ("clip-r0", *GRID) if sets == "equal" else GRID
    block = P["block"]("set", "adjustment", trials, break_after=3, numbers={"sets": sets})
    plan = P["make"](blocks=(block,), seed=seed, compared={"set": compared})
    sitting = start(plan, study=P["STUDY"], listener=P["LISTENER"])
    return sitting, replace(sitting, plan=exchanged(plan))


def events_of(sitting, moves):
    """Return what somebody does at this step who moves the sound by `moves`, takes one back, and confirms."""
    at, of = P["START"], {"trial": sitting.trial, "attempt": sitting.attempt}
    if sitting.step == "ready":
        return [Began(at=at)]
    if sitting.step == "level":
        return [LevelSet(gain_db=-20.0, at=at)]
    if sitting.step == "break":
        return [Continued(trial=sitting.trial, at=at)]
    listening = [Selected(slot=name, at=at, **of) for name in sitting.slot_names(sitting.trial)]
    settings_ = [Chosen(values={"offset": offset}, at=at, **of) for offset in moves]
    again = [Unchosen(at=at, **of), Chosen(values={"offset": moves[-1]}, at=at, **of)]
    end = Confirmed(values={"offset": moves[-1]}, at=at + timedelta(seconds=20), **of)
    return [Loaded(at=at, **of), *listening, *settings_, *again, end]


def both(sitting, twin, moves):
    yield sitting, twin
    while not sitting.over:
        for event in events_of(sitting, moves):
            sitting, twin = after(sitting, event), after(twin, event)
            yield sitting, twin


@pytest.mark.parametrize("sets", SETS)
@given(seed=st.integers(0, 10**9), moves=st.lists(st.integers(-1, 1), min_size=1, max_size=6))
@settings(max_examples=8, deadline=None)
def test_no_byte_of_the_page_depends_on_where_the_sound_begins(sets, seed, moves):
    """Exchanged: another window, or another start, in every trial. Starts stand off the ends: one rung is free."""
    differed = 0
    for sitting, twin in both(*pair(sets, seed), moves):
        shown, other = view_of(sitting).to_json(), view_of(twin).to_json()
        assert json.dumps(shown) == json.dumps(other)
        assert not [name for name in (*GRID, "clip-r0", "louder", "held against") if name in json.dumps(shown)]
        mine, others = offers(sitting), offers(twin)
        assert [(o.token, o.slot, o.clip) for o in mine] == [(o.token, o.slot, o.clip) for o in others]
        if sitting.step == "trial":
            differed += [o.condition for o in mine] != [o.condition for o in others]
            # What sounds under the name shown is where the moves have led.
            drawn, dial = sitting.planned(sitting.trial).drawn, shown["dial"]
            sounding = next(o.condition for o in mine if o.slot == dial["now"])
            place = drawn.ladder.index(drawn.slots[-1].condition) + dial["offset"]
            assert sounding == drawn.ladder[place]
            assert dial["end"] == ""
            assert next(s["token"] for s in shown["slots"] if s["name"] == dial["slot"]) == next(
                s["token"] for s in dial["sounds"] if s["name"] == dial["now"]
            )
    assert differed > 6


@pytest.mark.parametrize("sets", SETS)
def test_the_names_of_rungs_stand_in_drawn_order(sets):
    """Name and distance have nothing to do with each other, and another trial has another order."""
    orders, tokens = set(), set()
    for sitting, _ in both(*pair(sets, 3), [1]):
        if sitting.step != "trial":
            continue
        own = [o for o in offers(sitting) if "-" in o.slot]
        assert [o.slot for o in own] == [f"{own[0].slot[0]}-{n}" for n in range(1, 21)]
        assert view_of(sitting).next == ()
        tokens |= {o.token for o in own}
        order = [sitting.planned(sitting.trial).drawn.ladder.index(o.condition) for o in own]
        assert sorted(order) == list(range(20))
        orders.add(tuple(order))
    assert len(orders) == 6
    assert len(tokens) == 6 * 20


def test_an_end_is_told_when_it_is_run_into_and_not_before():
    """Upwards one by one: nothing is said on the last rung, only at the move that no rung answers."""
    sitting, _ = pair("equal", 5)
    for event in [*events_of(sitting, [0]), *events_of(after(sitting, Began(at=P["START"])), [0])]:
        sitting = after(sitting, event)
    of = {"trial": 0, "attempt": 1}
    sitting = after(sitting, Loaded(at=P["START"], **of))
    drawn = sitting.planned(0).drawn
    room = len(drawn.ladder) - 1 - drawn.ladder.index(drawn.slots[-1].condition)
    for offset in range(1, room + 1):
        sitting = after(sitting, Chosen(values={"offset": offset}, at=P["START"], **of))
        assert view_of(sitting).dial.end == ""
    sitting = after(sitting, Chosen(values={"offset": room + 1}, at=P["START"], **of))
    assert (view_of(sitting).dial.end, view_of(sitting).dial.offset) == ("more", room)
    assert view_of(sitting).chosen == {"offset": room}
    sitting = after(sitting, Chosen(values={"offset": -19}, at=P["START"], **of))
    assert view_of(sitting).dial.end == "less"
    sitting = after(sitting, Chosen(values={"offset": 0}, at=P["START"], **of))
    assert view_of(sitting).dial.end == ""


def test_the_level_is_set_on_the_loudest_rung():
    sitting, twin = pair("equal", 1)
    assert sitting.plan.level_stimulus()[1] == GRID[-1]
    assert twin.plan.level_stimulus() == sitting.plan.level_stimulus()
