"""A claim that one of two is preferred, as a report tells it: counts, tests, strengths, and what the plan could reach.

Filled from `blindtest.stats` (`conclude_preference`, `fit_paired_preferences`, `preference_chances`). Probabilities
are 0 ... 1 and about trials that ended with a preference; strengths are log odds that sum to zero.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal

import numpy as np

if TYPE_CHECKING:
    from pandas import DataFrame

    from blindtest.stats import PreferenceConclusion, PreferenceResult, PreferenceTest

__all__ = [
    "PreferenceFacts",
    "PreferencePlanFacts",
    "PreferenceTruth",
    "PreferenceWord",
    "Preferred",
    "Strength",
    "StrengthFacts",
    "Tally",
]

PreferenceWord = Literal["shown", "refuted", "negligible", "open"]
"""The four words that a claim of kind 'preferred' can end with."""

Interval = tuple[float, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class Preferred:
    """Preferences for the claimed device held against a thrown coin, for one listener or for all answers."""

    who: str
    """Pseudonym, or 'all answers'."""
    wins: int
    """Trials in which the claimed device was preferred."""
    losses: int
    ties: int
    """Answered without a preference; counted apart."""
    direction: Literal["two-sided", "claimed"]
    proportion: float
    """NaN where no trial ended with a preference."""
    p_value: float
    """Exact sign test against 1/2, on the side or sides that `direction` says."""
    level: float
    lower_limit: float
    """One-sided."""
    upper_limit: float
    interval: Interval
    """Two-sided (Clopper and Pearson)."""
    adjusted_p_value: float | None = None
    """By Holm over the listeners; None where only one was tested."""
    word: PreferenceWord | None = None
    """What this listener's own answers say."""

    @property
    def decided(self) -> int:
        """Trials that ended with a preference."""
        return self.wins + self.losses

    @property
    def answered(self) -> int:
        """Answered trials, ties among them."""
        return self.decided + self.ties

    @classmethod
    def of(
        cls,
        who: str,
        test: "PreferenceTest",
        *,
        adjusted_p_value: float | None = None,
        word: PreferenceWord | None = None,
    ) -> "Preferred":
        """Return the facts of one result of `stats.preference_test`."""
        return cls(
            who=who,
            wins=test.wins,
            losses=test.losses,
            ties=test.ties,
            direction=test.direction,
            proportion=test.proportion,
            p_value=test.p_value,
            level=test.level,
            lower_limit=test.lower_limit,
            upper_limit=test.upper_limit,
            interval=test.interval,
            adjusted_p_value=adjusted_p_value,
            word=word,
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Tally:
    """How trials of one kind ended: on one clip, of one listener, with one of the two heard first."""

    name: str
    wins: int
    losses: int
    ties: int
    unanswered: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Strength:
    """How strongly one thing is preferred among all compared: log odds, sum zero."""

    item: str
    """Id of the condition."""
    estimate: float
    std_error: float
    interval: Interval


@dataclass(frozen=True, slots=True, kw_only=True)
class StrengthFacts:
    """A fit of Bradley and Terry's model, with Davidson's ties and an effect of being heard first."""

    strengths: tuple[Strength, ...]
    level: float
    answers: int
    ties: int
    tie_parameter: float | None = None
    tie_parameter_interval: Interval | None = None
    order_effect: float | None = None
    """Added to the strength of the one heard first, log odds; None: not in the model."""
    order_effect_interval: Interval | None = None
    estimator: str = ""
    separated: tuple[str, ...] = ()
    """What has no finite maximum-likelihood estimate."""
    converged: bool = True
    remarks: tuple[str, ...] = ()
    probability: float | None = None
    """Of preferring the claimed device to the comparator, where one is preferred, order apart."""
    probability_interval: Interval | None = None

    @classmethod
    def of(cls, fit: "PreferenceResult", *, device: str = "", comparator: str = "") -> "StrengthFacts":
        """Return the facts of a fit; the probability is that of the two named, where both are in it."""
        probability: tuple[float | None, Interval | None] = (None, None)
        if {device, comparator} <= set(fit.items) and device != comparator:
            probability = fit.probability(device, comparator)
        return cls(
            strengths=tuple(
                Strength(
                    item=str(item),
                    estimate=float(row["estimate"]),
                    std_error=float(row["std_error"]),
                    interval=(float(row["ci_low"]), float(row["ci_high"])),
                )
                for item, row in fit.strengths.iterrows()
            ),
            level=fit.level,
            answers=fit.answers,
            ties=fit.ties,
            tie_parameter=fit.tie_parameter,
            tie_parameter_interval=fit.tie_parameter_interval,
            order_effect=fit.order_effect,
            order_effect_interval=fit.order_effect_interval,
            estimator=fit.estimator,
            separated=fit.separated,
            converged=fit.convergence.converged,
            remarks=fit.remarks,
            probability=probability[0],
            probability_interval=probability[1],
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class PreferenceTruth:
    """What a simulated listener was made to prefer; demonstrations only."""

    who: str
    probability: float
    """True probability to prefer the claimed device, where one is preferred."""
    rule: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class PreferenceFacts:
    """What the answers say about a claim that the device is preferred to the comparator."""

    word: PreferenceWord
    """Unanswered trials counted against whichever conclusion is drawn."""
    margin: float | None
    """Probability beyond 1/2 that would matter."""
    alpha: float
    direction: Literal["two-sided", "claimed"]
    side: Literal["claimed", "other", "neither"]
    """On which side of 1/2 a preference is established, whatever the word."""
    answered: Preferred
    """The answered trials."""
    against: Preferred
    """Unanswered trials counted as losses."""
    favouring: Preferred
    """Unanswered trials counted as wins."""
    unanswered: int = 0
    word_if_answered_only: PreferenceWord | None = None
    listeners_differ: bool = False
    """Whether all answers together would be negligible, and listeners differ too much for the word."""
    scatter: str = ""
    """How far listeners differ, and the limits that this leaves; '' where nothing widens them."""
    listeners: tuple[Preferred, ...] = ()
    by_clip: tuple[Tally, ...] = ()
    by_listener: tuple[Tally, ...] = ()
    by_order: tuple[Tally, ...] = ()
    """Named by the condition that was heard first."""
    strengths: StrengthFacts | None = None
    why_no_strengths: str = ""
    """Why no strengths could be fitted, where none are."""
    truth: tuple[PreferenceTruth, ...] = ()

    @classmethod
    def of(
        cls,
        concluded: "PreferenceConclusion",
        *,
        device: str,
        comparator: str,
        table: "DataFrame | None" = None,
        strengths: "PreferenceResult | None" = None,
        why_no_strengths: str = "",
        truth: tuple[PreferenceTruth, ...] = (),
    ) -> "PreferenceFacts":
        """Return the facts of a conclusion, of the comparisons it rests on, and of a fit to them.

        Parameters
        ----------
        table : first, second, outcome ("first" | "second" | "tie", or nothing where unanswered), listener, clip
        """
        tallies = {} if table is None else _tallies(table, device, comparator)
        return cls(
            word=concluded.word,
            margin=concluded.margin,
            alpha=concluded.alpha,
            direction=concluded.direction,
            side=concluded.side,
            answered=Preferred.of("all answers", concluded.answered),
            against=Preferred.of("all answers", concluded.against),
            favouring=Preferred.of("all answers", concluded.favouring),
            unanswered=concluded.unanswered,
            word_if_answered_only=concluded.word_if_answered_only,
            listeners_differ=concluded.listeners_differ,
            scatter=concluded.scatter_sentence,
            listeners=_listeners(tallies.get("listener", ()), concluded),
            by_clip=tallies.get("clip", ()),
            by_listener=tallies.get("listener", ()),
            by_order=tallies.get("first", ()),
            strengths=None if strengths is None else StrengthFacts.of(strengths, device=device, comparator=comparator),
            why_no_strengths=why_no_strengths,
            truth=truth,
        )


def _tallies(table: "DataFrame", device: str, comparator: str) -> dict[str, tuple[Tally, ...]]:
    """Return, by what the trials are grouped by, the counts of each group; other pairs in the table are left out."""
    kept = [row for row in table.to_dict("records") if {row["first"], row["second"]} == {device, comparator}]
    out = {}
    for by in ("clip", "listener", "first"):
        if by not in table:
            continue
        counts: dict[str, list[int]] = {}
        for row in kept:
            counts.setdefault(str(row[by]), [0, 0, 0, 0])[_ending(row, device)] += 1
        out[by] = tuple(
            Tally(name=name, wins=wins, losses=losses, ties=ties, unanswered=unanswered)
            for name, (wins, losses, ties, unanswered) in counts.items()
        )
    return out


def _ending(row: Mapping[Any, Any], device: str) -> int:
    """0: the device, 1: the comparator, 2: neither, 3: unanswered."""
    outcome = row["outcome"]
    if outcome == "tie":
        return 2
    if outcome in ("first", "second"):
        return 0 if row[outcome] == device else 1
    return 3


def _listeners(tallies: tuple[Tally, ...], concluded: "PreferenceConclusion") -> tuple[Preferred, ...]:
    from blindtest import stats

    tallies = tuple(one for one in tallies if one.wins + one.losses + one.ties + one.unanswered)
    own = [
        stats.conclude_preference(
            one.wins,
            one.losses,
            one.ties,
            margin=concluded.margin,
            alpha=concluded.alpha,
            direction=concluded.direction,
            unanswered=one.unanswered,
        )
        for one in tallies
    ]
    adjusted: list[float | None] = [None] * len(own)
    if len(own) > 1:
        adjusted = [float(p) for p in stats.adjust_p_values([one.answered.p_value for one in own])]
    return tuple(
        Preferred.of(tally.name, one.answered, adjusted_p_value=p, word=one.word)
        for tally, one, p in zip(tallies, own, adjusted, strict=True)
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class PreferencePlanFacts:
    """Which words a plan of paired preferences could end with, and how often; known before anybody listened."""

    trials: int
    """Counted trials over all planned sittings."""
    alpha: float = 0.05
    margin: float | None = None
    direction: Literal["two-sided", "claimed"] = "two-sided"
    critical_number: int | None = None
    """This many preferences for the device or more, none of them ties, show it; None: unreachable."""
    refuting_number: int | None = None
    negligible_numbers: tuple[int, int] | None = None
    probabilities: tuple[float, ...] = ()
    """Abscissa of the curves: true probability to prefer the device, 0 ... 1."""
    chances: tuple[tuple[PreferenceWord, tuple[float, ...]], ...] = ()
    """(word, chance that the plan ends with it at each probability)."""

    @classmethod
    def of(
        cls,
        trials: int,
        *,
        margin: float | None,
        alpha: float = 0.05,
        direction: Literal["two-sided", "claimed"] = "two-sided",
    ) -> "PreferencePlanFacts":
        """Return what `trials` pairs without ties can show, exactly, by going through every count."""
        from scipy.special import bdtr

        from blindtest import stats

        words: list[PreferenceWord] = [
            stats.conclude_preference(wins, trials - wins, margin=margin, alpha=alpha, direction=direction).word
            for wins in range(trials + 1)
        ]
        probabilities = np.linspace(0, 1, 101)
        up_to = np.array([bdtr(count, trials, probabilities) for count in range(trials)] + [np.ones(101)])
        points = np.diff(np.vstack([np.zeros(101), up_to]), axis=0)
        counted: dict[PreferenceWord, list[int]] = {
            word: [wins for wins, ending in enumerate(words) if ending == word]
            for word in ("shown", "refuted", "negligible", "open")
        }
        near = counted["negligible"]
        return cls(
            trials=trials,
            alpha=alpha,
            margin=margin,
            direction=direction,
            critical_number=min(counted["shown"], default=None),
            refuting_number=max(counted["refuted"], default=None),
            negligible_numbers=(near[0], near[-1]) if near else None,
            probabilities=tuple(map(float, probabilities)),
            chances=tuple((word, tuple(map(float, points[wins].sum(axis=0)))) for word, wins in counted.items()),
        )

    def chance(self, word: PreferenceWord, probability: float) -> float | None:
        """Return how often the plan ends with `word` at a true probability, read off the curves."""
        curve = dict(self.chances).get(word)
        if curve is None:
            return None
        return float(np.interp(probability, self.probabilities, curve))

    def __post_init__(self) -> None:
        for word, curve in self.chances:
            if len(curve) != len(self.probabilities):
                raise ValueError(f"{len(self.probabilities)} probabilities, but {len(curve)} chances of {word}")
