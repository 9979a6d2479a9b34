"""One stretch of a protocol: the table [[block]], its controls and its stopping rule."""

from typing import Annotated, Any, ClassVar, Literal

from pydantic import Field, PlainValidator, WithJsonSchema
from pydantic_core import PydanticCustomError

from blindtest.design import METHODS, Block, Controls, Phase, Stopping, default_numbers
from blindtest.study.looks import LOOKS_SCHEMA, LOOKS_WORDS, looks
from blindtest.study.table import Id, Label, Table, Text, Words

__all__ = ["LATER_METHODS", "BlockTable", "ControlsTable", "MethodName", "StoppingTable"]

LATER_METHODS = ("2-ac",)


def _method(value: object) -> str:
    if isinstance(value, str) and value in METHODS:
        return value
    raise PydanticCustomError("literal_error", "no method of this name")


Share = Annotated[float, Field(gt=0, lt=1), Words("a number above 0 and below 1")]
MethodName = Annotated[
    Any,
    PlainValidator(_method),
    WithJsonSchema({"enum": sorted(METHODS)}),
    Words(", ".join(repr(name) for name in sorted(METHODS)), choices=tuple(sorted(METHODS))),
]
Looks = Annotated[Any, PlainValidator(looks), WithJsonSchema(LOOKS_SCHEMA), Words(LOOKS_WORDS)]


class ControlsTable(Table):
    """Trials whose truth is known beforehand, among those that count and never counted."""

    every: int = Field(ge=1, le=1000, description="every = 5, one control for every so many trials that count")
    audible: Id | None = Field(
        None, description="the id of a condition that surely differs: it is held against the comparator"
    )
    inaudible: bool = Field(False, description="true to hear the comparator against itself, too")


class StoppingTable(Table):
    """By which rule a block ends; its `trials` are then the most there can be."""

    rule: Literal["fixed", "group-sequential", "sprt", "e-process"] = Field(
        description="fixed (the number of trials), group-sequential (a few looks), sprt (Wald's ratio test of guessing "
        "against the margin) or e-process (a bet against guessing and one against the margin)"
    )
    looks: Looks | None = Field(
        None, description="group-sequential: after which trials it may end, the last being `trials`, or how often"
    )
    spending: Literal["obrien-fleming", "pocock", "linear"] | None = Field(
        None, description="group-sequential: how alpha is spent over the looks; else obrien-fleming, late"
    )
    beta: float | None = Field(
        None,
        ge=0.001,
        le=0.3,
        description="group-sequential, sprt: the chance to end for guessing where the margin is the truth; else 0.05",
    )

    def to_stopping(self) -> Stopping | None:
        """Return the rule as the other rooms know it, its table not yet computed; None for a fixed number."""
        if self.rule == "fixed":
            return None
        return Stopping(
            rule=self.rule,
            asked_looks=tuple(self.looks) if isinstance(self.looks, list) else self.looks,
            spending=self.spending,
            beta=self.beta,
        )


