"""A sitting: one listener's run of one plan, as it stands.

Steps: ready, level, then trials, each possibly followed by feedback (practice) or a break, until finished; or
abandoned. `transition.after` leads from one to the next.

In the phase *worn* the listener plays the clip on the real unit: nothing sounds here, nothing has to be loaded or
heard, and a sitting that holds nothing else has no level to set.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime
from typing import Literal

from blindtest.design import Plan, PlannedTrial
from blindtest.errors import BlindtestError, Fault
from blindtest.methods import Method, Outcome, Question, Value
from blindtest.session.answer import Answer
from blindtest.session.dial import Dial
from blindtest.session.dwell import Dwell
from blindtest.session.rests import rest_due
from blindtest.words import worded

__all__ = ["FIRST_ATTEMPT", "OutOfTurn", "Sitting", "Step", "arrived", "fresh", "start"]

Step = Literal["ready", "level", "trial", "onward", "feedback", "break", "finished", "abandoned"]

FIRST_ATTEMPT = 1


class OutOfTurn(BlindtestError):
    """An event came that the sitting, as it stands, has no place for. Nothing was recorded, nothing changed."""

    def __init__(self, problem: str, *, remedy: str = worded("reload the page; nothing was recorded twice")) -> None:
        super().__init__(Fault(problem=problem, remedy=remedy))


@dataclass(frozen=True, slots=True, kw_only=True)
class Sitting:
    """A sitting as it stands. Holds the plan, so it stays on the server; `view.view_of` says what may leave."""

    plan: Plan = field(repr=False)
    study: str
    listener: str
    number: int
    """Number in the register."""
    step: Step
    trial: int
    """The trial in hand, 0-based; in 'feedback' the one just answered, in 'break' the one that comes next, when
    finished the number of trials there were."""
    attempt: int = FIRST_ATTEMPT
    loaded_at: datetime | None = None
    selected: str | None = None
    heard: tuple[str, ...] = ()
    """Slots selected in this attempt, each once, in the order of their first selection."""
    switches: int = 0
    dwell: Dwell = field(default_factory=Dwell)
    """Where the programme runs on: what has sounded in this attempt; in 'onward', since the choice."""
    dial: Dial = field(default_factory=Dial)
    """Where the listener sets a sound: how far it was moved in this attempt."""
    chosen: Mapping[str, Value] | None = None
    confidence: float | None = None
    comment: str = ""
    """The remark on the trial in hand."""
    since: datetime | None = field(default=None, compare=False)
    """When the listener began, or went on after the last rest, as far as it is known."""
    faults: tuple[str, ...] = ()
    answers: tuple[Answer, ...] = ()
    gain_db: float | None = None
    reason: str = ""

    @property
    def over(self) -> bool:
        """Whether no event can change it any more."""
        return self.step in ("finished", "abandoned")

    @property
    def unheard(self) -> tuple[str, ...]:
        """Slots of the trial in hand that have to be heard before its answer is confirmed."""
        if not self.sounds(self.trial):
            return ()
        return tuple(name for name in self.slot_names(self.trial) if name not in self.heard)

    @property
    def has_level(self) -> bool:
        """Whether a level is set before the first trial: not where nothing sounds in any."""
        return any(block.phase != "worn" for block in self.plan.protocol.blocks)

    @property
    def deadline(self) -> datetime | None:
        """When it counts as abandoned."""
        text = self.plan.record.get("deadline")
        return datetime.fromisoformat(text) if text else None

    def outcomes(self, block: str) -> tuple[Outcome, ...]:
        """Return the outcomes so far of a block, in order."""
        return tuple(answer.outcome for answer in self.answers if answer.block == block)

    @property
    def ended_by_rule(self) -> bool:
        """Whether the stopping rule of the last block has ended the sitting before its last trial."""
        block = self.plan.protocol.blocks[-1]
        if block.stopping is None:
            return False
        own = (answer for answer in self.answers if answer.block == block.id and answer.phase != "control")
        return block.stopping.ends_early([answer.correct is True for answer in own])

    def planned(self, number: int) -> PlannedTrial:
        """Return a trial, truth included; for an adaptive method only up to the first unanswered one of its block."""
        block, within = self.plan.place(number)
        # Only adaptive methods read what was answered.
        earlier = self.outcomes(block.id)[:within] if self.plan.method(block).adaptive else ()
        if self.plan.method(block).adaptive and len(earlier) < within:
            raise ValueError(f"trial {number} depends on answers that are not there yet")
        return self.plan.trial(number, earlier)

    def sounds(self, number: int) -> bool:
        """Return whether a trial's slots sound here; in the phase 'worn' the real unit does."""
        return self.plan.place(number)[0].phase != "worn"

    def method(self, number: int) -> Method:
        """Return the method of a trial."""
        return self.plan.method(self.plan.place(number)[0])

    def slot_names(self, number: int) -> tuple[str, ...]:
        """Return the names of a trial's slots as the listener sees them."""
        return self.plan.asked(self.plan.place(number)[0]).slots

    def first_slot(self, number: int) -> str | None:
        """Return the slot that sounds first, where the programme runs on; None where the listener takes any."""
        if self.question(number).offered_after_s is None or not self.sounds(number):
            return None
        return self.plan.first_slot(number, self.slot_names(number))

    def question(self, number: int) -> Question:
        """Return what is asked in a trial, made from slot names only."""
        return self.plan.asked(self.plan.place(number)[0]).question


def start(plan: Plan, *, study: str, listener: str, number: int | None = None) -> Sitting:
    """Return the sitting before its first step.

    Parameters
    ----------
    plan : what was drawn and sealed
    study : id of the study, as it stands in the trial table
    listener : pseudonym
    number : number in the register; else the one in the plan's record
    """
    if number is None:
        number = int(plan.record["sitting"])
    return Sitting(plan=plan, study=study, listener=listener, number=number, step="ready", trial=0)


def fresh(sitting: Sitting, trial: int, attempt: int = FIRST_ATTEMPT) -> Sitting:
    """Return the sitting with nothing loaded, heard or chosen yet in `trial`."""
    return replace(
        sitting, trial=trial, attempt=attempt, loaded_at=None, selected=None, heard=(), switches=0, dwell=Dwell(),
        dial=Dial(), chosen=None, confidence=None, comment="", faults=(),
    )  # fmt: skip


def arrived(sitting: Sitting, trial: int, *, rested: bool = False, at: datetime | None = None) -> Sitting:
    """Return the sitting at the door of `trial`: its break first, if one is due, or the end.

    at : when, as far as it is known; from then on a trial without sound can be answered
    """
    same = trial == sitting.trial
    since = at if rested or sitting.since is None else sitting.since
    if trial == sitting.plan.length or sitting.ended_by_rule:
        step: Step = "finished"
    elif not rested and (
        rest_due(sitting.plan.place(trial)[0], since=since, at=at) or sitting.planned(trial).break_before
    ):
        step = "break"
    else:
        step = "trial"
    arrived = fresh(sitting, trial, sitting.attempt if same else FIRST_ATTEMPT)
    return replace(
        arrived,
        step=step,
        since=since,
        faults=sitting.faults if same else (),
        comment=sitting.comment if same else "",
        loaded_at=at if step == "trial" and not sitting.sounds(trial) else None,
    )
