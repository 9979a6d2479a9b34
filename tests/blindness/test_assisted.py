"""Nobody in an assisted sitting learns more than they must: the listener nothing of units, the operator of answers.

Two sittings run side by side, the same plan and the same with another truth in every trial; the operator is quick at
one unit and slow at the others. Not one byte of the listener's may change, nor any time at which a sound may begin. And
where only the answers differ, not one byte of the operator's.
"""

import importlib.util
import json
from pathlib import Path

import pytest

from blindtest.design import exchanged

SPEC = importlib.util.spec_from_file_location("assisted_sitting", Path(__file__).parents[1] / "assisted_sitting.py")
ASSISTED = importlib.util.module_from_spec(SPEC)
SPEC.loader.exec_module(ASSISTED)
LONG = ("preference", "ties", "single", "attribute", "small-impairment")
PARTS = ("abx", "rating", "multi-stimulus", *(pytest.param(part, marks=pytest.mark.long) for part in LONG))
WAV_HEADER = 44


def seconds_for(place):
    """How long the operator takes: far longer for some units than for others, but within the time that is waited."""
    return {"input 1": 1.0, "input 2": 9.5}.get(place, 4.0)


def sit(toy, made, answers="AB", took_s=seconds_for):
    sat = ASSISTED.Sat(toy, made, took_s=took_s)
    view = sat.to_first_trial()
    waits = []
    while view["step"] != "finished":
        for slot in view["slots"]:
            sat.listener.get(f"/sound/{slot['token']}")
        waits.append(sat.trial(view, answers[view["trial"] % len(answers)]))
        before, view = view, sat.listener.view()
        assert view["saved"] == before["saved"] + 1
    return sat, waits


def shown(sent):
    """Return a response as compared: sound without its samples."""
    wav = sent.header("content-type") == "audio/wav"
    return sent.asked, sent.status, sent.headers, (sent.body[:WAV_HEADER], len(sent.body)) if wav else sent.body


@pytest.mark.parametrize("part", PARTS)
def test_exchanging_the_truth_changes_nothing_of_the_listeners(toy, part):
    made = toy.plan_of({part: 2}, nonce=bytes(range(9, 41)))
    (one, waits), (other, exchanged_waits) = (sit(toy, each) for each in (made, exchanged(made)))
    assert len(one.listener.sent) > 20
    assert [shown(sent) for sent in one.listener.sent] == [shown(sent) for sent in other.listener.sent]
    # Every sound begins after the same time, however long its unit took and whatever was connected before.
    assert waits == exchanged_waits
    assert {wait for trial in waits for wait in trial} == {ASSISTED.SWITCH_S}
    # The comparison is not empty: other units were connected.
    assert one.made != other.made
    for sent in one.listener.sent:
        assert b"input" not in sent.body or sent.asked.startswith("GET /static") or sent.asked == "GET /", sent.asked


@pytest.mark.parametrize(("part", "options"), [("abx", ("A", "B")), ("preference", ("1", "2"))])
def test_the_operator_learns_units_and_counts_and_nothing_of_answers_or_sounds(toy, part, options):
    made = toy.plan_of({part: 3}, nonce=bytes(range(9, 41)))
    (one, _), (other, _) = (sit(toy, made, answers=answers) for answers in options)
    assert [row["response"] for row in one.record.rows] != [row["response"] for row in other.record.rows]
    assert [shown(sent) for sent in one.operator.sent] == [shown(sent) for sent in other.operator.sent]
    keys = {"state", "number", "connect", "trial", "of", "made"}
    places = {*ASSISTED.PLACES.values(), ""}
    for sent in one.operator.sent:
        held = json.loads(sent.body)
        if set(held) != {"entered"}:
            assert set(held) == keys
            assert held["connect"] in places


def test_a_connection_that_takes_too_long_is_waited_for_in_whole_steps(toy):
    made = toy.plan_of({"abx": 2}, nonce=bytes(range(9, 41)))
    _, waits = sit(toy, made, took_s=lambda place: 10.5 if place == "input 2" else 19.0)
    assert {wait for trial in waits for wait in trial} == {2 * ASSISTED.SWITCH_S}


def test_the_test_would_see_a_wait_that_tells(toy, monkeypatch):
    """Were a sound allowed as soon as it is connected, the wait would tell the unit: the check can fail."""
    from blindtest.session import Switching

    monkeypatch.setattr(Switching, "ready", lambda self, at, switch_s: self.connected_at is not None)
    made = toy.plan_of({"abx": 2}, nonce=bytes(range(9, 41)))
    (_, waits), (_, others) = (sit(toy, each) for each in (made, exchanged(made)))
    assert waits != others
