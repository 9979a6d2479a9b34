"""The sitting: no sequence of events skips a trial, records it twice, changes a confirmed answer or tells the truth."""

import json
import runpy
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path

import pytest
from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, precondition, rule

from blindtest.design import canonical, exchanged
from blindtest.errors import BlindtestError
from blindtest.session import (
    COLUMNS,
    FAULT_KINDS,
    Abandoned,
    Began,
    Chosen,
    Confirmed,
    Continued,
    Faulted,
    LevelSet,
    Loaded,
    OutOfTurn,
    Selected,
    Unchosen,
    after,
    event_from_dict,
    event_to_dict,
    offers,
    restored,
    rows_of,
    start,
    view_of,
)

P = runpy.run_path(str(Path(__file__).parent / "plans.py"))
make, walked, next_events, some_values = P["make"], P["walked"], P["next_events"], P["some_values"]
START, DEADLINE = P["START"], P["DEADLINE"]


def begun(**more):
    return start(make(**more), study=P["STUDY"], listener=P["LISTENER"])


def at_trial(number, **more):
    return walked(begun(**more), lambda sitting: sitting.step == "trial" and sitting.trial == number)


def heard(sitting, *, at=START):
    for event in next_events(sitting, at)[: 1 + len(sitting.slot_names(sitting.trial))]:
        sitting = after(sitting, event)
    return sitting


def test_a_whole_sitting_goes_through_its_steps():
    steps, sitting = [], begun()
    walked(sitting, lambda s: steps.append(s.step) if not steps or steps[-1] != s.step else None)
    assert steps == ["ready", "level", "trial", "feedback", "trial", "feedback", "trial", "break", "trial", "finished"]


def test_every_method_of_the_contract_runs():
    """ABX, three ratings in three slots, and a method whose draws depend on outcomes; trial by trial as planned."""
    sitting = walked(begun(blocks=P["ALL_BLOCKS"]))
    assert sitting.step == "finished"
    assert [a.method for a in sitting.answers] == ["abx"] * 4 + ["toy-rating"] * 2 + ["toy-adaptive"] * 5
    rows = [row for answer in sitting.answers for row in rows_of(answer)]
    assert len(rows) == 4 + 2 * 3 + 5
    keys = [(row["sitting"], row["trial"], row["attempt"], row["slot"]) for row in rows]
    assert len(set(keys)) == len(keys)
    assert [row["slot"] for row in rows if row["method"] == "toy-rating"] == ["1", "2", "3"] * 2
    for row in rows:
        # A label stands only in rows of trials whose names may be wrong.
        assert tuple(row) == tuple(column for column in COLUMNS if column != "label")
        assert json.loads(canonical(row)) == row
        assert (row["correct"] is None) == (row["method"] == "toy-rating")


def test_a_rated_slot_says_what_sounded_in_it():
    sitting = walked(begun(blocks=P["ALL_BLOCKS"]))
    for answer in sitting.answers:
        truth = {slot.name: slot.condition for slot in answer.drawn.slots}
        for row in rows_of(answer):
            assert row["condition"] == truth.get(row["slot"])
            assert row["order"] == "|".join(f"{name}={condition}" for name, condition in truth.items())


def test_an_adaptive_trial_is_drawn_from_the_outcomes_of_its_block():
    """Wrong answers so far decide which condition is odd in the toy method: counted by hand from the answers."""
    seen = set()
    for seed in range(6):
        sitting = walked(begun(blocks=P["ALL_BLOCKS"], seed=seed), pick=seed)
        for name in ("climb-practice", "climb"):
            wrong = 0
            for answer in (a for a in sitting.answers if a.block == name):
                odd = next(slot.condition for slot in answer.drawn.slots if slot.role == "odd")
                assert odd == P["CONDITIONS"][(wrong + 1) % 2]
                wrong += not answer.correct
                seen.add(wrong)
    assert {1, 2} <= seen  # both directions were really walked


def test_an_adaptive_trial_can_not_be_known_ahead():
    sitting = at_trial(8, blocks=P["ALL_BLOCKS"])
    with pytest.raises(ValueError, match="depends on answers"):
        sitting.planned(10)
    assert view_of(sitting).next == ()
    assert {offer.trial for offer in offers(sitting)} == {8}


