"""What a listener may be shown: the only type that leaves for the page.

A view is made from slot *names* and tokens, from the rules of the plan and from what the listener did; never from what
a slot holds. Exchange the truth of every trial and not one byte of it changes, with three stated exceptions. In the
phase 'unreliable' each slot carries a name too, but the one that the plan drew for it, right or wrong: the exchange
holds there as in a blind phase. The step
'feedback' of a practice trial tells what was right, and there is no such step before its answer is confirmed and
recorded. In the phases 'labelled' and 'worn' the listener is meant to know: there each slot carries the name of what it
holds, and for 'worn', where the listener plays the clip on the real unit, that of the clip. And who sets a sound is
told when they have run into an end of what it can be set to, as their ears tell them too. Commitment, nonce, ids of
conditions and clips, and file names never pass through here.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import partial
from typing import Any

from blindtest.design import Block, Plan
from blindtest.methods import CONFIDENCE_LEVELS, CONFIDENCE_PROMPT, Question, Value
from blindtest.session.event import LONGEST_COMMENT
from blindtest.session.ladder import rung_now, rungs
from blindtest.session.offer import level_token, tokens_of, trial_ahead, trial_shown
from blindtest.session.sitting import Sitting, Step
from blindtest.words import listed, sentence, worded

__all__ = ["DialShown", "FeedbackShown", "QuestionShown", "SlotShown", "View", "plain_view_of", "view_of"]

_PHASE_WORDS = {
    "practice": worded("Practice: these answers are not counted"),
    "worn": worded("The real thing: you play each clip on it yourself; these answers count"),
    "labelled": worded("Named trials: you read what sounds; these answers count"),
    "unreliable": worded("Names that may be wrong: right on half of the trials, at random; these answers count"),
    "blind": worded("Blind trials: these answers count"),
}

_TOLD = {
    "unreliable": worded(
        "Each sound carries a name. On a random half of these trials the names are right; on the other half they are "
        "wrong, and nothing marks which. Read the name, listen, and rate what you hear."
    ),
}
"""What a listener is told before the first trial of a phase, in plain words; some phases need no words of their own."""

_FIRST_WORDS = {
    True: worded("Start softly: the level is set next."),
    False: worded("Have the unit and the clips at hand: nothing sounds in this page."),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class SlotShown:
    """A slot: its name, the token under which its sound is fetched, and what it holds where that is told."""

    name: str
    token: str
    """Empty in the phase 'worn': nothing sounds there."""
    label: str = ""
    """Name of the condition in it; only in the phases 'labelled' and 'worn', and a name that may be wrong in the phase
    'unreliable'; else empty."""


@dataclass(frozen=True, slots=True, kw_only=True)
class DialShown:
    """What a listener sets: the sounds it can be, without an order, and which of them it is now."""

    slot: str
    """The slot that is set."""
    sounds: tuple[SlotShown, ...]
    """All that it can be, in drawn order."""
    now: str
    """Name of the one it is."""
    offset: int
    """Steps from where it began."""
    end: str
    """'less' or 'more': the last move ran into that end; else ''."""


@dataclass(frozen=True, slots=True, kw_only=True)
class QuestionShown:
    """What is asked: kind of answer, words, keys of the values, options (value, words), range and words along it."""

    kind: str
    prompt: str
    keys: tuple[str, ...]
    options: tuple[tuple[Value, str], ...]
    range: tuple[float, float] | None
    scale: tuple[tuple[float, str], ...] = ()
    """Words along a scale: (value in the middle of the interval, word)."""
    points: bool = False
    """Whether the words stand at points of the scale instead."""
    step: float = 1.0
    adjusts: str = ""
    """The slot that the listener sets."""
    one_at: float | None = None
    """A value that at least one of the answer has to have."""
    offered_after_s: float | None = None
    """The programme runs on, and the question is put after so much sound."""
    plain: Mapping[str, Any] = field(init=False, repr=False, compare=False)
    """The same as JSON can hold it, options and words of the scale as {value, words}; not to be changed."""

    def __post_init__(self) -> None:
        """Make `plain` once: all views of a block show the same question."""
        held = {name: _plain(getattr(self, name)) for name in self.__dataclass_fields__ if name != "plain"}
        for name in ("options", "scale"):
            held[name] = [{"value": value, "words": words} for value, words in getattr(self, name)]
        object.__setattr__(self, "plain", held)


@dataclass(frozen=True, slots=True, kw_only=True)
class SureShown:
    """How sure an answer is: what is asked, (value, words) of each level, and what was said so far."""

    prompt: str
    options: tuple[tuple[Value, str], ...]
    said: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class RemarkShown:
    """What the listener wrote on the trial in hand, and how long it may be."""

    text: str
    longest: int


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
    may_end_sooner: bool
    """A stopping rule may end the sitting before trial `of`: the same from the first view to the last, so that it says
    nothing of how the rule stands."""
    phase: str
    """In words."""
    told: str
    """What is told of the phase before its first trial; empty where that needs no words."""
    question: QuestionShown | None
    sure: SureShown | None
    """Where it is asked how sure an answer is."""
    remark: RemarkShown | None
    """Where a trial takes a free remark."""
    slots: tuple[SlotShown, ...]
    dial: DialShown | None = None
    """Where the listener sets one of the slots."""
    first: str | None
    """The slot that sounds first, where that is drawn."""
    clip: str = ""
    """Title of the clip that the listener is to play; only in the phase 'worn', else empty."""
    level: str | None
    """Token of the programme for setting the level."""
    gain_db: float | None
    """The level set, or set before an interruption."""
    next: tuple[str, ...]
    """Tokens of the next trial, to be fetched meanwhile in this order."""
    loaded: bool
    """Whether all sounds of the trial are there; where nothing sounds, from the start."""
    selected: str | None
    heard: tuple[str, ...]
    chosen: Mapping[str, Value] | None
    can_confirm: bool
    feedback: FeedbackShown | None
    saved: int
    """Number of answers that are stored for good."""
    message: str

    def to_json(self) -> dict[str, Any]:
        """Return what JSON can hold: tuples as lists, options and words of the scale as {value, words}."""
        return self.filled({})

    def filled(self, known: Mapping[str, Any]) -> dict[str, Any]:
        """Return the same where some of it is known already as JSON can hold it."""
        held = {name: known[name] if name in known else _plain(getattr(self, name)) for name in _SHOWN}
        if self.sure is not None:
            held["sure"]["options"] = [{"value": value, "words": words} for value, words in self.sure.options]
        return held


_SHOWN = tuple(View.__dataclass_fields__)

_ATOMS, _LISTS = (str, int, float), (tuple, list)


def _plain(value: Any) -> Any:
    """Return what JSON can hold; without the copies of `dataclasses.asdict`, since every event is answered so."""
    if value is None or isinstance(value, _ATOMS):
        return value
    if isinstance(value, _LISTS):
        # Most of what a view holds are texts, and a call costs more than the look.
        return [each if isinstance(each, str) else _plain(each) for each in value]
    if isinstance(value, QuestionShown):
        return value.plain
    names = getattr(value, "__dataclass_fields__", None)
    if names is None:
        return {key: _plain(each) for key, each in value.items()}
    held = {name: getattr(value, name) for name in names}
    return {name: each if each is None or isinstance(each, _ATOMS) else _plain(each) for name, each in held.items()}


@dataclass(frozen=True, slots=True, kw_only=True)
class _Still:
    """What stays as it is for as long as a step is at an attempt of a trial.

    Every event is answered with a whole view, so this part of it is made once; each field as in `View`.
    """

    number: int
    of: int
    may_end_sooner: bool
    phase: str
    told: str
    question: QuestionShown | None
    slots: tuple[SlotShown, ...]
    first: str | None
    clip: str
    next: tuple[str, ...]
    plain: Mapping[str, Any] = field(init=False, repr=False, compare=False)
    """All of it as JSON can hold it; not to be changed."""

    def __post_init__(self) -> None:
        """Make `plain`."""
        object.__setattr__(self, "plain", {name: _plain(getattr(self, name)) for name in _SHOWN if hasattr(self, name)})


def _still(sitting: Sitting) -> _Still:
    # A dial moves the token of the slot that is set.
    at = sitting.step, sitting.trial, sitting.attempt, len(sitting.answers), sitting.dial.offset
    return sitting.plan.lately("view", at, partial(_still_of, sitting))


def _still_of(sitting: Sitting) -> _Still:
    shown = bool(trial_shown(sitting))
    silent = shown and not sitting.sounds(sitting.trial)
    phase = "" if sitting.over else sitting.plan.place(sitting.trial)[0].phase
    return _Still(
        number=min(sitting.trial + 1, sitting.plan.length),
        of=sitting.plan.length,
        may_end_sooner=sitting.plan.protocol.blocks[-1].stopping is not None,
        phase=_PHASE_WORDS.get(phase, ""),
        told=_TOLD.get(phase, ""),
        question=_question_shown(sitting) if shown else None,
        slots=_slots_shown(sitting, sitting.question(sitting.trial) if shown else None),
        first=sitting.first_slot(sitting.trial) if shown else None,
        clip=sitting.plan.label(sitting.planned(sitting.trial).clip) if silent else "",
        next=tuple(token for trial, attempt in trial_ahead(sitting) for token in tokens_of(sitting, trial, attempt)),
    )


def view_of(sitting: Sitting) -> View:
    """Return what may be shown of `sitting`.

    Only make it of a sitting whose answers are stored: `saved` counts them all.
    """
    return _view_of(sitting, _still(sitting))


def plain_view_of(sitting: Sitting) -> dict[str, Any]:
    """Return what may be shown of `sitting` as JSON can hold it; parts of it are shared, and not to be changed."""
    still = _still(sitting)
    return _view_of(sitting, still).filled(still.plain)


def _view_of(sitting: Sitting, still: _Still) -> View:
    shown = bool(trial_shown(sitting))
    question = sitting.question(sitting.trial) if shown else None
    silent = shown and not sitting.sounds(sitting.trial)
    return View(
        step=sitting.step,
        trial=sitting.trial,
        attempt=sitting.attempt,
        number=still.number,
        of=still.of,
        may_end_sooner=still.may_end_sooner,
        phase=still.phase,
        told=still.told,
        question=still.question,
        sure=_sure(sitting),
        remark=_remark(sitting),
        slots=still.slots,
        dial=_dial_shown(sitting) if question is not None and question.adjusts else None,
        first=still.first,
        clip=still.clip,
        level=level_token(sitting) if sitting.step == "level" else None,
        gain_db=sitting.gain_db,
        next=still.next,
        loaded=silent or sitting.loaded_at is not None,
        selected=sitting.selected,
        heard=sitting.heard,
        chosen=_chosen_shown(sitting),
        can_confirm=sitting.step == "trial" and not sitting.unheard and _missing(sitting, question) == "",
        feedback=_feedback(sitting) if sitting.step == "feedback" else None,
        saved=len(sitting.answers),
        message=_message(sitting, question),
    )


def _slots_shown(sitting: Sitting, question: Question | None) -> tuple[SlotShown, ...]:
    shown: list[SlotShown] = []
    for trial, attempt in trial_shown(sitting):
        labels, adjusts = _labels(sitting, trial), "" if question is None else question.adjusts
        shown += (
            SlotShown(name=name, token=_token_shown(sitting, trial, attempt, name, adjusts), label=labels.get(name, ""))
            for name in sitting.slot_names(trial)
        )
    return tuple(shown)


def _token_shown(sitting: Sitting, trial: int, attempt: int, name: str, adjusts: str) -> str:
    if not sitting.sounds(trial):
        return ""
    if name == adjusts and (now := rung_now(sitting, trial, attempt)) is not None:
        return now.token
    return sitting.plan.token(trial, attempt, name)


def _dial_shown(sitting: Sitting) -> DialShown | None:
    """Return what the listener sets, where a trial that asks for it is shown."""
    for trial, attempt in trial_shown(sitting):
        if (now := rung_now(sitting, trial, attempt)) is not None:
            return DialShown(
                slot=sitting.question(trial).adjusts,
                sounds=tuple(SlotShown(name=one.name, token=one.token) for one in rungs(sitting, trial, attempt)),
                now=now.name,
                offset=sitting.dial.offset,
                end=sitting.dial.end,
            )
    return None


def _labels(sitting: Sitting, trial: int) -> Mapping[str, str]:
    """Return what the slots of a trial are called, by their names: only where the listener is meant to read it."""
    block = sitting.plan.place(trial)[0]
    if not block.named:
        return {}
    if block.phase == "unreliable":
        return {name: sitting.plan.label(condition) for name, condition in sitting.planned(trial).labels.items()}
    return {slot.name: sitting.plan.label(slot.condition) for slot in sitting.planned(trial).drawn.slots}


def _question_shown(sitting: Sitting) -> QuestionShown:
    return sitting.plan.once("question shown", sitting.plan.place(sitting.trial)[0], partial(_shown_of, sitting.plan))


def _shown_of(plan: Plan, block: Block) -> QuestionShown:
    question = plan.asked(block).question
    return QuestionShown(
        kind=question.kind,
        prompt=question.prompt,
        keys=question.keys,
        options=question.options,
        range=question.range,
        scale=question.scale,
        points=question.points,
        step=question.step,
        adjusts=question.adjusts,
        one_at=question.one_at,
        offered_after_s=question.offered_after_s,
    )


def _sure(sitting: Sitting) -> SureShown | None:
    if sitting.step != "trial" or not sitting.plan.place(sitting.trial)[0].confidence:
        return None
    return SureShown(prompt=CONFIDENCE_PROMPT, options=CONFIDENCE_LEVELS, said=sitting.confidence)


def _remark(sitting: Sitting) -> RemarkShown | None:
    if sitting.step not in ("trial", "onward") or not sitting.plan.place(sitting.trial)[0].comments:
        return None
    return RemarkShown(text=sitting.comment, longest=LONGEST_COMMENT)


def _chosen_shown(sitting: Sitting) -> Mapping[str, Value] | None:
    if sitting.step in ("onward", "feedback"):
        answer = sitting.answers[-1]
        return {key: answer.values[key] for key in sitting.question(answer.trial).keys}
    return None if sitting.chosen is None else dict(sitting.chosen)


def _missing(sitting: Sitting, question: Question | None) -> str:
    """Return what the answer lacks, in words; '' if it is complete."""
    if question is None or sitting.chosen is None:
        return worded("choose your answer")
    wrong = sitting.method(sitting.trial).fault_in(question, sitting.chosen)
    if wrong is None and sitting.confidence is None and sitting.plan.place(sitting.trial)[0].confidence:
        return worded("say how sure you are")
    return wrong or ""


def _feedback(sitting: Sitting) -> FeedbackShown:
    """Return what is told of the answer just recorded: here, and only here, truth leaves."""
    answer = sitting.answers[-1]
    right = answer.drawn.right
    if right is None:
        return FeedbackShown(correct=None, right="")
    words = dict(sitting.question(answer.trial).options)
    told = (words.get(value, f"{key}: {value}") for key, value in right.items())
    return FeedbackShown(correct=answer.correct, right=listed(told))


def _message(sitting: Sitting, question: Question | None) -> str:
    match sitting.step:
        case "ready":
            return worded("Go on where you stopped.") if sitting.answers else _FIRST_WORDS[sitting.has_level]
        case "level":
            return worded("Set a level that you can listen at for a while. Then leave it alone until the end.")
        case "break":
            return worded("Time for a rest. Go on when you are ready; nothing runs out.")
        case "finished":
            return worded("That was the last trial. All answers are saved.")
        case "abandoned":
            return worded("This sitting was stopped. The answers given so far are saved.")
        case "feedback":
            return ""
        case "onward":
            return worded("The one you chose plays the rest. Skip it whenever you like.")
    if sitting.loaded_at is None and sitting.sounds(sitting.trial):
        return worded("The sounds are being loaded.")
    if sitting.unheard:
        return worded("Still to be heard before you can confirm: {names}.", names=", ".join(sitting.unheard))
    missing = _missing(sitting, question)
    return sentence(missing) if missing else worded("Confirm your answer, or choose again.")
