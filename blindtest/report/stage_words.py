"""Which stage is heard, in words: each stage's effect, what the design can't tell apart, and the word of a claim."""

from dataclasses import dataclass
from typing import Any, Literal

from blindtest.report.rating_words import points
from blindtest.report.scale_words import contrast_span
from blindtest.report.words import clean, p_words, percent, plural
from blindtest.report.words import sentence as sentence_of
from blindtest.stats import AttributionResult, StageEffect
from blindtest.study import StageReach

__all__ = [
    "StageFacts",
    "stage_beside",
    "stage_claimed",
    "stage_further",
    "stage_numbers",
    "stage_plan",
    "stage_rows",
    "stage_sentence",
]

Word = Literal["shown", "refuted", "negligible", "open"]
_HEARD = {
    "shown": "heard, raises ratings",
    "refuted": "heard, lowers ratings",
    "negligible": "negligible: within the margin",
    "open": "open",
}
_PREFERRED = {
    "shown": "heard, preferred with it",
    "refuted": "heard, preferred without it",
    "negligible": "negligible: within the margin",
    "open": "open",
}
_ADDED = {
    "shown": "not additive: together more",
    "refuted": "not additive: together less",
    "negligible": "additive: negligible",
    "open": "open",
}
_MIRRORED: dict[str, Word] = {"shown": "refuted", "refuted": "shown"}


@dataclass(frozen=True, slots=True, kw_only=True)
class StageFacts:
    """What ratings of the combinations of a chain's stages say about one of them."""

    device: str
    """Id of the condition that spans them."""
    stage: str
    effect: Literal["either", "raises", "lowers"]
    """What it is said to do to ratings."""
    scale: str
    result: AttributionResult
    confounded: tuple[str, ...]
    """As sealed: what the design can't tell apart, 'a = b x c'."""
    alike: dict[str, tuple[str, ...]]
    """By the name of a product that was estimated: those it can't be told from."""
    plan: StageReach | None = None
    unanswered: int = 0
    counted: Word | None = None
    """What the stage ends as with unanswered pages set against it, ratings raised being *shown*; None: they are not."""
    paired: bool = False
    """Two combinations at a time were compared: effects are percentage points of preference beyond 50."""
    truth: dict[str, float] | None = None
    """Of simulated listeners: what each stage does, points."""

    @property
    def own(self) -> StageEffect:
        """The effect of the stage that is claimed."""
        return self.result.stage(self.stage)

    @property
    def word(self) -> Word:
        """How the claim ends: at the level that Holm's procedure gives this stage."""
        return self._claimed(self.own.word if self.counted is None else self.counted)

    @property
    def word_if_answered_only(self) -> Word:
        """The same of the answered pages alone."""
        return self._claimed(self.own.word)

    def _claimed(self, word: Word) -> Word:
        if self.effect == "lowers":
            return _MIRRORED.get(word, word)
        return "shown" if self.effect == "either" and word == "refuted" else word

    @property
    def p_value(self) -> float:
        """Against no effect, corrected over the stages."""
        return self.own.adjusted_p_value

    def to_dict(self) -> dict[str, Any]:
        """Return what JSON can hold."""
        return {
            "stage": self.stage,
            "effect": self.effect,
            "scale": self.scale,
            "word": self.word,
            "confounded": list(self.confounded),
            "unanswered": self.unanswered,
            **({"paired": True} if self.paired else {}),
            **({} if self.counted is None else {"word_if_answered_only": self.word_if_answered_only}),
            "result": self.result.to_dict(),
            "plan": self.plan.to_dict() if self.plan else None,
        }


def stage_claimed(stage: str, device: str, effect: str, *, paired: bool = False) -> str:
    """Return the claim as a sentence that can fail, without its end; `paired`: two at a time were compared."""
    on = f"with its stage {clean(stage)} on"
    if paired:
        said = {
            "raises": f"is preferred {on}",
            "lowers": f"is preferred with its stage {clean(stage)} off",
        }.get(effect, f"is preferred either {on} or off")
    else:
        said = {"raises": f"is rated higher {on}", "lowers": f"is rated lower {on}"}.get(
            effect, f"is rated otherwise {on} than off"
        )
    return f"{clean(device)} {said}"


def _interval(one: StageEffect) -> str:
    return contrast_span(one.effect.interval, 1)