def test_the_programme_for_the_level_may_be_fetched_from_the_door_to_the_level_and_no_longer():
    """A page at the level fetches it also where the server was started again since: the sitting is at its door then."""
    ready = begun()
    level = after(ready, Began(at=START))
    token = view_of(level).level
    assert [token in {offer.token for offer in offers(one)} for one in (ready, level, at_trial(0))] == [
        True, True, False,
    ]  # fmt: skip
    # Nothing of it is told before: a listener is asked to begin first.
    assert view_of(ready).level is None


def test_nothing_is_confirmed_before_each_slot_was_heard():
    sitting = at_trial(0)
    sitting = after(sitting, Loaded(trial=0, attempt=1, at=START))
    sitting = after(sitting, Selected(trial=0, attempt=1, slot="X", at=START))
    sitting = after(sitting, Chosen(trial=0, attempt=1, values={"choice": "A"}, at=START))
    assert not view_of(sitting).can_confirm
    with pytest.raises(OutOfTurn, match="not heard yet in this trial: A, B; listen to each at least once"):
        after(sitting, Confirmed(trial=0, attempt=1, at=START))


def test_a_slot_must_be_loaded_before_it_is_selected():
    with pytest.raises(OutOfTurn, match="before the sounds of the trial were loaded"):
        after(at_trial(0), Selected(trial=0, attempt=1, slot="A", at=START))


def test_a_choice_can_be_changed_and_taken_back_until_it_is_confirmed():
    sitting = heard(at_trial(0))
    sitting = after(sitting, Chosen(trial=0, attempt=1, values={"choice": "A"}, at=START))
    sitting = after(sitting, Unchosen(trial=0, attempt=1, at=START))
    assert view_of(sitting).chosen is None
    with pytest.raises(OutOfTurn, match="before one was chosen; choose an answer first"):
        after(sitting, Confirmed(trial=0, attempt=1, at=START))
    sitting = after(sitting, Chosen(trial=0, attempt=1, values={"choice": "B"}, at=START))
    sitting = after(sitting, Confirmed(trial=0, attempt=1, at=START))
    assert sitting.answers[0].values == {"choice": "B"}
    with pytest.raises(OutOfTurn, match="step 'feedback'"):
        after(sitting, Chosen(trial=0, attempt=1, values={"choice": "A"}, at=START))


def test_a_confirmation_sent_again_is_harmless_and_another_one_is_refused():
    sitting = walked(begun(), lambda s: len(s.answers) == 1)
    values = dict(sitting.answers[0].values)
    other = {"choice": "B" if values["choice"] == "A" else "A"}
    assert after(sitting, Confirmed(trial=0, attempt=1, values=values, at=START)) is sitting
    for stale in (other, None):
        with pytest.raises(OutOfTurn, match="nothing was recorded twice"):
            after(sitting, Confirmed(trial=0, attempt=1, values=stale, at=START))


def test_what_is_confirmed_is_what_was_chosen():
    sitting = after(heard(at_trial(0)), Chosen(trial=0, attempt=1, values={"choice": "A"}, at=START))
    with pytest.raises(OutOfTurn, match="the answer confirmed is not the one chosen"):
        after(sitting, Confirmed(trial=0, attempt=1, values={"choice": "B"}, at=START))


@pytest.mark.parametrize(("trial", "attempt"), [(0, 1), (2, 1), (1, 2), (1, 0)])
def test_events_of_a_second_tab_change_nothing(trial, attempt):
    sitting = heard(at_trial(1))
    for event in (
        Loaded(trial=trial, attempt=attempt, at=START),
        Selected(trial=trial, attempt=attempt, slot="A", at=START),
        Chosen(trial=trial, attempt=attempt, values={"choice": "A"}, at=START),
        Unchosen(trial=trial, attempt=attempt, at=START),
        Confirmed(trial=trial, attempt=attempt, at=START),
        Faulted(trial=trial, attempt=attempt, kind="dropout", at=START),
    ):
        with pytest.raises(
            OutOfTurn, match=rf"of trial {trial + 1}, attempt {attempt} .* at trial 2, attempt 1; reload"
        ):
            after(sitting, event)