class BlockTable(Table):
    """One stretch of a protocol."""

    later = ("order", "analysis", "anchors", "recognition", "decoys")
    later_values: ClassVar[dict[str, tuple[str, ...]]] = {"method": LATER_METHODS}
    id: Id = Field(description="a short name that [protocol.changes] refers to")
    phase: Phase = Field(
        description="practice (never counted), worn (the real units), labelled (renderings with names), unreliable "
        "(names that are right on a random half) or blind"
    )
    method: MethodName = Field(description="the test method")
    trials: int | None = Field(None, ge=1, le=1000, description="the number of trials in a sitting")
    repeats: int | None = Field(None, ge=1, le=100, description="rating: how often each clip is rated in a sitting")
    sittings: int = Field(1, ge=1, le=100, description="in how many sittings, each on another day, the block is run")
    ties: bool = Field(False, description="preference: true to allow the answer 'no preference'")
    constant_reference: bool = Field(
        False, description="duo-trio: true to have what the claim names last as the reference of every trial"
    )
    attribute: Label | None = Field(
        None, description="what one of the sounds has more of, or is rated or set in, as it is asked for: 'bass'"
    )
    ends: list[Label] | None = Field(
        None, min_length=2, max_length=2, description="rating of an attribute: what its scale says at 0 and at 100"
    )
    definition: Text | None = Field(
        None, description="rating of an attribute: one sentence that says what is meant, shown with every trial"
    )
    screening: bool = Field(
        False,
        description="ratings against an original: true to leave out afterwards, by the standard's rule, who didn't "
        "find the hidden reference; sealed beforehand",
    )
    task: Literal["odd", "abx"] | None = Field(
        None, description="thresholds: odd (three sounds, one holds the level) or abx"
    )
    start: float | None = Field(
        None, ge=0, le=1, description="staircases: where a track begins, as a share of the grid; 1 is its largest level"
    )
    step: int | None = Field(None, ge=1, le=30, description="staircases: the first step, in levels of the grid")
    halvings: int | None = Field(
        None, ge=0, le=10, description="staircases: at how many of the first reversals the step is halved"
    )
    down: int | None = Field(
        None, ge=1, le=6, description="staircase: how many right answers in a row make a step down"
    )
    ratio: int | None = Field(
        None, ge=1, le=10, description="staircase-weighted: how many times the step down a step up is"
    )
    sets: Literal["equal", "preferred"] | None = Field(
        None, description="adjustment: equal (one sound is set until it equals the other) or preferred; else equal"
    )
    adjusts: Id | None = Field(
        None, description="adjustment: the id of the condition whose grid the listener moves on, where no claim says it"
    )
    against: Id | None = Field(
        None, description="adjustment: the id of the condition that a setting is to equal, where no claim says it"
    )
    controls: ControlsTable | None = Field(
        None, description="control trials, as { audible = 'condition-id', inaudible = true, every = 5 }"
    )
    stopping: StoppingTable | None = Field(
        None, description="a rule by which the block may end early, as { rule = 'sprt' }; else { rule = 'fixed' }"
    )
    choice_after_s: float | None = Field(
        None, ge=5, le=600, description="free-listening: seconds of sound after which the choice is offered; else 30"
    )
    sequence: Literal["drawn", "williams"] = Field(
        "drawn",
        description="ratings: drawn, or williams for orders in which every condition follows every other equally often",
    )
    feedback: bool = Field(False, description="true to show after each practice trial whether it was right")
    spread: Literal["clips"] = Field("clips", description="trials are spread evenly over the clips, order drawn")
    break_after: int | None = Field(
        None, ge=1, le=1000, description="the number of trials after which a rest is offered"
    )
    break_after_min: float | None = Field(
        None, ge=1, le=240, description="the minutes after which a rest is offered, at the next trial"
    )
    confidence: bool = Field(False, description="true to ask with every choice how sure the listener is")
    comments: bool = Field(False, description="true to take a free remark with every trial, kept out of the analysis")
    margin: float | None = Field(
        None,
        gt=0,
        lt=100,
        description="the smallest difference that would matter: share of trials heard beyond guessing, probability of "
        "a preference beyond 1/2, d' along an attribute, or points of the scale",
    )
    deadline_days: float | None = Field(
        None, gt=0, le=366, description="the days after which an unfinished sitting counts as abandoned"
    )

    def to_block(self) -> Block:
        """Return the block as the other rooms know it; trials of a rating that follow from clips are those of one."""
        numbers: dict[str, str | float | int] = {}
        if self.repeats is not None:
            numbers["repeats"] = self.repeats
        if self.ties:
            numbers["ties"] = 1
        if self.constant_reference:
            numbers["constant"] = 1
        if self.attribute is not None:
            numbers["attribute"] = self.attribute
        if self.choice_after_s is not None:
            numbers["choice_after_s"] = self.choice_after_s
        if self.ends is not None:
            numbers["low_end"], numbers["high_end"] = self.ends
        if self.definition is not None:
            numbers["definition"] = self.definition
        if self.screening:
            numbers["screening"] = 1
        if METHODS[self.method].answer_kind == "adjust":
            numbers["sets"] = self.sets or "equal"
        if self.adjusts is not None:
            numbers["adjusts"] = self.adjusts
        if self.against is not None:
            numbers["against"] = self.against
        # The rule of a track is sealed in full, also where the block leaves it at what is usual.
        for name, usual in default_numbers(self.method).items():
            given = getattr(self, name)
            numbers[name] = usual if given is None else given
        return Block(
            id=self.id,
            phase=self.phase,
            method=self.method,
            trials=self.trials if self.trials is not None else self.repeats or 0,
            feedback=self.feedback,
            spread=self.spread,
            break_after=self.break_after,
            margin=self.margin,
            deadline_days=self.deadline_days,
            sittings=self.sittings,
            sequence="williams" if self.sequence == "williams" else "",
            numbers=numbers,
            break_after_min=self.break_after_min,
            confidence=self.confidence,
            comments=self.comments,
            controls=None
            if self.controls is None
            else Controls(
                every=self.controls.every,
                audible=self.controls.audible or "",
                inaudible=self.controls.inaudible,
            ),
            stopping=self.stopping.to_stopping() if self.stopping is not None else None,
        )