def stage_sentence(facts: StageFacts, device: str) -> str:
    """Return how it ended, in one sentence."""
    own, margin = facts.own, facts.result.margin
    rated = (
        f"With {clean(facts.stage)} on, {clean(device)} is rated {points(own.effect.estimate)} points against the same "
        f"chain without it ({percent(own.effect.level)} interval {_interval(own)})"
    )
    if facts.paired:
        rated = (
            f"{clean(device)} with {clean(facts.stage)} on is preferred to the same chain without it in "
            f"{points(own.effect.estimate)} points more than half of 100 pairs ({percent(own.effect.level)} interval "
            f"{_interval(own)})"
        )
    found = facts.word
    said = {
        "shown": f"more than chance, corrected over all stages, {_beyond(own, margin)}",
        "refuted": "the other way round than claimed",
        "negligible": f"within \u00b1{margin:g}, which was declared not to matter",
        "open": f"neither no effect nor one beyond \u00b1{margin:g} can be ruled out",
    }[found]
    if found == "open" and facts.word_if_answered_only != "open":
        said = "open, with what was not answered set against it"
    elif found == "open" and not own.effect.interval[0] <= 0 <= own.effect.interval[1]:
        said = (
            f"corrected over all stages (p {p_words(own.adjusted_p_value)} by Holm) neither no effect nor one beyond "
            f"\u00b1{margin:g} can be ruled out"
        )
    return f"{rated}: {said}."


def _beyond(own: StageEffect, margin: float) -> str:
    """Return whether an effect that was shown is also one that matters."""
    low, high = own.effect.interval
    if low > margin or high < -margin:
        return f"and beyond \u00b1{margin:g}, which was declared not to matter"
    return f"though its interval does not rule out one within \u00b1{margin:g}, which was declared not to matter"


def stage_numbers(facts: StageFacts) -> str:
    """Return the numbers that the word must not be read without."""
    own = facts.own
    return f"{points(own.effect.estimate)} points, interval {_interval(own)}; p {p_words(facts.p_value)} by Holm"


def stage_rows(facts: StageFacts, *, products: bool = False) -> tuple[tuple[str, ...], tuple[tuple[str, ...], ...]]:
    """Return headings and rows of a table: each stage, or each product of two that the design can tell."""
    held = facts.result.interactions if products else facts.result.stages
    rows = []
    for one in held:
        name = " = ".join((one.name, *facts.alike.get(one.name, ())))
        rows.append(
            (
                clean(name),
                points(one.effect.estimate),
                _interval(one),
                p_words(one.p_value),
                p_words(one.adjusted_p_value),
                (_ADDED if products else _PREFERRED if facts.paired else _HEARD)[one.word],
            )
        )
    first = "Product" if products else "Stage"
    level = percent(held[0].effect.level) if held else ""
    return (first, "Effect, points", f"{level} interval", "p", "p by Holm", "Ends as"), tuple(rows)


def stage_beside(facts: StageFacts, plan: StageReach | None) -> tuple[str, ...]:
    """Return what must stand beside it."""
    result = facts.result
    out = [
        f"{plural(result.combinations, 'combination')} of {plural(len(result.stages), 'stage')}, "
        f"{plural(result.ratings, 'pair' if facts.paired else 'rating')} by {plural(result.listeners, 'listener')} on "
        f"{plural(result.clips, 'clip')}; "
        f"{result.scope}.",
        stage_plan(plan),
    ]
    if facts.confounded:
        out.append(
            f"This fraction of the combinations can't tell apart: {clean('; '.join(facts.confounded))}. What is said "
            "of one holds for all that stand together."
        )
    changed = [one for one in result.interactions if one.word in ("shown", "refuted")]
    if changed:
        names = ", ".join(" = ".join((one.name, *facts.alike.get(one.name, ()))) for one in changed)
        out.append(
            f"Not additive: {clean(names)}. What a stage does depends on another there; its effect is a mean of unlike "
            "things."
        )
    if facts.unanswered:
        out.append(_unanswered_words(facts))
    return (*out, *(sentence_of(one) for one in result.remarks if "combinations were rated" not in one))


def _unanswered_words(facts: StageFacts) -> str:
    missing = f"{plural(facts.unanswered, 'planned pair' if facts.paired else 'planned page')} without an answer"
    if facts.counted is None:
        return f"{missing}, left out."
    alone = facts.word_if_answered_only
    if facts.word == alone:
        return f"{missing}, counted against it: {facts.word} all the same."
    return f"{missing}, counted against it: {facts.word} (the answered ones alone would say {alone})."


def stage_further(facts: StageFacts) -> tuple[str, ...]:
    """Return the products that the design can tell, a sentence each; they never decide."""
    rows = stage_rows(facts, products=True)[1]
    return tuple(f"{row[0]}: {row[5]}, {row[1]} points ({row[2]}), p {row[3]}, by Holm {row[4]}." for row in rows)


def stage_plan(plan: StageReach | None) -> str:
    """Return what the plan could show."""
    return (
        "How often a plan like this shows a stage was not computed." if plan is None else f"The plan: {plan.sentence}."
    )
