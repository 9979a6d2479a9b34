"""A sitting of adjustments: what is recorded, how it goes on after a fault or a kill, listeners of known truth."""

import runpy
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest

from blindtest.errors import BlindtestError
from blindtest.session import (
    Chosen,
    Confirmed,
    Faulted,
    Loaded,
    OutOfTurn,
    Selected,
    Setter,
    SimulatedListener,
    after,
    restored,
    rows_of,
    simulate_sitting,
    simulated_clock,
    start,
    view_of,
)

P = runpy.run_path(str(Path(__file__).parent / "plans.py"))
VALUES = {f"louder@{place / 2:g}": place / 2 for place in range(-12, 13)}
AT = datetime(2026, 3, 2, 12, 0, tzinfo=UTC)
OF = {"trial": 0, "attempt": 1}


def plan_of(trials=8, seed=0, sets="equal"):
    compared = ("clip", *VALUES) if sets == "equal" else tuple(VALUES)
    block = P["block"]("set", "adjustment", trials, numbers={"sets": sets})
    return P["make"](blocks=(block,), seed=seed, compared={"set": compared})


def in_trial(plan):
    sitting = start(plan, study=P["STUDY"], listener=P["LISTENER"])
    at_trial = P["walked"](sitting, to=lambda s: s.step == "trial")
    return after(at_trial, Loaded(at=AT, **OF))


def test_the_row_says_what_was_set_where_it_began_and_how_often_it_moved():
    sitting = in_trial(plan_of())
    for slot in ("A", "B"):
        sitting = after(sitting, Selected(slot=slot, at=AT, **OF))
    for offset in (1, 2, 1):
        sitting = after(sitting, Chosen(values={"offset": offset}, at=AT, **OF))
    sitting = after(sitting, Confirmed(values={"offset": 1}, at=AT, **OF))
    rows = {row["slot"]: row["response"] for row in rows_of(sitting.answers[0])}
    drawn = sitting.answers[0].drawn
    begun = drawn.slots[-1].condition
    above = drawn.ladder[drawn.ladder.index(begun) + 1]
    assert rows == {"offset": 1, "set": above, "start": begun, "moves": 3, "end": rows["end"]}
    assert VALUES[above] == VALUES[begun] + 0.5
    assert rows["end"] == ("more" if above == drawn.ladder[-1] else "")
    assert sitting.answers[0].kind == "adjust"
    assert sitting.answers[0].correct is None


def test_what_has_no_place_is_refused():
    before = P["walked"](start(plan_of(), study="s", listener="l"), to=lambda s: s.step == "trial")
    with pytest.raises(OutOfTurn, match="before the sounds of the trial were loaded"):
        after(before, Chosen(values={"offset": 1}, at=AT, **OF))
    sitting = in_trial(plan_of())
    with pytest.raises(OutOfTurn, match="whole number of steps"):
        after(sitting, Chosen(values={"offset": 0.5}, at=AT, **OF))
    with pytest.raises(OutOfTurn, match="confirmed before one was chosen"):
        after(sitting, Confirmed(at=AT, **OF))
    moved = after(sitting, Chosen(values={"offset": 1}, at=AT, **OF))
    with pytest.raises(OutOfTurn, match="not heard yet in this trial: A, B"):
        after(moved, Confirmed(values={"offset": 1}, at=AT, **OF))


def test_a_trial_offered_again_begins_where_it_began_under_new_names():
    sitting = after(in_trial(plan_of()), Chosen(values={"offset": 1}, at=AT, **OF))
    again = after(sitting, Faulted(kind="dropout", at=AT, **OF))
    shown, before = view_of(again).dial, view_of(sitting).dial
    assert (shown.offset, again.dial.moves, view_of(again).chosen) == (0, 0, None)
    assert not {one.token for one in shown.sounds} & {one.token for one in before.sounds}


def listened(point=0.75, pull=0.2, spread=0.6, seed=0, trials=40, sets="equal"):
    listener = SimulatedListener(pseudonym="L", setter=Setter(point=point, spread=spread, pull=pull, values=VALUES))
    rng = np.random.default_rng(seed)
    return simulate_sitting(plan_of(trials, seed, sets), listener, rng, simulated_clock(AT, rng), study=P["STUDY"])


@pytest.mark.parametrize("sets", ["equal", "preferred"])
def test_settings_of_simulated_listeners_scatter_about_their_point(sets):
    """Below and above are balanced, so the pull of the start cancels in the mean; it shows in their difference."""
    answers = [answer for seed in range(6) for answer in listened(seed=seed, sets=sets).answers]
    settings = np.array([VALUES[answer.values["set"]] for answer in answers])
    starts = np.array([VALUES[answer.values["start"]] for answer in answers])
    error = settings.std(ddof=1) / np.sqrt(len(settings))
    assert settings.mean() == pytest.approx(0.75, abs=4 * error)
    assert (starts > 0).sum() == (starts < 0).sum() == 120
    slope = np.polyfit(starts, settings, 1)[0]
    assert slope == pytest.approx(0.2, abs=4 * 0.6 / (starts.std() * np.sqrt(len(starts))))


def test_a_sitting_is_restored_from_its_rows_and_forged_ones_are_refused():
    done = listened(trials=6)
    rows = [row for answer in done.answers[:4] for row in rows_of(answer)]
    again = restored(done.plan, rows, study=P["STUDY"], listener="L")
    assert again.answers == done.answers[:4]
    assert again.trial == 4
    forged = [{**row, "response": "louder@6"} if row["slot"] == "set" and row["trial"] == 2 else row for row in rows]
    with pytest.raises(BlindtestError, match="trial 3: set is 'louder@6'"):
        restored(done.plan, forged, study=P["STUDY"], listener="L")
    far = [{**row, "response": 19} if row["slot"] == "offset" else row for row in rows]
    with pytest.raises(BlindtestError, match="the ladder has"):
        restored(done.plan, far, study=P["STUDY"], listener="L")


def test_the_trial_ahead_is_fetched_while_a_rest_lasts_and_not_beside_another_ladder():
    sitting = start(plan_of(), study="s", listener="l")
    assert len(view_of(sitting).next) == 21
    trial = in_trial(plan_of())
    assert view_of(trial).next == ()
    assert replace(trial, step="break").step == "break"
