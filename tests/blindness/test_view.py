"""The wall the product is sold on: exchange the truth of every trial, and not one byte for the listener changes."""

import json
import runpy
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from blindtest.design import exchanged
from blindtest.session import Abandoned, Faulted, after, offers, plain_view_of, start, view_of

P = runpy.run_path(str(Path(__file__).parents[1] / "session" / "plans.py"))
METHODS = sorted(P["METHODS_WITH_TOYS"])
NUMBERS = {"toy-rating": {"most": 100}}
STEPS = ("ready", "level", "trial", "feedback", "break", "finished")


def beside(method):
    """Return what comes with an answer, as far as the method has it: asked for alike, whatever the truth."""
    kind = P["METHODS_WITH_TOYS"][method].answer_kind
    return {"comments": True, "break_after_min": 1, "confidence": kind == "choose" and method != "free-listening"}


def blocks_of(method):
    numbers = NUMBERS.get(method, {})
    return (
        P["block"]("practice", method, 3, "practice", feedback=True, numbers=numbers),
        P["block"]("test", method, 6, break_after=2, numbers=numbers, **beside(method)),
    )


def as_bytes(sitting):
    """Return the view as it is sent. The one exception of the wall is cut out and returned apart: what a practice
    trial's feedback says, which stands in the step 'feedback' only."""
    shown = view_of(sitting).to_json()
    # What leaves is put together from parts that are kept: the same as one that remembers nothing would say.
    assert plain_view_of(sitting) == shown == view_of(replace(sitting, plan=replace(sitting.plan))).to_json()
    told = shown.pop("feedback")
    if sitting.step == "feedback":
        assert sitting.plan.place(sitting.trial)[0].phase == "practice"
        assert len(sitting.answers) == sitting.trial + 1, "feedback before its answer was recorded"
    else:
        assert told is None
    return json.dumps(shown, sort_keys=True).encode(), told


def side_by_side(sitting, twin, picks, faults=()):
    """Walk both through the same events; yield each pair of states."""
    at, count = P["START"], 0
    yield sitting, twin
    while not sitting.over:
        pick = picks[count % len(picks)]
        events = P["next_events"](sitting, at, pick)
        if sitting.step == "trial" and sitting.trial in faults and sitting.attempt == 1:
            dropout = Faulted(trial=sitting.trial, attempt=1, kind="dropout", at=at)
            events = [*events[:3], dropout]
        for event in events:
            sitting, twin = after(sitting, event), after(twin, event)
            at += timedelta(seconds=2)
            yield sitting, twin
        count += 1


def pair(blocks, seed):
    plan = P["make"](blocks=blocks, seed=seed)
    sitting = start(plan, study=P["STUDY"], listener=P["LISTENER"])
    return sitting, replace(sitting, plan=exchanged(plan))


@pytest.mark.parametrize("method", METHODS)
@given(seed=st.integers(0, 10**9), picks=st.lists(st.integers(0, 2), min_size=1, max_size=9), fault=st.integers(0, 12))
@settings(max_examples=12, deadline=None)
def test_the_page_cannot_tell_which_is_which(method, seed, picks, fault):
    steps = set()
    for sitting, twin in side_by_side(*pair(blocks_of(method), seed), picks, faults=(fault,)):
        shown, _ = as_bytes(sitting)
        other, _ = as_bytes(twin)
        assert shown == other
        steps.add(sitting.step)
    assert steps == {*STEPS, *(("onward",) if method == "free-listening" else ())}


@pytest.mark.parametrize("method", METHODS)
def test_the_truth_was_really_exchanged(method):
    """Else the test above would prove nothing: in every trial some slot holds another condition."""
    trials = 0
    for sitting, twin in side_by_side(*pair(blocks_of(method), 7), [0, 1, 2]):
        if sitting.step != "trial":
            continue
        trials += 1
        mine, other = sitting.planned(sitting.trial), twin.planned(twin.trial)
        assert mine.drawn != other.drawn
        assert [slot.name for slot in mine.drawn.slots] == [slot.name for slot in other.drawn.slots]
        assert (mine.clip, mine.block, mine.break_before) == (other.clip, other.block, other.break_before)
    assert trials > 9


def test_feedback_tells_after_the_answer_and_only_in_practice():
    """The stated exception, held to its place: the same answer is right with one truth and wrong with the other."""
    verdicts = set()
    for seed in range(12):
        for sitting, twin in side_by_side(*pair(blocks_of("abx"), seed), [0, 1]):
            _, told = as_bytes(sitting)
            _, other = as_bytes(twin)
            if told is not None:
                verdicts.add((told["correct"], other["correct"]))
                assert told["right"] in ("X is A", "X is B")
    assert {(True, False), (False, True)} <= verdicts


