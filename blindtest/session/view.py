"""What a listener may be shown: the only type that leaves for the page.

A view is made from slot *names* and tokens, from the rules of the plan and from what the listener did; never from what
a slot holds. Exchange the truth of every trial and not one byte of it changes, with one stated exception: the step
'feedback' of a practice trial tells what was right, and there is no such step before its answer is confirmed and
recorded. Commitment, nonce, ids of conditions and clips, and file names never pass through here.
"""

from collections.abc import Mapping
from dataclasses import asdict, dataclass
from typing import Any

from blindtest.methods import Question, Value
from blindtest.session.offer import level_token, trial_ahead, trial_shown
from blindtest.session.sitting import Sitting, Step

__all__ = ["FeedbackShown", "QuestionShown", "SlotShown", "View", "view_of"]

_PHASE_WORDS = {
    "practice": "Practice: these answers are not counted",
    "blind": "Blind trials: these answers count",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class SlotShown:
    """A slot: its name, and the token under which its sound is fetched."""

    name: str
    token: str


@dataclass(frozen=True, slots=True, kw_only=True)
class QuestionShown:
    """What is asked: kind of answer, words, keys of the values, options (value, words) or range."""

    kind: str
    prompt: str
    keys: tuple[str, ...]
    options: tuple[tuple[Value, str], ...]
    range: tuple[float, float] | None


@dataclass(frozen=True, slots=True, kw_only=True)
class FeedbackShown:
    """After a practice answer was recorded: whether it was right (None: no answer is), and the right one in words."""

    correct: bool | None
    right: str


@dataclass(frozen=True, slots=True, kw_only=True)
class View:
    """A sitting as its listener may see it."""

    step: Step
    trial: int
    """0-based; goes back with every event."""
    attempt: int
    number: int
    """The trial as a person counts it: 1 ... `of`."""
    of: int
    phase: str
    """In words."""
    question: QuestionShown | None
    slots: tuple[SlotShown, ...]
    level: str | None
    """Token of the programme for setting the level."""
    gain_db: float | None
    """The level set, or set before an interruption."""
    next: tuple[str, ...]
    """Tokens of the next trial, to be fetched meanwhile in this order."""
    loaded: bool
    selected: str | None
    heard: tuple[str, ...]
    chosen: Mapping[str, Value] | None
    can_confirm: bool
    feedback: FeedbackShown | None
    saved: int
    """Number of answers that are stored for good."""
    message: str

    def to_json(self) -> dict[str, Any]:
        """Return what JSON can hold: tuples as lists, options as {value, words}."""
        held = asdict(self)
        if self.question is not None:
            held["question"]["options"] = [{"value": value, "words": words} for value, words in self.question.options]
        return {key: _listed(value) for key, value in held.items()}


def _listed(value: Any) -> Any:
    if isinstance(value, dict):
        return {key: _listed(each) for key, each in value.items()}
    if isinstance(value, tuple | list):
        return [_listed(each) for each in value]
    return value


def view_of(sitting: Sitting) -> View:
    """Return what may be shown of `sitting`.

    Only make it of a sitting whose answers are stored: `saved` counts them all.
    """
    slots = tuple(
        SlotShown(name=name, token=sitting.plan.token(trial, attempt, name))
        for trial, attempt in trial_shown(sitting)
        for name in sitting.slot_names(trial)
    )
    question = sitting.question(sitting.trial) if slots else None
    heard_all = bool(slots) and all(slot.name in sitting.heard for slot in slots)
    return View(
        step=sitting.step,
        trial=sitting.trial,
        attempt=sitting.attempt,
        number=min(sitting.trial + 1, sitting.plan.length),
        of=sitting.plan.length,
        phase="" if sitting.over else _PHASE_WORDS[sitting.plan.place(sitting.trial)[0].phase],
        question=None if question is None else _question_shown(question),
        slots=slots,
        level=level_token(sitting) if sitting.step == "level" else None,
        gain_db=sitting.gain_db,
        next=tuple(
            sitting.plan.token(trial, attempt, name)
            for trial, attempt in trial_ahead(sitting)
            for name in sitting.slot_names(trial)
        ),
        loaded=sitting.loaded_at is not None,
        selected=sitting.selected,
        heard=sitting.heard,
        chosen=_chosen_shown(sitting),
        can_confirm=sitting.step == "trial" and heard_all and _complete(sitting, question),
        feedback=_feedback(sitting) if sitting.step == "feedback" else None,
        saved=len(sitting.answers),
        message=_message(sitting, slots),
    )


def _question_shown(question: Question) -> QuestionShown:
    return QuestionShown(
        kind=question.kind,
        prompt=question.prompt,
        keys=question.keys,
        options=question.options,
        range=question.range,
    )


def _chosen_shown(sitting: Sitting) -> Mapping[str, Value] | None:
    if sitting.step == "feedback":
        return dict(sitting.answers[-1].values)
    return None if sitting.chosen is None else dict(sitting.chosen)


def _complete(sitting: Sitting, question: Question | None) -> bool:
    if question is None or sitting.chosen is None:
        return False
    return sitting.method(sitting.trial).fault_in(question, sitting.chosen) is None


def _feedback(sitting: Sitting) -> FeedbackShown:
    """Return what is told of the answer just recorded: here, and only here, truth leaves."""
    answer = sitting.answers[-1]
    right = answer.drawn.right
    if right is None:
        return FeedbackShown(correct=None, right="")
    words = dict(sitting.question(answer.trial).options)
    told = (words.get(value, f"{key}: {value}") for key, value in right.items())
    return FeedbackShown(correct=answer.correct, right=", ".join(told))


def _message(sitting: Sitting, slots: tuple[SlotShown, ...]) -> str:
    match sitting.step:
        case "ready":
            return "Go on where you stopped." if sitting.answers else "Start softly: the level is set next."
        case "level":
            return "Set a level that you can listen at for a while. Then leave it alone until the end."
        case "break":
            return "Time for a rest. Go on when you are ready; nothing runs out."
        case "finished":
            return "That was the last trial. All answers are saved."
        case "abandoned":
            return "This sitting was stopped. The answers given so far are saved."
        case "feedback":
            return ""
    unheard = [slot.name for slot in slots if slot.name not in sitting.heard]
    if sitting.loaded_at is None:
        return "The sounds are being loaded."
    if unheard:
        return f"Still to be heard before you can confirm: {', '.join(unheard)}."
    return "Choose your answer." if sitting.chosen is None else "Confirm your answer, or choose again."
