"""A claim about ratings, as a report tells it: does it survive when the names are gone?

Effects are device minus comparator, oriented by the claim, in points of the scale (0 ... 100). The verdict is the
partition of claims 4, filled from `blindtest.stats.survival`; nothing is decided here.
"""

from dataclasses import dataclass
from typing import Any, Literal, Protocol

__all__ = [
    "VERDICTS",
    "Effect",
    "Estimated",
    "MixedFacts",
    "RatedFacts",
    "RatingFacts",
    "RatingTruth",
    "RecognitionFacts",
    "Repeated",
    "SurvivalPlanFacts",
    "Survived",
    "UnitEffect",
    "Verdict",
]

Verdict = Literal["survives", "shrinks", "vanishes", "reverses", "undecided", "nothing on record"]
"""What a claim of kind 'rated' can end with; the first four are a partition of what can be true."""
VERDICTS: tuple[Verdict, ...] = ("survives", "shrinks", "vanishes", "reverses")

Interval = tuple[float, float]
Mode = Literal["worn", "labelled", "blind"]


class Estimated(Protocol):
    """What `Effect.of` reads: an estimate with its interval, as `blindtest.stats` gives it."""

    @property
    def estimate(self) -> float: ...  # noqa: D102
    @property
    def interval(self) -> tuple[float, float]: ...  # noqa: D102


class Survived(Protocol):
    """What `RatedFacts.of` reads from a result of `blindtest.stats.survival`."""

    @property
    def verdict(self) -> Verdict: ...  # noqa: D102
    @property
    def remaining(self) -> tuple[str, ...]: ...  # noqa: D102
    @property
    def labelled(self) -> Estimated | None: ...  # noqa: D102
    @property
    def blind(self) -> Estimated | None: ...  # noqa: D102
    @property
    def difference(self) -> Estimated | None: ...  # noqa: D102


@dataclass(frozen=True, slots=True, kw_only=True)
class Effect:
    """An effect in points of the scale (or, where said, in another unit) with its two-sided interval."""

    estimate: float
    interval: Interval
    level: float = 0.95
    std_error: float | None = None
    df: float | None = None
    """Degrees of freedom of its t limits."""
    p_value: float | None = None
    """Of no effect, two-sided; printed only beside the estimate and its interval."""

    @classmethod
    def of(cls, one: Estimated, *, level: float | None = None) -> "Effect":
        """Return the facts of an estimate of `blindtest.stats`."""
        return cls(
            estimate=float(one.estimate),
            interval=(float(one.interval[0]), float(one.interval[1])),
            level=float(level if level is not None else getattr(one, "level", 0.95)),
            std_error=_optional(getattr(one, "std_error", None)),
            df=_optional(getattr(one, "df", None)),
            p_value=_optional(getattr(one, "p_value", None)),
        )


def _optional(value: object) -> float | None:
    return float(value) if isinstance(value, int | float) and value == value else None