def test_a_double_click_does_not_skip_the_break():
    sitting = walked(
        begun(blocks=(P["block"]("p", "abx", 4, "practice", feedback=True, break_after=2),)),
        lambda s: s.step == "feedback" and s.trial == 1,
    )
    rest = after(sitting, Continued(trial=1, at=START))
    assert (rest.step, rest.trial) == ("break", 2)
    with pytest.raises(OutOfTurn, match="'continued' of trial 2 came while the sitting is at 3"):
        after(rest, Continued(trial=1, at=START))


def test_a_fault_offers_the_trial_again_under_other_tokens_and_is_recorded():
    sitting = after(heard(at_trial(2)), Faulted(trial=2, attempt=1, kind="hidden", at=START))
    assert sitting.attempt == 1
    again = after(sitting, Faulted(trial=2, attempt=1, kind="dropout", at=START))
    assert (again.step, again.trial, again.attempt, again.heard, again.chosen) == ("trial", 2, 2, (), None)
    assert again.planned(2) == sitting.planned(2)
    before, now = ({slot.token for slot in view_of(s).slots} for s in (sitting, again))
    assert not before & now
    done = walked(again, lambda s: len(s.answers) == 3)
    (row,) = rows_of(done.answers[2])
    assert (row["attempt"], row["faults"]) == (2, "hidden|dropout")


def test_an_unknown_fault_is_refused_with_a_hint():
    with pytest.raises(BlindtestError, match=r"unknown kind of fault, got 'dropuot' .*did you mean 'dropout'\?"):
        after(at_trial(0), Faulted(trial=0, attempt=1, kind="dropuot", at=START))


def test_switches_and_times_are_recorded():
    sitting = after(at_trial(0), Loaded(trial=0, attempt=1, at=START))
    for slot in "AABXX":
        sitting = after(sitting, Selected(trial=0, attempt=1, slot=slot, at=START))
    sitting = after(sitting, Chosen(trial=0, attempt=1, values={"choice": "A"}, at=START))
    sitting = after(sitting, Confirmed(trial=0, attempt=1, at=START + timedelta(seconds=12.3456)))
    (row,) = rows_of(sitting.answers[0])
    assert (row["switches"], row["time_taken_s"], row["confidence"]) == (4, 12.345, None)
    assert (row["shown_at"], row["answered_at"]) == ("2026-03-02T12:00:00.000+00:00", "2026-03-02T12:00:12.345+00:00")


def test_a_clock_set_back_gives_no_negative_time():
    sitting = after(heard(at_trial(0)), Chosen(trial=0, attempt=1, values={"choice": "A"}, at=START))
    sitting = after(sitting, Confirmed(trial=0, attempt=1, at=START - timedelta(hours=1)))
    assert sitting.answers[0].time_taken_s == 0


@pytest.mark.parametrize("gain", [0.5, -81.0, float("nan"), float("-inf")])
def test_a_level_out_of_range_is_refused(gain):
    level = after(begun(), Began(at=START))
    with pytest.raises(BlindtestError, match="gain_db: the level can't be set so"):
        after(level, LevelSet(gain_db=gain, at=START))


@pytest.mark.parametrize(
    ("values", "words"),
    [
        ({}, "got none"),
        ({"other": "A"}, "an answer has the values choice, got other"),
        ({"choice": "C"}, "the answer must be A or B"),
        ({"choice": float("nan")}, "texts or finite numbers"),
        ({"choice": True}, "texts or finite numbers"),
    ],
)
def test_an_answer_that_is_none_is_refused(values, words):
    with pytest.raises(OutOfTurn, match=words):
        after(heard(at_trial(0)), Chosen(trial=0, attempt=1, values=values, at=START))


