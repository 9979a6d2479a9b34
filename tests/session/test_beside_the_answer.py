"""What comes with an answer: how sure it is, remarks, and rests by the clock.

Rules from outside: WCAG 2.2, 2.2.1 (nothing runs out: a rest is offered, never ended by the clock); else our own.
"""

import json
import runpy
from datetime import timedelta
from pathlib import Path

import pytest

from blindtest.design import plan_from_record
from blindtest.session import (
    Chosen,
    Commented,
    Confirmed,
    Continued,
    Faulted,
    LevelSet,
    OutOfTurn,
    after,
    event_from_dict,
    event_to_dict,
    restored,
    rows_of,
    start,
    view_of,
)

P = runpy.run_path(str(Path(__file__).parent / "plans.py"))
START, walked, next_events = P["START"], P["walked"], P["next_events"]


def begun(**block):
    plan = P["make"](blocks=(P["block"]("test", "abx", 4, **block),))
    return start(plan, study=P["STUDY"], listener=P["LISTENER"])


def at_trial(number, **block):
    return walked(begun(**block), lambda sitting: sitting.step == "trial" and sitting.trial == number)


def chosen(sitting, **more):
    of = {"trial": sitting.trial, "attempt": sitting.attempt}
    for event in next_events(sitting, START)[:-1]:
        if not isinstance(event, Chosen | Commented):
            sitting = after(sitting, event)
    return after(sitting, Chosen(**of, values={"choice": "A"}, at=START, **more))


# how sure


def test_an_answer_waits_until_it_is_said_how_sure_it_is():
    sitting = chosen(at_trial(0, confidence=True))
    assert view_of(sitting).message == "Say how sure you are."
    assert not view_of(sitting).can_confirm
    with pytest.raises(OutOfTurn, match="how sure the answer is was not said"):
        after(sitting, Confirmed(trial=0, attempt=1, at=START))
    sure = after(sitting, Chosen(trial=0, attempt=1, values={"choice": "A"}, confidence=3, at=START))
    assert view_of(sure).can_confirm
    done = after(sure, Confirmed(trial=0, attempt=1, at=START))
    assert [row["confidence"] for row in rows_of(done.answers[0])] == [3]
    again = restored(done.plan, rows_of(done.answers[0]), study=P["STUDY"], listener=P["LISTENER"])
    assert again.answers == done.answers


@pytest.mark.parametrize("value", [0, 5, 2.5, -1, float("nan")])
def test_a_confidence_that_is_no_level_is_refused(value):
    with pytest.raises(OutOfTurn, match=r"confidence is 1 \.\.\. 4"):
        chosen(at_trial(0, confidence=True), confidence=value)


def test_a_confidence_that_nobody_asked_for_is_refused():
    with pytest.raises(OutOfTurn, match="does not ask how sure"):
        chosen(at_trial(0), confidence=2)


def test_levels_are_shown_alike_in_every_trial_and_only_where_they_are_asked_for():
    seen = []
    walked(begun(confidence=True), lambda s: s.step == "trial" and not s.chosen and seen.append(view_of(s).sure))
    assert {(sure.prompt, sure.options, sure.said) for sure in seen} == {
        ("How sure are you of it?", ((1, "A guess"), (2, "Unsure"), (3, "Fairly sure"), (4, "Certain")), None)
    }
    assert view_of(at_trial(0)).sure is None


# remarks


def test_a_remark_stays_with_its_trial_and_out_of_its_answer():
    sitting = after(chosen(at_trial(1, comments=True)), Commented(trial=1, attempt=1, text="It rang.", at=START))
    assert view_of(sitting).remark.text == "It rang."
    stumbled = after(sitting, Faulted(trial=1, attempt=1, kind="dropout", at=START))
    assert (stumbled.attempt, view_of(stumbled).remark.text) == (2, "It rang."), "words outlive a stumble of the sound"
    done = after(sitting, Confirmed(trial=1, attempt=1, at=START))
    assert view_of(done).remark.text == ""
    assert "rang" not in json.dumps(rows_of(done.answers[1]))