@dataclass(frozen=True, slots=True, kw_only=True)
class UnitEffect:
    """The effect in one unit of replication: a listener (both modes) or a sitting (the mode it was held in)."""

    name: str
    """Pseudonym, or 'sitting 3'."""
    labelled: float | None = None
    blind: float | None = None
    order: Literal["blind first", "labelled first", ""] = ""
    ratings: int | None = None
    """How many ratings stand behind it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Repeated:
    """The verdict drawn once more on another use of the scale."""

    what: Literal["anchors", "signs"]
    """Effects divided by the distance between the two anchors in each mode; or signs of rank differences."""
    verdict: Verdict | None
    """None: it could not be drawn; `remarks` say why."""
    remaining: tuple[Verdict, ...] = ()
    contradicts: bool = False
    """Whether it is another determinate state than the verdict's."""
    labelled: Effect | None = None
    blind: Effect | None = None
    difference: Effect | None = None
    margin: float | None = None
    """In its own unit."""
    unit: str = ""
    """Of its effects, in words."""
    remarks: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class MixedFacts:
    """The same effects by a mixed model, as a second opinion; the verdict does not rest on it."""

    labelled: Effect | None = None
    blind: Effect | None = None
    difference: Effect | None = None
    model: str = ""
    """In words, or as a formula."""
    program: str = ""
    converged: bool = True
    remarks: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class RecognitionFacts:
    """Answers to 'which one was it?' after blind blocks, held against chance."""

    who: str
    """Pseudonym, or 'all answers'."""
    correct: int
    trials: int
    choices: int
    """Names to choose from: a guess is right once in that many."""
    p_value: float
    """Exact, one-sided: this many or more right by guessing alone."""
    lower_limit: float
    proportion: float
    interval: Interval
    level: float = 0.95
    adjusted_p_value: float | None = None
    """By Holm over the listeners."""

    @classmethod
    def of(
        cls,
        who: str,
        correct: int,
        trials: int,
        *,
        choices: int,
        level: float = 0.95,
        adjusted_p_value: float | None = None,
    ) -> "RecognitionFacts":
        """Return the exact binomial test of the answers against 1/choices, with Clopper and Pearson's limits."""
        from scipy.special import bdtrc, betaincinv

        if not 0 <= correct <= trials or trials < 1 or choices < 2:
            raise ValueError(f"{correct} right of {trials} with {choices} names to choose from")

        def low(risk: float) -> float:
            return float(betaincinv(correct, trials - correct + 1, risk)) if correct else 0.0

        def high(risk: float) -> float:
            return float(betaincinv(correct + 1, trials - correct, 1 - risk)) if correct < trials else 1.0

        return cls(
            who=who,
            correct=correct,
            trials=trials,
            choices=choices,
            p_value=float(bdtrc(correct - 1, trials, 1 / choices)) if correct else 1.0,
            lower_limit=low(1 - level),
            proportion=correct / trials,
            interval=(low((1 - level) / 2), high((1 - level) / 2)),
            level=level,
            adjusted_p_value=adjusted_p_value,
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class RatingFacts:
    """One rating: whose, in which sitting and mode, of what, how high."""

    listener: str
    sitting: int
    mode: Mode
    clip: str
    condition: str
    rating: float


@dataclass(frozen=True, slots=True, kw_only=True)
class RatingTruth:
    """What simulated listeners were made to be; demonstrations only."""

    who: str
    """Pseudonym, or 'all listeners'."""
    labelled: float
    """True effect with names shown, points."""
    blind: float
    state: Verdict | None = None
    """Which of the four states is the true one."""
    rule: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class SurvivalPlanFacts:
    """How often a plan reaches each verdict, over the true blind effect; simulated before anybody listened."""

    listeners: int
    labelled_sittings: int
    blind_sittings: int
    clips: int
    margin: float
    kept: float
    alpha: float = 0.05
    labelled_effect: float
    """True labelled effect assumed, points."""
    blind_effects: tuple[float, ...] = ()
    """Abscissa: true blind effect, points."""
    chances: tuple[tuple[Verdict, tuple[float, ...]], ...] = ()
    """(verdict, share of simulated studies that end with it at each blind effect)."""
    studies: int | None = None
    """Simulated at each point."""
    assumptions: tuple[str, ...] = ()
    """Of the simulation, in words: spread of listeners, of modes, of single ratings."""

    def __post_init__(self) -> None:
        for verdict, curve in self.chances:
            if len(curve) != len(self.blind_effects):
                raise ValueError(f"{len(self.blind_effects)} effects, but {len(curve)} chances of {verdict}")

    @property
    def reachable(self) -> tuple[Verdict, ...]:
        """Verdicts that end at least half of the simulated studies somewhere on the abscissa."""
        return tuple(v for v, curve in self.chances if v in VERDICTS and max(curve, default=0.0) >= 0.5)


@dataclass(frozen=True, slots=True, kw_only=True)
class RatedFacts:
    """What ratings with and without names say about a claim."""

    verdict: Verdict
    remaining: tuple[Verdict, ...] = ()
    """States that are left where the verdict is 'undecided'; () with a reason in `remarks`."""
    margin: float
    kept: float
    alpha: float = 0.05
    unit: Literal["listener", "sitting"]
    """What was replicated: listeners of a panel, or the sittings of a single listener."""
    labelled: Effect | None = None
    """s: with names shown; None: the mode was not held."""
    blind: Effect | None = None
    """d: without names."""
    difference: Effect | None = None
    """d - kept s."""
    units: tuple[UnitEffect, ...] = ()
    listeners: int = 0
    labelled_sittings: int = 0
    """Of all listeners together."""
    blind_sittings: int = 0
    repeats: tuple[Repeated, ...] = ()
    mixed: MixedFacts | None = None
    recognition: tuple[RecognitionFacts, ...] = ()
    """Single listeners, then 'all answers'."""
    order: str = ""
    """Which phase came first, in words."""
    order_effect: Effect | None = None
    """Of mode by order, where listeners were crossed."""
    worn: Effect | None = None
    """Device minus comparator as worn, sighted; described, never compared."""
    plan: SurvivalPlanFacts | None = None
    truth: tuple[RatingTruth, ...] = ()
    remarks: tuple[str, ...] = ()

    @classmethod
    def of(
        cls,
        result: "Survived",
        *,
        unit: Literal["listener", "sitting"],
        margin: float,
        kept: float,
        alpha: float = 0.05,
        **more: Any,
    ) -> "RatedFacts":
        """Return the facts of a result of `stats.survival`; `more`: any other field of these facts."""
        effects = {
            name: None if (one := getattr(result, name)) is None else Effect.of(one)
            for name in ("labelled", "blind", "difference")
        }
        return cls(
            verdict=result.verdict,
            remaining=tuple(one for one in VERDICTS if one in set(result.remaining)),
            margin=margin,
            kept=kept,
            alpha=alpha,
            unit=unit,
            **{**effects, **more},
        )

    @property
    def contradicted(self) -> tuple[Repeated, ...]:
        """Repeats that end in another determinate state."""
        return tuple(one for one in self.repeats if one.contradicts)
