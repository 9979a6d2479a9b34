"""Programmes that run on: the choice after its time, dwell by the times of events, what is stored and taken up again.

Dwell is held against sums made by hand from the times of the events.
"""

import os
import runpy
from datetime import timedelta
from pathlib import Path

import numpy as np
import pytest

from blindtest.design import exchanged, seal, verify_chain
from blindtest.errors import BlindtestError
from blindtest.session import (
    Chosen,
    Confirmed,
    Faulted,
    Left,
    Liking,
    Loaded,
    OutOfTurn,
    Paused,
    Resumed,
    Selected,
    SimulatedListener,
    after,
    restored,
    rows_of,
    simulate_sitting,
    simulated_clock,
    start,
    view_of,
)
from blindtest.session.store import Store

P = runpy.run_path(str(Path(__file__).parent / "plans.py"))
BLOCKS = (P["block"]("test", "free-listening", 4),)
OF = {"trial": 0, "attempt": 1}
SEAL = seal({"kind": "study", "claims": ["one"]}, bytes(32))


def at(seconds):
    return P["START"] + timedelta(seconds=seconds)


def begun(seed=0, blocks=BLOCKS):
    """Return a sitting at its first track, with its start slot and the other one."""
    sitting = P["walked"](
        start(P["make"](blocks, seed), study=P["STUDY"], listener=P["LISTENER"]), to=lambda one: one.step == "trial"
    )
    first = sitting.first_slot(0)
    return sitting, first, {"1": "2", "2": "1"}[first]


def went(sitting, *events):
    for event in events:
        sitting = after(sitting, event)
    return sitting


def heard(first, other):
    """The start slot from 0 to 10 s; the other to 25 s, with a pause of 100 s at 20 s; then the first again."""
    return (
        Loaded(**OF, at=at(0)),
        Selected(**OF, slot=first, at=at(0)),
        Selected(**OF, slot=other, at=at(10)),
        Paused(**OF, at=at(20)),
        Resumed(**OF, at=at(120)),
        Selected(**OF, slot=first, at=at(125)),
    )


def picked(sitting, first, other, *, confirmed=137.5, choice=None):
    values = {"choice": choice or first}
    return went(
        sitting, *heard(first, other), Chosen(**OF, values=values, at=at(130)),
        Confirmed(**OF, values=values, at=at(confirmed)),
    )  # fmt: skip


def test_dwell_is_counted_once_all_were_heard_and_without_pauses():
    sitting, first, other = begun()
    values = picked(sitting, first, other).answers[0].values
    assert values == {"choice": first, first: 12.5, other: 15.0, "start": first}


def test_the_slot_that_begins_is_drawn_and_no_other_can():
    sitting, first, other = begun()
    sitting = after(sitting, Loaded(**OF, at=at(0)))
    with pytest.raises(OutOfTurn, match=f"this programme begins with {first}"):
        after(sitting, Selected(**OF, slot=other, at=at(1)))
    starts = [P["make"](BLOCKS, seed).first_slot(0, ("1", "2")) for seed in range(400)]
    # 400 fair draws: within 4 standard errors of the binomial.
    assert starts.count("1") == pytest.approx(200, abs=4 * 10)


def test_what_begins_tells_nothing_of_what_it_holds():
    plans = [P["make"](BLOCKS, seed) for seed in range(400)]
    same = sum(
        plan.first_slot(0, ("1", "2")) == "1"
        for plan in plans
        if plan.trial(0).drawn.slots[0].condition == P["CONDITIONS"][0]
    )
    of = sum(plan.trial(0).drawn.slots[0].condition == P["CONDITIONS"][0] for plan in plans)
    assert same == pytest.approx(of / 2, abs=4 * np.sqrt(of) / 2)
    assert all(exchanged(plan).first_slot(0, ("1", "2")) == plan.first_slot(0, ("1", "2")) for plan in plans)


def test_a_choice_before_its_time_is_refused_and_can_be_made_later():
    sitting, first, other = begun()
    early = went(sitting, *heard(first, other), Chosen(**OF, values={"choice": first}, at=at(128)))
    with pytest.raises(OutOfTurn, match="the sounds have played for 28 s; the choice is offered after 30 s"):
        after(early, Confirmed(**OF, at=at(128)))
    assert after(early, Confirmed(**OF, at=at(130))).step == "onward"


def test_the_choice_has_its_consequence_until_it_is_skipped():
    sitting, first, other = begun()
    onward = picked(sitting, first, other)
    assert (onward.step, onward.trial, onward.selected) == ("onward", 0, first)
    shown = view_of(onward)
    assert (shown.chosen, shown.saved, shown.can_confirm) == ({"choice": first}, 1, False)
    for event in (
        Selected(**OF, slot=other, at=at(140)),
        Chosen(**OF, values={"choice": other}, at=at(140)),
        Confirmed(**OF, at=at(140)),
        Faulted(**OF, kind="dropout", at=at(140)),
    ):
        with pytest.raises(OutOfTurn):
            after(onward, event)
    left = went(onward, Paused(**OF, at=at(147.5)), Resumed(**OF, at=at(200)), Left(**OF, how="skipped", at=at(230.25)))
    assert (left.step, left.trial) == ("trial", 1)
    assert left.answers[0].values == {**onward.answers[0].values, "played": 40.25, "ended": "skipped"}
    assert rows_of(left.answers[0])[: len(rows_of(onward.answers[0]))] == rows_of(onward.answers[0]), "nothing changes"


