"""Each study's result on the scale on which it is pooled.

Counted claims (heard, preferred, chosen) are pooled as log odds beyond guessing, from counts: see
`stats.choice_odds`. All others are pooled in the unit in which they were estimated, with their standard errors.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from math import isfinite
from typing import Any

from blindtest.errors import BlindtestError, Fault
from blindtest.report.words import plural
from blindtest.stats import ChoiceOdds, choice_odds, d_prime, odds_to_proportion
from blindtest.steps.comparison.published import Published

__all__ = ["Scale", "StudyEffect", "effects"]

_Z_95 = 1.959963984540054
_OF_COUNTS = {"heard": "right answers", "preferred": "choices of the device among those with a preference"}
_D_PRIME = ("abx", "triangle", "duo-trio", "tetrad", "2afc", "3afc")


@dataclass(frozen=True, slots=True, kw_only=True)
class Scale:
    """What is pooled, and how a pooled value is shown to people."""

    name: str
    """As a reader is told: "share of right answers", "blind effect"."""
    unit: str
    """'%' of counted claims, "points", "dB" ...; '' where there is none."""
    pooled_as: str
    """The scale of estimates and standard errors."""
    none: float
    """Where nothing is heard, preferred or different, as shown."""
    none_name: str
    guess: float | None = None
    method: str = ""

    def shown(self, value: float) -> float:
        """Return a value of the pooled scale as it is shown: a percentage of counted claims."""
        return value if self.guess is None else 100 * odds_to_proportion(value, guess=self.guess)

    def d_prime(self, value: float) -> float | None:
        """Return the d' at a pooled value, where the method has one."""
        if self.guess is None or self.method not in _D_PRIME:
            return None
        found = d_prime(odds_to_proportion(value, guess=self.guess), self.method)
        return found if isfinite(found) else None

    def to_dict(self) -> dict[str, Any]:
        """Return what JSON can hold."""
        return {
            "name": self.name,
            "unit": self.unit,
            "pooled_as": self.pooled_as,
            "none": self.none,
            "guess": self.guess,
        }


@dataclass(frozen=True, slots=True, kw_only=True)
class StudyEffect:
    """One study's estimate on the pooled scale."""

    study: str
    estimate: float
    std_error: float
    df: float | None
    """Of the standard error, where it was itself estimated from few listeners."""
    interval: tuple[float, float]
    """At 95 %, of this study alone."""
    counts: str
    """In words: '109 of 140, 5 listeners'."""
    odds: ChoiceOdds | None = None
    by_listener: tuple[tuple[int, int], ...] = ()
    """(right, trials) of each, of counted claims."""


def effects(studies: Sequence[Published], *, effect: str = "") -> tuple[Scale, tuple[StudyEffect, ...]]:
    """Return the scale, and each study's estimate on it; studies : that `objections` finds alike

    Parameters
    ----------
    effect : the name of another effect than the one that the claim's word rests on

    Raises
    ------
    BlindtestError
        A study has no estimate with an error, or no effect of that name.
    """
    first = studies[0].claim
    if not effect and _counted(first):
        guess = _guess(studies[0])
        counted = tuple(_of_counts(one, guess) for one in studies)
        return _counted_scale(studies[0], guess), counted
    found = [_named_effect(one, effect) for one in studies]
    scale = Scale(
        name=str(found[0]["scale"]),
        unit=str(found[0].get("unit") or ""),
        pooled_as=str(found[0]["scale"]),
        none=0.0,
        none_name="no difference",
    )
    return scale, tuple(_of_effect(one, own) for one, own in zip(studies, found, strict=True))


def _counted(claim: Mapping[str, Any]) -> bool:
    counts = claim["counts"]
    return "correct" in counts or "wins" in counts or "chosen" in counts


def _guess(one: Published) -> float:
    if "wins" in one.claim["counts"]:
        return 0.5
    if "chosen" in one.claim["counts"]:
        # How many slots there were stands in the exact test against an equal share.
        exact = one.claim["exact"]
        return float(Fraction(exact[0]["guess"])) if exact else 0.5
    return float(Fraction(one.comparable["guess"]))