def test_ratings_may_be_chosen_one_by_one_but_are_confirmed_together():
    sitting = heard(at_trial(4, blocks=P["ALL_BLOCKS"]))
    sitting = after(sitting, Chosen(trial=4, attempt=1, values={"2": 39}, at=START))
    sitting = after(sitting, Chosen(trial=4, attempt=1, values={"3": 7}, at=START))
    sitting = after(sitting, Chosen(trial=4, attempt=1, values={"2": 40}, at=START))
    assert dict(view_of(sitting).chosen) == {"2": 40, "3": 7}
    assert not view_of(sitting).can_confirm
    assert view_of(sitting).message == "Rate each of them."
    for wrong in ({"1": 101}, {"1": "high"}, {"1": -0.5}):
        with pytest.raises(OutOfTurn, match=r"ratings are 0 \.\.\. 100"):
            after(sitting, Chosen(trial=4, attempt=1, values=wrong, at=START))
    with pytest.raises(OutOfTurn, match="rate each of them; complete the answer"):
        after(sitting, Confirmed(trial=4, attempt=1, at=START))
    with pytest.raises(OutOfTurn, match=r"ratings are 0 \.\.\. 100"):
        after(sitting, Chosen(trial=4, attempt=1, values={"1": 1, "2": 40, "3": 101}, at=START))
    sitting = after(sitting, Chosen(trial=4, attempt=1, values={"1": 1}, at=START))
    assert view_of(sitting).can_confirm
    sitting = after(sitting, Confirmed(trial=4, attempt=1, values={"3": 7, "2": 40, "1": 1}, at=START))
    assert [(row["slot"], row["response"]) for row in rows_of(sitting.answers[4])] == [("1", 1), ("2", 40), ("3", 7)]


def test_after_the_deadline_nothing_is_answered():
    sitting = heard(at_trial(0))
    late = DEADLINE + timedelta(seconds=1)
    with pytest.raises(OutOfTurn, match="the deadline of this sitting passed at 2026-03-09"):
        after(sitting, Chosen(trial=0, attempt=1, values={"choice": "A"}, at=late))
    assert after(sitting, Abandoned(reason="late", at=late)).step == "abandoned"


def test_an_abandoned_sitting_stays_so():
    left = after(at_trial(1), Abandoned(reason="tired", at=START))
    with pytest.raises(OutOfTurn, match="the sitting is abandoned"):
        after(left, Loaded(trial=1, attempt=1, at=START))


def test_a_time_without_zone_is_a_mistake_of_the_caller():
    with pytest.raises(ValueError, match="times carry their zone"):
        after(begun(), Began(at=datetime(2026, 3, 2)))


def test_a_sitting_of_all_phases_records_a_row_for_every_rated_slot():
    sitting = walked(begun(blocks=P["SURVIVAL_BLOCKS"]))
    assert sitting.step == "finished"
    rows = [row for answer in sitting.answers for row in rows_of(answer)]
    assert [row["block"] for row in rows] == (
        ["worn"] * 4 + ["try"] * 2 + ["blind"] * 6 + ["one-blind"] * 4 + ["which"] * 2 + ["labelled"] * 4
        + ["one-labelled"] * 2
    )  # fmt: skip
    assert {row["phase"] for row in rows} == {"worn", "practice", "blind", "labelled"}
    for answer in sitting.answers:
        truth = {slot.name: slot.condition for slot in answer.drawn.slots}
        for row in rows_of(answer):
            if answer.kind == "rate":
                assert (row["condition"], row["response"], row["correct"]) == (
                    truth[row["slot"]], answer.values[row["slot"]], None,
                )  # fmt: skip
            else:
                # Options are numbered in the order in which the block compares, so that the choice can be read.
                picked = row["conditions"].split("|")[int(row["response"]) - 1]
                assert row["correct"] == (picked == truth["?"])


def test_a_block_compares_its_own_conditions_and_says_so():
    only = ("plover-k2",)
    sitting = walked(begun(blocks=P["SURVIVAL_BLOCKS"], compared={"one-blind": only}))
    rows = [row for answer in sitting.answers for row in rows_of(answer)]
    assert {row["conditions"] for row in rows if row["block"] == "one-blind"} == {"plover-k2"}
    assert {row["condition"] for row in rows if row["block"] == "one-blind"} == set(only)
    assert {row["conditions"] for row in rows if row["block"] == "blind"} == {"heron-k1|plover-k2"}


WORN = (P["block"]("worn", "rating", 3, "worn", break_after=2),)