@pytest.mark.parametrize("method", METHODS)
def test_no_name_behind_a_slot_leaves(method):
    sitting, twin = pair(blocks_of(method), 11)
    # A question that names all conditions names them alike in every trial: that is what the exchange holds.
    labels = () if P["METHODS_WITH_TOYS"][method].names_all else tuple(P["LABELS"].values())
    secrets = (*labels, *P["CONDITIONS"], *P["CLIPS"], P["LISTENER"], P["STUDY"], sitting.plan.commitment)
    secrets += (sitting.plan.nonce.hex(), "ab" * 32, "sha256-1", 'practice"', "reference", "object", '"role')
    for state, _ in side_by_side(sitting, twin, [1, 0, 2], faults=(4,)):
        text = json.dumps(view_of(state).to_json())
        assert not [secret for secret in secrets if secret in text]
    text = json.dumps(view_of(after(sitting, Abandoned(reason="secret reason", at=P["START"]))).to_json())
    assert "secret reason" not in text


@pytest.mark.parametrize("method", METHODS)
def test_every_slot_of_every_attempt_has_a_token_of_its_own(method):
    tokens, pairs = {}, set()
    for sitting, _ in side_by_side(*pair(blocks_of(method), 5), [2, 1], faults=(1, 5)):
        for offer in offers(sitting):
            place = (offer.trial, offer.attempt, offer.slot)
            assert tokens.setdefault(offer.token, place) == place
            pairs.add(place)
    assert len(tokens) == len(pairs)
    assert len({offer_place[0] for offer_place in pairs}) == 10  # nine trials and the level programme


@pytest.mark.parametrize("method", METHODS)
def test_tokens_stay_when_the_truth_is_exchanged_and_dither_does_too(method):
    for sitting, twin in side_by_side(*pair(blocks_of(method), 9), [0]):
        mine, other = offers(sitting), offers(twin)
        assert [(o.token, o.slot) for o in mine] == [(o.token, o.slot) for o in other]
        for offer in mine[:1]:
            assert sitting.plan.dither(offer.trial, offer.attempt, offer.slot, 64) == twin.plan.dither(
                offer.trial, offer.attempt, offer.slot, 64
            )


def test_a_question_that_names_all_names_them_alike_in_every_trial():
    asked = set()
    for sitting, _ in side_by_side(*pair(blocks_of("recognition"), 3), [0, 1]):
        if sitting.step == "trial":
            asked.add(view_of(sitting).question)
    (question,) = asked
    assert question.options == (("1", "Heron 4"), ("2", "Plover S"))


def told_of(sitting):
    """Return what a view says of names: label by slot, and the clip."""
    view = view_of(sitting)
    return {slot.name: slot.label for slot in view.slots if slot.label}, view.clip


@given(seed=st.integers(0, 10**9), picks=st.lists(st.integers(0, 2), min_size=1, max_size=9))
@settings(max_examples=25, deadline=None)
def test_names_are_told_where_they_are_meant_to_be_and_nowhere_else(seed, picks):
    """A sitting of every phase: what is named is named rightly, and in all other steps the exchange changes nothing."""
    phases, differ = set(), 0
    for sitting, twin in side_by_side(*pair(P["SURVIVAL_BLOCKS"], seed), picks):
        in_trial = sitting.step in ("trial", "feedback")
        phase = sitting.plan.place(sitting.trial)[0].phase if in_trial else None
        for state in (sitting, twin):
            labels, clip = told_of(state)
            if phase in ("labelled", "worn"):
                planned = state.planned(state.trial)
                assert labels == {slot.name: P["LABELS"][slot.condition] for slot in planned.drawn.slots}
                assert clip == (P["LABELS"][planned.clip] if phase == "worn" else "")
            else:
                assert (labels, clip) == ({}, "")
        (shown, _), (other, _) = as_bytes(sitting), as_bytes(twin)
        if phase in ("labelled", "worn"):
            differ += shown != other
            # Names apart, nothing tells in these phases either.
            shown, other = (_without_names(text) for text in (shown, other))
        assert shown == other
        text = json.dumps(view_of(sitting).to_json())
        assert not [secret for secret in (*P["CONDITIONS"], *P["CLIPS"]) if secret in text]
        phases.add(phase)
    assert phases == {None, "worn", "practice", "blind", "labelled"}
    assert differ > 0, "the truth was exchanged, so some names must have been"


