"""Plans and walks for the tests of the session; read by `runpy`."""

import runpy
from datetime import UTC, datetime, timedelta
from hashlib import sha256
from pathlib import Path

from blindtest.design import Block, Protocol, make_plan
from blindtest.session import Began, Chosen, Commented, Confirmed, Continued, Left, LevelSet, Loaded, Selected, after

TOYS = runpy.run_path(str(Path(__file__).parents[1] / "methods" / "toys.py"))
METHODS_WITH_TOYS = TOYS["METHODS_WITH_TOYS"]

START = datetime(2026, 3, 2, 12, 0, tzinfo=UTC)
DEADLINE = START + timedelta(days=7)
CONDITIONS = ("heron-k1", "plover-k2")
CLIPS = ("strings-c1", "drums-c2")
LABELS = {"heron-k1": "Heron 4", "plover-k2": "Plover S", "strings-c1": "Strings, bar 9", "drums-c2": "Drums, solo"}
STUDY, LISTENER = "st-77", "L-3c"


def block(block_id, method, trials, phase="blind", **more):
    return Block(id=block_id, phase=phase, method=method, trials=trials, **more)


ABX_BLOCKS = (
    block("practice", "abx", 2, "practice", feedback=True),
    block("test", "abx", 4, break_after=2, deadline_days=7),
)
ALL_BLOCKS = (
    block("practice", "abx", 1, "practice", feedback=True),
    block("test", "abx", 3, break_after=2, deadline_days=7),
    block("rating", "toy-rating", 2, numbers={"most": 100}),
    block("climb-practice", "toy-adaptive", 2, "practice", feedback=True),
    block("climb", "toy-adaptive", 3, break_after=1),
)


SURVIVAL_BLOCKS = (
    block("worn", "rating", 2, "worn"),
    block("try", "rating", 1, "practice", feedback=True),
    block("blind", "rating", 3, break_after=2),
    block("one-blind", "rating-single", 4),
    block("which", "recognition", 2),
    block("labelled", "rating", 2, "labelled"),
    block("one-labelled", "rating-single", 2, "labelled"),
)


def make(blocks=ABX_BLOCKS, seed=0, sitting=1, study_seal="ab" * 32, compared=None, labels=LABELS):
    return make_plan(
        study_seal=study_seal,
        sitting=sitting,
        protocol=Protocol(name="p", title="P", source="s", decides=("heard",), blocks=tuple(blocks)),
        conditions=CONDITIONS,
        clips=CLIPS,
        nonce=sha256(str(seed).encode()).digest(),
        deadline=DEADLINE.isoformat(),
        methods=METHODS_WITH_TOYS,
        compared=compared,
        labels=labels,
    )


def some_values(sitting, pick=0):
    """Return a complete answer to the trial in hand."""
    question = sitting.question(sitting.trial)
    if question.kind == "choose":
        return {"choice": question.options[pick % len(question.options)][0]}
    if question.kind == "adjust":
        # Where the ladder ends the page says so, truth or not: one rung up and back again is on every ladder of three.
        return {"offset": 0}
    values = {key: (17.5 * (pick + k)) % 100 for k, key in enumerate(question.keys)}
    if question.one_at is None:
        return values
    low, high = question.range
    held = {key: round(low + value % (high - low), 1) for key, value in values.items()}
    return {**held, question.keys[pick % len(question.keys)]: question.one_at}


def next_events(sitting, at, pick=0):
    """Return what a listener does to get through the step in hand."""
    trial, attempt = sitting.trial, sitting.attempt
    if sitting.step == "ready":
        return [Began(at=at)]
    if sitting.step == "level":
        return [LevelSet(gain_db=-20.0, at=at)]
    if sitting.step in ("feedback", "break"):
        return [Continued(trial=trial, at=at)]
    if sitting.step == "onward":
        return [Left(trial=trial, attempt=attempt, how="skipped", at=at + timedelta(seconds=40))]
    values = some_values(sitting, pick)
    block = sitting.plan.place(trial)[0]
    sure = 1 + pick % 4 if block.confidence else None
    remark = [Commented(trial=trial, attempt=attempt, text="It rang.", at=at)] if block.comments else []
    first = sitting.first_slot(trial)
    slots = sorted(sitting.slot_names(trial), key=lambda name: name != first) if first else sitting.slot_names(trial)
    listening = sitting.question(trial).offered_after_s or 4
    return [
        Loaded(trial=trial, attempt=attempt, at=at),
        *(Selected(trial=trial, attempt=attempt, slot=name, at=at) for name in slots),
        Chosen(trial=trial, attempt=attempt, values=values, confidence=sure, at=at),
        *remark,
        Confirmed(trial=trial, attempt=attempt, values=values, at=at + timedelta(seconds=listening)),
    ]


def walked(sitting, to=lambda sitting: False, pick=0):
    """Return the sitting walked on until `to` holds or it is over."""
    at = START
    while not sitting.over and not to(sitting):
        for event in next_events(sitting, at, pick):
            sitting = after(sitting, event)
            at += timedelta(seconds=1)
            if to(sitting):
                break
    return sitting