def test_with_the_real_unit_nothing_is_set_loaded_or_heard():
    sitting = after(begun(blocks=WORN), Began(at=START))
    assert (sitting.step, sitting.trial) == ("trial", 0)
    view = view_of(sitting)
    assert (view.loaded, view.level, view.next, view.can_confirm) == (True, None, (), False)
    assert [slot.token for slot in view.slots] == ["", ""]
    assert view.message == "Choose your answer."
    assert offers(sitting) == ()
    later = START + timedelta(seconds=30)
    sitting = after(sitting, Chosen(trial=0, attempt=1, values={"1": 60, "2": 20.5}, at=later))
    assert view_of(sitting).can_confirm
    sitting = after(sitting, Confirmed(trial=0, attempt=1, at=later))
    one, two = rows_of(sitting.answers[0])
    assert (one["shown_at"], one["time_taken_s"], one["switches"]) == ("2026-03-02T12:00:00.000+00:00", 30, 0)
    assert (one["response"], two["response"]) == (60, 20.5)
    assert (sitting.step, sitting.trial, sitting.loaded_at) == ("trial", 1, later)


def test_pointing_at_a_slot_without_sound_is_no_listening():
    sitting = after(begun(blocks=WORN), Began(at=START))
    for slot in ("1", "2", "1"):
        sitting = after(sitting, Selected(trial=0, attempt=1, slot=slot, at=START))
    assert (sitting.selected, sitting.heard, sitting.switches) == ("1", (), 0)


def test_a_sitting_that_also_sounds_has_a_level_to_set():
    blocks = (*WORN, P["block"]("blind", "rating", 1))
    sitting = after(begun(blocks=blocks), Began(at=START))
    assert (sitting.step, view_of(sitting).slots) == ("level", ())
    assert {offer.slot for offer in offers(sitting)} == {"level"}  # nothing of the first trial: it does not sound
    last_worn = walked(sitting, lambda s: s.step == "trial" and s.trial == 2)
    assert {offer.trial for offer in offers(last_worn)} == {3}
    assert set(view_of(last_worn).next) == {offer.token for offer in offers(last_worn)}


def test_a_killed_sitting_with_the_real_unit_goes_on():
    whole = walked(begun(blocks=WORN))
    kept = [row for answer in whole.answers[:2] for row in rows_of(answer)]
    again = restored(whole.plan, kept, study=P["STUDY"], listener=P["LISTENER"])
    assert (again.step, again.trial, again.answers) == ("ready", 2, whole.answers[:2])
    assert walked(again).step == "finished"
    mixed = begun(blocks=(*WORN, P["block"]("blind", "rating", 1)))
    events = [LevelSet(gain_db=-20.0, at=START)]
    again = restored(mixed.plan, (), study=P["STUDY"], listener=P["LISTENER"], events=events)
    assert (again.step, again.loaded_at, view_of(again).loaded) == ("trial", None, True)
    # When the trial came up is lost with the process: the time runs from the first choice.
    chosen = after(again, Chosen(trial=0, attempt=1, values={"1": 1}, at=DEADLINE))
    chosen = after(chosen, Chosen(trial=0, attempt=1, values={"2": 2}, at=DEADLINE))
    (answer,) = after(chosen, Confirmed(trial=0, attempt=1, at=DEADLINE)).answers
    assert (answer.shown_at, answer.time_taken_s, dict(answer.values)) == (DEADLINE, 0, {"1": 1, "2": 2})


def test_a_rated_slot_that_changed_its_condition_is_found():
    whole = walked(begun(blocks=WORN))
    one, two = rows_of(whole.answers[0])
    swapped = [{**one, "condition": two["condition"]}, {**two, "condition": one["condition"]}]
    with pytest.raises(BlindtestError, match="do not belong to its plan: trial 1: condition is"):
        restored(whole.plan, swapped, study=P["STUDY"], listener=P["LISTENER"])


def test_a_killed_process_resumes_at_the_first_trial_without_answer():
    whole = walked(begun(blocks=P["ALL_BLOCKS"]))
    rows = [row for answer in whole.answers for row in rows_of(answer)]
    for answered in range(len(whole.answers) + 1):
        kept = [row for row in rows if row["trial"] < answered]
        stored = [json.loads(canonical(row)) for row in reversed(kept)]
        again = restored(whole.plan, stored, study=P["STUDY"], listener=P["LISTENER"])
        assert again.answers == whole.answers[:answered]
        assert again.trial == answered
        assert again.step == ("ready" if answered < len(whole.answers) else "finished")
        assert walked(again).answers[:answered] == whole.answers[:answered]