def _without_names(text):
    shown = json.loads(text)
    for slot in shown["slots"]:
        del slot["label"]
    return json.dumps(shown, sort_keys=True).encode()


def test_no_name_is_told_ahead_of_its_phase():
    """The blind trial before a labelled one fetches its sounds, by tokens; the name comes with the trial."""
    blocks = (P["block"]("b", "rating-single", 2), P["block"]("l", "rating-single", 2, "labelled"))
    seen = []
    for sitting, _ in side_by_side(*pair(blocks, 8), [0]):
        text = json.dumps(view_of(sitting).to_json())
        told = [label for label in P["LABELS"].values() if label in text]
        if sitting.step == "trial":
            seen.append((sitting.trial, bool(told)))
        else:
            assert not told
    assert set(seen) == {(0, False), (1, False), (2, True), (3, True)}


def test_the_tokens_of_a_labelled_phase_say_nothing_about_those_of_a_blind_one():
    """Same clip and condition, other token and other noise: a name learnt sticks to no file."""
    blocks = (P["block"]("l", "rating", 4, "labelled"), P["block"]("b", "rating", 4))
    named, blind = {}, {}
    for sitting, _ in side_by_side(*pair(blocks, 4), [1]):
        for offer in offers(sitting):
            if offer.trial >= 0:
                held = blind if sitting.plan.place(offer.trial)[0].phase == "blind" else named
                noise = sitting.plan.dither(offer.trial, offer.attempt, offer.slot, 64)
                held.setdefault((offer.clip, offer.condition), set()).add((offer.token, noise))
    assert set(named) == set(blind)
    assert len(named) == 4
    for key, tokens in named.items():
        assert not {t for t, _ in tokens} & {t for t, _ in blind[key]}
        assert not {n for _, n in tokens} & {n for _, n in blind[key]}


NAMES_THAT_MAY_BE_WRONG = (
    P["block"]("try", "rating-single", 2, "practice", feedback=True),
    P["block"]("one", "rating-single", 8, "unreliable", break_after=3),
    P["block"]("page", "rating", 4, "unreliable"),
    P["block"]("which", "recognition", 2),
)


@given(seed=st.integers(0, 10**9), picks=st.lists(st.integers(0, 2), min_size=1, max_size=9), fault=st.integers(2, 13))
@settings(max_examples=15, deadline=None)
def test_names_that_may_be_wrong_stay_when_the_truth_is_exchanged(seed, picks, fault):
    """Names are shown, and not a byte of them hangs on what sounds: the exchange holds as in a blind phase."""
    phases, right = set(), set()
    for sitting, twin in side_by_side(*pair(NAMES_THAT_MAY_BE_WRONG, seed), picks, faults=(fault,)):
        (shown, _), (other, _) = as_bytes(sitting), as_bytes(twin)
        assert shown == other
        text = json.dumps(view_of(sitting).to_json())
        assert not [secret for secret in (*P["CONDITIONS"], *P["CLIPS"]) if secret in text]
        if sitting.step != "trial":
            continue
        phase = sitting.plan.place(sitting.trial)[0].phase
        phases.add(phase)
        labels, clip = told_of(sitting)
        assert clip == ""
        assert bool(labels) == (phase == "unreliable") == bool(view_of(sitting).told)
        mine, other = (state.planned(state.trial).drawn.slots for state in (sitting, twin))
        if phase == "unreliable":
            assert all(a.condition != b.condition for a, b in zip(mine, other, strict=True))
            for exchange, slots in ((False, mine), (True, other)):
                sounding = {slot.name: P["LABELS"][slot.condition] for slot in slots}
                assert set(labels) == set(sounding)
                right.add((exchange, labels == sounding))
    assert phases == {"practice", "unreliable", "blind"}
    assert right == {(exchange, told) for exchange in (False, True) for told in (False, True)}


@pytest.mark.parametrize("method", ["rating", "rating-single", "multi-stimulus"])
def test_a_sequence_tells_no_more_than_a_draw(method):
    """Orders of a Williams design: with the truth exchanged the page is the same to the byte."""
    trials = 8 if method == "rating-single" else 4
    blocks = (P["block"]("seq", method, trials, sequence="williams", break_after=3),)
    differ = 0
    for sitting, twin in side_by_side(*pair(blocks, 6), [0, 1, 2]):
        assert as_bytes(sitting) == as_bytes(twin)
        if sitting.step == "trial":
            differ += sitting.planned(sitting.trial).drawn != twin.planned(twin.trial).drawn
    assert differ >= trials