def _counted_scale(one: Published, guess: float) -> Scale:
    kind = str(one.claim["kind"])
    if "wins" in one.claim["counts"]:
        name, none = _OF_COUNTS["preferred"], "no preference"
    elif "chosen" in one.claim["counts"]:
        name, none = "choices of the device", "an equal share"
    elif kind == "attribute":
        name, none = "choices of the device", "guessing"
    else:
        name, none = _OF_COUNTS["heard"], "guessing"
    return Scale(
        name=name,
        unit="%",
        pooled_as=f"log odds beyond {none}",
        none=100 * guess,
        none_name=none,
        guess=guess,
        method=str(one.comparable["method"][0]) if len(one.comparable["method"]) == 1 else "",
    )


def _pair(own: Mapping[str, Any]) -> tuple[int, int]:
    """Return (right, trials) of one row of counts; ties and tracks without a choice are left out."""
    if "wins" in own:
        return int(own["wins"]), int(own["wins"]) + int(own["losses"])
    if "chosen" in own:
        return int(own["chosen"]), int(own["of"])
    return int(own["correct"]), int(own["trials"])


def _of_counts(one: Published, guess: float) -> StudyEffect:
    total = _pair(one.claim["counts"])
    each = tuple(pair for own in one.claim["by_listener"] if (pair := _pair(own))[1] > 0) or (total,)
    if total[1] == 0:
        raise BlindtestError(Fault(problem="nobody answered a trial of this claim", file=one.source))
    odds = choice_odds([x for x, _ in each], [n for _, n in each], guess=guess)
    ties = int(one.claim["counts"].get("ties") or 0)
    reach = _Z_95 * odds.std_error
    return StudyEffect(
        study=one.name,
        estimate=odds.estimate,
        std_error=odds.std_error,
        df=None,
        interval=(odds.estimate - reach, odds.estimate + reach),
        counts=f"{odds.right} of {odds.trials}, {plural(odds.listeners, 'listener')}"
        + (f", {plural(ties, 'tie')} left out" if ties else ""),
        odds=odds,
        by_listener=each,
    )


def _named_effect(one: Published, wanted: str) -> Mapping[str, Any]:
    found: list[Mapping[str, Any]] = [own for own in one.claim["effects"] if own["estimate"] is not None]
    if wanted:
        names = [str(own["scale"]) for own in found]
        if wanted not in names:
            raise BlindtestError(
                Fault(
                    problem="the claim has no estimate of this name", file=one.source, key="--effect", got=wanted,
                    allowed=", ".join(names),
                )
            )  # fmt: skip
        return found[names.index(wanted)]
    if not found:
        why = one.claim.get("why_not") or "no answers to it"
        raise BlindtestError(Fault(problem=f"the claim {one.claim['id']!r} has no estimate: {why}", file=one.source))
    return found[0]


def _of_effect(one: Published, own: Mapping[str, Any]) -> StudyEffect:
    from scipy.special import ndtri, stdtrit

    df = own.get("df")
    error = own.get("std_error")
    low, high = own["interval"] or (None, None)
    if error is None and low is not None and high is not None:
        # Limits alone: of a threshold. Half of their distance holds so many standard errors, taken as normal.
        error = (high - low) / (2 * float(ndtri((1 + own["level"]) / 2)))
    if error is None or not error > 0:
        raise BlindtestError(
            Fault(
                problem=f"the estimate of the claim {one.claim['id']!r} has no standard error and no finite limits",
                file=one.source,
                remedy="leave this bundle out",
            )
        )
    reach = error * (_Z_95 if not df else float(stdtrit(df, 0.975)))
    counts = one.claim["counts"]
    return StudyEffect(
        study=one.name,
        estimate=float(own["estimate"]),
        std_error=float(error),
        df=None if not df else float(df),
        interval=(own["estimate"] - reach, own["estimate"] + reach),
        counts=f"{plural(int(counts['trials']), 'trial')}, {plural(int(counts['listeners']), 'listener')}",
    )