def test_stored_events_bring_level_attempt_and_faults_back():
    sitting = after(heard(at_trial(2)), Faulted(trial=2, attempt=1, kind="dropout", at=START))
    rows = [row for answer in sitting.answers for row in rows_of(answer)]
    events = [LevelSet(gain_db=-20.0, at=START), Faulted(trial=2, attempt=1, kind="dropout", at=START)]
    again = restored(sitting.plan, rows, study=P["STUDY"], listener=P["LISTENER"], events=events)
    assert again == sitting


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"clip": "other"}, "trial 1: clip is 'other', not"),
        ({"correct": None}, "trial 1: correct is None, not"),
        ({"trial": 1}, "an answer to trial 2, but none to trial 1"),
        ({"slot": "1"}, "trial 1 has the values 1"),
    ],
)
def test_rows_that_do_not_belong_to_the_plan_are_found(change, words):
    sitting = walked(begun(), lambda s: len(s.answers) == 1)
    (row,) = rows_of(sitting.answers[0])
    with pytest.raises(BlindtestError, match=f"do not belong to its plan: {words}"):
        restored(sitting.plan, [{**row, **change}], study=P["STUDY"], listener=P["LISTENER"])


EVENTS_SEEN = [
    Began(at=START),
    LevelSet(gain_db=-12.5, at=START),
    Loaded(trial=3, attempt=2, at=START),
    Selected(trial=3, attempt=2, slot="X", at=START),
    Chosen(trial=3, attempt=2, values={"choice": "A"}, confidence=2, at=START),
    Unchosen(trial=3, attempt=2, at=START),
    Confirmed(trial=3, attempt=2, values={"1": 2.5}, at=START),
    Faulted(trial=3, attempt=2, kind="rate", at=START),
    Continued(trial=3, at=START),
    Abandoned(reason="tired", at=START),
]


@pytest.mark.parametrize("event", EVENTS_SEEN, ids=lambda event: type(event).__name__)
def test_events_survive_being_stored(event):
    assert event_from_dict(json.loads(canonical(event_to_dict(event)))) == event


@pytest.mark.parametrize(
    ("held", "words"),
    [
        ({"event": "chosn"}, r"unknown event, got 'chosn' .*did you mean 'chosen'\?"),
        ({"event": ["began"]}, "unknown event"),
        ({"event": "selected", "trial": 1, "attempt": 1}, "a field is missing: .*slot"),
        ({"event": "selected", "trial": "1", "attempt": 1, "slot": "A"}, "selected.trial: not usable, got '1'"),
        ({"event": "selected", "trial": True, "attempt": 1, "slot": "A"}, "selected.trial: not usable"),
        ({"event": "began", "extra": 1}, "began.extra: unknown field"),
        ({"event": "chosen", "trial": 1, "attempt": 1, "values": ["A"]}, "chosen.values: not usable"),
    ],
)
def test_a_broken_event_is_refused_in_words(held, words):
    with pytest.raises(BlindtestError, match=words):
        event_from_dict(held, at=START)


def test_the_server_offers_what_the_page_asks_for():
    seen = set()

    def same(sitting):
        view = view_of(sitting)
        shown = {slot.token for slot in view.slots} | set(view.next) | ({view.level} - {None})
        assert shown - {offer.token for offer in offers(sitting)} == set() or sitting.step == "ready"
        assert len(offers(sitting)) == len({offer.token for offer in offers(sitting)})
        seen.add(sitting.step)

    walked(begun(blocks=P["ALL_BLOCKS"]), same)
    assert seen >= {"level", "trial", "feedback", "break", "finished"}


def told(sitting, event):
    """Return the sitting after an event, and in which words it was refused."""
    try:
        return after(sitting, event), ""
    except BlindtestError as error:
        return sitting, str(error)