def test_a_confirmation_sent_again_does_no_harm():
    sitting, first, other = begun()
    onward = picked(sitting, first, other)
    assert after(onward, Confirmed(**OF, values={"choice": first}, at=at(500))) is onward
    left = after(onward, Left(**OF, how="over", at=at(200)))
    assert after(left, Confirmed(**OF, values={"choice": first}, at=at(500))) is left


def test_a_track_that_is_over_without_a_choice_says_so():
    sitting, first, _ = begun()
    loaded = went(sitting, Loaded(**OF, at=at(0)), Selected(**OF, slot=first, at=at(0)))
    with pytest.raises(OutOfTurn, match="left before its choice"):
        after(loaded, Left(**OF, how="skipped", at=at(50)))
    over = after(loaded, Left(**OF, how="over", at=at(50)))
    assert over.answers[0].values == {"choice": "", "1": "", "2": "", "start": first, "played": "", "ended": "over"}
    assert (over.step, over.trial) == ("trial", 1)


def test_a_page_opened_anew_begins_the_track_again():
    sitting, first, other = begun()
    again = went(sitting, *heard(first, other), Loaded(**OF, at=at(300)))
    assert (again.heard, again.chosen, again.switches) == ((), None, 0)
    assert again.dwell.sounded_s == 0


def test_a_fault_offers_the_track_again_from_nothing():
    sitting, first, other = begun()
    again = went(sitting, *heard(first, other), Faulted(**OF, kind="dropout", at=at(130)))
    assert (again.attempt, again.heard, again.dwell.sounded_s) == (2, (), 0)


def test_a_clock_that_goes_back_takes_no_seconds_away():
    sitting, first, other = begun()
    sitting = went(sitting, *heard(first, other)[:3], Selected(**OF, slot=first, at=at(5)), Paused(**OF, at=at(8)))
    assert sitting.dwell.seconds == {other: 0.0, first: 3.0}


@pytest.mark.parametrize("rest", [True, False])
def test_it_is_taken_up_again_after_a_kill(rest):
    """Killed while the rest plays: the choice is on record, how the track went on is not, and the next one comes."""
    sitting, first, other = begun()
    onward = picked(sitting, first, other)
    left = after(onward, Left(**OF, how="skipped", at=at(200))) if rest else onward
    again = restored(sitting.plan, rows_of(left.answers[0]), study=P["STUDY"], listener=P["LISTENER"])
    assert again.answers == left.answers
    assert (again.trial, again.step) == (1, "ready")


def test_rows_of_another_form_are_refused():
    sitting, first, other = begun()
    rows = rows_of(picked(sitting, first, other).answers[0])
    with pytest.raises(BlindtestError, match="trial 1 has the values 1, 2, choice"):
        restored(sitting.plan, rows[:-1], study=P["STUDY"], listener=P["LISTENER"])


def test_simulated_listeners_choose_and_dwell_as_they_are_told():
    """A preference of 2 to 1 (utilities log 2 apart): 2/3 of choices, and of the dwell, within 4 standard errors."""
    liking = Liking(utility={P["CONDITIONS"][0]: float(np.log(2)), P["CONDITIONS"][1]: 0.0})
    rng = np.random.default_rng(5)
    made = P["make"]((P["block"]("test", "free-listening", 400),))
    sitting = simulate_sitting(
        made, SimulatedListener(pseudonym="L1", liking=liking), rng, simulated_clock(P["START"], rng, 0.2)
    )
    assert sitting.step == "finished"
    chosen, shares, ended = [], [], []
    for answer in sitting.answers:
        truth = {slot.name: slot.condition for slot in answer.drawn.slots}
        chosen.append(truth[answer.values["choice"]] == P["CONDITIONS"][0])
        of = {truth[name]: answer.values[name] for name in truth}
        shares.append(of[P["CONDITIONS"][0]] / sum(of.values()))
        ended.append((answer.values["ended"], answer.values["played"]))
    assert np.mean(chosen) == pytest.approx(2 / 3, abs=4 * np.sqrt(2 / 9 / 400))
    assert np.mean(shares) == pytest.approx(2 / 3, abs=0.05)
    # Exponential with a mean of 120 s, cut at 240 s: exp(-2) of the tracks run to their end.
    over = np.mean([how == "over" for how, _ in ended])
    assert over == pytest.approx(np.exp(-2), abs=4 * np.sqrt(np.exp(-2) * (1 - np.exp(-2)) / 400))
    assert all(played < 242 for _, played in ended)


def test_what_is_measured_later_joins_the_chain_and_changes_nothing_before(tmp_path):
    made = P["make"](BLOCKS, study_seal=SEAL.commitment)
    sitting = P["walked"](start(made, study=P["STUDY"], listener=P["LISTENER"]), to=lambda one: one.step == "onward")
    early = rows_of(sitting.answers[0])
    whole = rows_of(after(sitting, Left(**OF, how="over", at=at(500))).answers[0])
    other = rows_of(after(sitting, Left(**OF, how="skipped", at=at(400))).answers[0])
    with Store(tmp_path / "study.db", entropy=os.urandom) as store:
        store.add_seal(SEAL, kind="study", created=P["START"])
        store.add_sitting(
            made.sealed, study_seal=SEAL.commitment, listener="L-3c", created=P["START"], deadline=P["DEADLINE"]
        )
        first = store.append(1, early)
        assert store.append(1, early) == first
        last = store.append(1, whole)
        assert last.position == first.position + 2
        assert store.append(1, whole) == last, "sent again"
        for refused in (other, [{**row, "attempt": 2} for row in whole], early):
            with pytest.raises(BlindtestError, match="is recorded already"):
                store.append(1, refused)
        assert store.rows(1) == tuple(whole)
        assert verify_chain(made.commitment, store.chain(1)).ok