def test_a_remark_on_the_trial_in_hand_comes_back_after_a_kill():
    sitting = at_trial(1, comments=True)
    rows = [row for answer in sitting.answers for row in rows_of(answer)]
    texts = ("It rang.", "It rang a little.")
    stored = [LevelSet(gain_db=-20.0, at=START)]
    stored += [event_from_dict(event_to_dict(Commented(trial=1, attempt=1, text=text, at=START))) for text in texts]
    stored.append(Commented(trial=0, attempt=1, text="an earlier trial's", at=START))
    again = restored(sitting.plan, rows, study=P["STUDY"], listener=P["LISTENER"], events=stored)
    assert again.comment == "It rang a little."


def test_remarks_are_refused_where_none_are_taken_and_where_they_are_too_long():
    with pytest.raises(OutOfTurn, match="takes no remarks"):
        after(at_trial(0), Commented(trial=0, attempt=1, text="x", at=START))
    for text in ("x" * 1001, 7, "\ud800"):
        with pytest.raises(Exception, match="at most 1000 characters"):
            event_from_dict({"event": "commented", "trial": 0, "attempt": 1, "text": text}, at=START)


# rests


def test_a_rest_is_offered_at_the_next_trial_once_the_time_is_over_and_counts_from_the_end_of_the_last():
    sitting, at, rests = begun(break_after_min=10), START, []
    while not sitting.over:
        for event in next_events(sitting, at):
            sitting = after(sitting, event)
        if sitting.step == "break":
            rests.append((sitting.trial, at - START))
            # However long the rest is, it is not counted.
            at += timedelta(hours=2)
            sitting = after(sitting, Continued(trial=sitting.trial, at=at))
        at += timedelta(minutes=4)
    # Steps: 0 begins, 4 level, 8 first answer, 12 second: from the level's 4 min on, 12 is 8 and the next, 16, is 12.
    assert rests == [(3, timedelta(minutes=16))]
    assert max(answer.time_taken_s for answer in sitting.answers) < 60


def test_no_rest_by_the_clock_within_a_trial_nor_where_the_clock_went_back():
    sitting = chosen(at_trial(0, break_after_min=10))
    late = START + timedelta(hours=3)
    assert after(sitting, Chosen(trial=0, attempt=1, values={"choice": "B"}, at=late)).step == "trial"
    assert after(sitting, Confirmed(trial=0, attempt=1, at=late)).step == "break"
    assert after(sitting, Confirmed(trial=0, attempt=1, at=START - timedelta(hours=3))).step == "trial"


def test_who_comes_back_after_a_kill_has_rested():
    sitting = at_trial(2, break_after_min=10)
    rows = [row for answer in sitting.answers for row in rows_of(answer)]
    level = [LevelSet(gain_db=-20.0, at=START)]
    again = restored(sitting.plan, rows, study=P["STUDY"], listener=P["LISTENER"], events=level)
    late = START + timedelta(days=1)
    for minutes, step in ((9, "trial"), (11, "break")):
        going = again
        for event in next_events(going, late):
            if isinstance(event, Confirmed):
                event = Confirmed(trial=2, attempt=1, at=late + timedelta(minutes=minutes))
            going = after(going, event)
        assert going.step == step


# plans


def test_a_plan_without_them_is_recorded_as_before_and_with_them_drawn_again():
    plain = P["make"](blocks=(P["block"]("test", "abx", 4),))
    (block,) = plain.record["protocol"]["blocks"]
    assert not {"confidence", "comments", "break_after_min", "controls"} & set(block)
    full = P["make"](blocks=(P["block"]("test", "abx", 4, confidence=True, comments=True, break_after_min=20.0),))
    (block,) = full.record["protocol"]["blocks"]
    assert (block["confidence"], block["comments"], block["break_after_min"]) == (True, True, 20.0)
    again = plan_from_record(full.record, full.nonce, expected=full.commitment, methods=P["METHODS_WITH_TOYS"])
    assert again.protocol == full.protocol
    assert [again.trial(n).drawn for n in range(4)] == [plain.trial(n).drawn for n in range(4)], "draws don't change"