class AnySequence(RuleBasedStateMachine):
    """Any events in any order, also of other trials, from a page gone stale, over kills; beside it a twin whose every
    trial has another truth."""

    blocks = P["ALL_BLOCKS"]

    def __init__(self):
        super().__init__()
        plan = make(blocks=self.blocks, seed=3)
        self.sitting = start(plan, study=P["STUDY"], listener=P["LISTENER"])
        self.twin = replace(self.sitting, plan=exchanged(plan))
        self.rows = []
        self.events = []
        self.now = START
        self.hidden = (*P["CONDITIONS"], *P["CLIPS"], plan.commitment, plan.nonce.hex(), P["LISTENER"], P["STUDY"])

    def send(self, event):
        self.now += timedelta(seconds=1)
        before, twin_before = self.sitting, self.twin
        self.sitting, refused = told(before, event)
        self.twin, twin_refused = told(twin_before, event)
        assert refused == twin_refused
        assert not any(secret in refused for secret in self.hidden)
        if refused:
            assert self.sitting is before
            return
        new = self.sitting.answers[len(before.answers) :]
        assert self.sitting.answers[: len(before.answers)] == before.answers
        assert len(new) <= 1
        assert self.sitting.trial - before.trial in (0, 1)
        if new:
            (answer,) = new
            assert isinstance(event, Confirmed)
            assert before.step == "trial"
            assert (answer.trial, answer.attempt) == (event.trial, event.attempt) == (before.trial, before.attempt)
            assert answer.trial == len(before.answers)
            assert answer.values == before.chosen
            assert set(before.heard) == set(before.slot_names(before.trial) if before.sounds(before.trial) else ())
            self.rows += rows_of(answer)
        if isinstance(event, LevelSet | Faulted | Continued | Abandoned):
            self.events.append(event)

    @rule()
    def begin(self):
        self.send(Began(at=self.now))

    @rule(gain=st.sampled_from([-20.0, 0.0, 3.0]))
    def set_level(self, gain):
        self.send(LevelSet(gain_db=gain, at=self.now))

    @rule(shift=st.sampled_from([0, 0, 0, -1, 1]), retry=st.sampled_from([0, 0, 0, -1, 1]))
    def load(self, shift, retry):
        self.send(Loaded(trial=self.sitting.trial + shift, attempt=self.sitting.attempt + retry, at=self.now))

    @rule(shift=st.sampled_from([0, 0, 0, 0, -1, 1]), slot=st.sampled_from(["A", "B", "X", "1", "2", "3", "?"]))
    def select(self, shift, slot):
        self.send(Selected(trial=self.sitting.trial + shift, attempt=self.sitting.attempt, slot=slot, at=self.now))

    @precondition(lambda self: self.sitting.step == "trial")
    @rule()
    def hear_all(self):
        trial, attempt = self.sitting.trial, self.sitting.attempt
        self.send(Loaded(trial=trial, attempt=attempt, at=self.now))
        for name in self.sitting.slot_names(trial):
            self.send(Selected(trial=trial, attempt=attempt, slot=name, at=self.now))

    @precondition(lambda self: not self.sitting.over)
    @rule(pick=st.integers(0, 2), steps=st.integers(1, 3))
    def go_through(self, pick, steps):
        """The listener does what is asked: so that runs get far."""
        for _ in range(steps):
            for event in next_events(self.sitting, self.now, pick) if not self.sitting.over else ():
                self.send(event)

    @precondition(lambda self: self.sitting.step == "trial")
    @rule(shift=st.sampled_from([-1, 0, 1]), retry=st.sampled_from([-1, 0, 1]))
    def stale_page(self, shift, retry):
        """A page left open in another tab goes through a whole trial: nothing of it is taken."""
        if (shift, retry) == (0, 0):
            return
        before = self.sitting
        for event in next_events(before, self.now):
            self.send(replace(event, trial=event.trial + shift, attempt=event.attempt + retry))
            assert self.sitting == before

    @precondition(lambda self: self.sitting.step == "trial")
    @rule(pick=st.integers(0, 2), shift=st.sampled_from([0, 0, 0, -1, 1]))
    def choose(self, pick, shift):
        values = some_values(self.sitting, pick)
        self.send(Chosen(trial=self.sitting.trial + shift, attempt=self.sitting.attempt, values=values, at=self.now))

    @rule()
    def choose_nonsense(self):
        self.send(Chosen(trial=self.sitting.trial, attempt=self.sitting.attempt, values={"choice": "Q"}, at=self.now))

    @rule()
    def unchoose(self):
        self.send(Unchosen(trial=self.sitting.trial, attempt=self.sitting.attempt, at=self.now))

    @rule(shift=st.sampled_from([0, 0, 0, 0, -1, 1]), told=st.booleans())
    def confirm(self, shift, told):
        values = dict(self.sitting.chosen) if told and self.sitting.chosen else None
        self.send(Confirmed(trial=self.sitting.trial + shift, attempt=self.sitting.attempt, values=values, at=self.now))

    @precondition(lambda self: self.sitting.answers)
    @rule(other=st.booleans())
    def confirm_again(self, other):
        answer = self.sitting.answers[-1]
        values = dict.fromkeys(answer.values, "Q") if other else dict(answer.values)
        self.send(Confirmed(trial=answer.trial, attempt=answer.attempt, values=values, at=self.now))

    @precondition(lambda self: self.sitting.attempt < 3)
    @rule(kind=st.sampled_from([*FAULT_KINDS, "unheard-of"]))
    def fault(self, kind):
        self.send(Faulted(trial=self.sitting.trial, attempt=self.sitting.attempt, kind=kind, at=self.now))

    @rule(shift=st.sampled_from([0, 0, -1, 1]))
    def go_on(self, shift):
        self.send(Continued(trial=self.sitting.trial + shift, at=self.now))

    @precondition(lambda self: len(self.sitting.answers) > 7)
    @rule()
    def leave(self):
        self.send(Abandoned(reason="", at=self.now))

    @precondition(lambda self: self.sitting.step not in ("ready", "level"))
    @rule()
    def kill(self):
        """The process is killed: all that is left are the stored rows and events."""
        stored = [json.loads(canonical(row)) for row in self.rows]
        events = [event_from_dict(json.loads(canonical(event_to_dict(event)))) for event in self.events]
        again = restored(self.sitting.plan, stored, study=P["STUDY"], listener=P["LISTENER"], events=events)
        assert again.answers == self.sitting.answers
        assert again.trial == len(self.sitting.answers)
        assert again.gain_db == self.sitting.gain_db
        if again.trial == self.sitting.trial:
            assert again.attempt == self.sitting.attempt
        twin = replace(again, plan=self.twin.plan, answers=self.twin.answers)
        self.sitting, self.twin = again, twin

    @invariant()
    def every_trial_has_one_answer_in_order(self):
        assert [answer.trial for answer in self.sitting.answers] == list(range(len(self.sitting.answers)))
        keys = [(row["sitting"], row["trial"], row["slot"]) for row in self.rows]
        assert len(set(keys)) == len(keys)

    @invariant()
    def the_view_tells_nothing(self):
        shown, other = (view_of(s).to_json() for s in (self.sitting, self.twin))
        if self.sitting.step == "feedback":
            assert self.sitting.plan.place(self.sitting.trial)[0].phase == "practice"
            shown.pop("feedback"), other.pop("feedback")
        else:
            assert shown["feedback"] is None
        if not self.sitting.over and self.sitting.plan.place(self.sitting.trial)[0].named:
            for slot in (*shown["slots"], *other["slots"]):
                assert slot.pop("label") in P["LABELS"].values()
        assert not any(slot.get("label") for slot in shown["slots"])
        text = json.dumps(shown, sort_keys=True)
        assert text == json.dumps(other, sort_keys=True)
        assert not any(secret in text for secret in self.hidden)


class AnySequenceOfPhases(AnySequence):
    """The same through all phases: the real unit, blind, named."""

    blocks = P["SURVIVAL_BLOCKS"]


for machine in (AnySequence, AnySequenceOfPhases):
    machine.TestCase.settings = settings(
        max_examples=60, stateful_step_count=60, deadline=None, suppress_health_check=[HealthCheck.too_slow]
    )
TestAnySequence = AnySequence.TestCase
TestAnySequenceOfPhases = AnySequenceOfPhases.TestCase
