"""Choices held against guessing, as a report tells them: plan, results, and what simulated listeners really were.

Filled from `blindtest.stats` (`PlanFacts.of`, `Tested.of`, `Results.of`). Shares and proportions are 0 ... 1.
"""

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal, Protocol

import numpy as np

if TYPE_CHECKING:
    from blindtest.stats import Conclusion as Concluded
    from blindtest.stats import ListenerResults

__all__ = ["Conclusion", "Discriminated", "PlanFacts", "Results", "Tested", "Truth"]

Conclusion = Literal["shown", "negligible", "open"]
"""The three words a claim of kind 'heard' can end with (claims: shown, negligible, open)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanFacts:
    """What the plan could detect, computed before (or without) any answer."""

    trials: int
    """Counted trials over all planned sittings."""
    alpha: float = 0.05
    margin: float | None = None
    """Share of trials heard beyond guessing that would matter; None where none was fixed."""
    critical_number: int | None = None
    """Least number right that tells it from guessing; None: unreachable."""
    similarity_critical_number: int | None = None
    """Greatest number right that makes it negligible; None: unreachable or no margin."""
    chance_shown_at_margin: float | None = None
    """Chance that the plan shows a difference whose true share heard is the margin."""
    chance_negligible_if_guessing: float | None = None
    detectable: tuple[float, float] | None = None
    """(share heard, chance): the smallest share that the plan shows with that chance, say .8."""
    shares: tuple[float, ...] = ()
    """Abscissa of the curves: true share of trials heard beyond guessing, 0 ... 1."""
    chance_shown: tuple[float, ...] = ()
    chance_negligible: tuple[float, ...] = ()
    """() where no margin was fixed."""

    @classmethod
    def of(
        cls, trials: int, *, method: str, margin: float | None, alpha: float = 0.05, chance: float = 0.8
    ) -> "PlanFacts":
        """Return what `trials` counted trials can show, by `blindtest.stats`, and its curves over the share heard."""
        from scipy.special import bdtr, bdtrc

        from blindtest import stats

        shares = np.linspace(0, 1, 101)
        proportions = np.array([stats.proportion_at(float(share), method) for share in shares])
        chances = None if margin is None else stats.plan_chances(trials, method=method, margin=margin, alpha=alpha)
        least = stats.critical_number(trials, method=method, alpha=alpha)
        most = None if chances is None else chances.similarity_critical_number
        # Where both tests succeed the word is 'negligible'.
        first = trials + 1 if least is None else max(least, -1 if most is None else most + 1)
        shown = np.zeros(len(shares)) if first > trials else bdtrc(first - 1, trials, proportions)
        detectable = stats.detectable_effect(trials, method=method, alpha=alpha, power=chance)
        return cls(
            trials=trials,
            alpha=alpha,
            margin=margin,
            critical_number=least,
            similarity_critical_number=most,
            chance_shown_at_margin=None if chances is None else chances.chance_shown,
            chance_negligible_if_guessing=None if chances is None else chances.chance_negligible,
            detectable=None if detectable.critical_number is None else (detectable.distinguishers, chance),
            shares=tuple(map(float, shares)),
            chance_shown=tuple(map(float, shown)),
            chance_negligible=(
                ()
                if margin is None
                else tuple(map(float, np.zeros(len(shares)) if most is None else bdtr(most, trials, proportions)))
            ),
        )

    def __post_init__(self) -> None:
        if len(self.shares) != len(self.chance_shown):
            raise ValueError(f"{len(self.shares)} shares, but {len(self.chance_shown)} chances")
        if self.chance_negligible and len(self.chance_negligible) != len(self.shares):
            raise ValueError(f"{len(self.shares)} shares, but {len(self.chance_negligible)} chances")


class Discriminated(Protocol):
    """What `Tested.of` reads from a result of `blindtest.stats.discrimination_test`."""

    @property
    def correct(self) -> int: ...  # noqa: D102
    @property
    def trials(self) -> int: ...  # noqa: D102
    @property
    def guess_rate(self) -> float: ...  # noqa: D102
    @property
    def p_value(self) -> float: ...  # noqa: D102
    @property
    def lower_limit(self) -> float: ...  # noqa: D102
    @property
    def upper_limit(self) -> float: ...  # noqa: D102
    @property
    def proportion(self) -> float: ...  # noqa: D102
    @property
    def interval(self) -> tuple[float, float]: ...  # noqa: D102
    @property
    def level(self) -> float: ...  # noqa: D102
    @property
    def distinguishers(self) -> float: ...  # noqa: D102
    @property
    def distinguishers_interval(self) -> tuple[float, float]: ...  # noqa: D102
    @property
    def d_prime(self) -> float: ...  # noqa: D102
    @property
    def d_prime_interval(self) -> tuple[float, float]: ...  # noqa: D102


@dataclass(frozen=True, slots=True, kw_only=True)
class Tested:
    """Right answers held against guessing, for one listener or for all answers together."""

    who: str
    """Pseudonym, or 'all answers'."""
    correct: int
    trials: int
    guess_rate: float
    p_value: float
    """Exact, one-sided: this many or more right by guessing alone."""
    lower_limit: float
    """One-sided lower limit of the proportion right that goes with `p_value`."""
    proportion: float
    interval: tuple[float, float]
    """Of the proportion right, two-sided."""
    level: float
    share: float
    """Share of trials heard beyond guessing (Abbott)."""
    share_interval: tuple[float, float]
    d_prime: float
    d_prime_interval: tuple[float, float]
    conclusion: Conclusion | None = None
    upper_limit: float | None = None
    """One-sided upper limit of the proportion right that goes with `similarity_p_value`."""
    adjusted_p_value: float | None = None
    """By Holm over the listeners; None where only one was tested."""
    similarity_p_value: float | None = None
    """Probability of this many or fewer right if the share heard were the margin."""

    @classmethod
    def of(
        cls,
        who: str,
        result: Discriminated,
        *,
        conclusion: Conclusion | None = None,
        adjusted_p_value: float | None = None,
        similarity_p_value: float | None = None,
    ) -> "Tested":
        """Return the facts of one result of `stats.discrimination_test`."""
        return cls(
            who=who,
            correct=result.correct,
            trials=result.trials,
            guess_rate=result.guess_rate,
            p_value=result.p_value,
            lower_limit=result.lower_limit,
            proportion=result.proportion,
            interval=result.interval,
            level=result.level,
            share=result.distinguishers,
            share_interval=result.distinguishers_interval,
            d_prime=result.d_prime,
            d_prime_interval=result.d_prime_interval,
            conclusion=conclusion,
            upper_limit=result.upper_limit,
            adjusted_p_value=adjusted_p_value,
            similarity_p_value=similarity_p_value,
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Results:
    """The primary result, its parts, and how unanswered trials bear on it."""

    conclusion: Conclusion
    """Of the primary claim, with unanswered trials counted against whichever conclusion is drawn."""
    pooled: Tested
    """All answered, counted trials."""
    listeners: tuple[Tested, ...] = ()
    unanswered: int = 0
    """Planned, counted trials of abandoned or unfinished sittings without an answer."""
    unanswered_as_wrong: Tested | None = None
    unanswered_as_right: Tested | None = None
    listeners_differ: bool = False
    """Whether all answers together would be negligible, and listeners differ too much for the word."""
    scatter: str = ""
    """How far listeners differ, and the limits that this leaves; '' where nothing widens them."""

    @property
    def nothing_answered(self) -> bool:
        """Whether no planned trial was answered: `pooled` then holds what was planned, and no answers."""
        return self.unanswered_as_wrong is not None and self.pooled.trials == self.unanswered_as_wrong.trials

    @classmethod
    def of(cls, concluded: "Concluded", listeners: "ListenerResults | None" = None) -> "Results":
        """Return the facts of what `stats.conclude` and, for single listeners, `stats.listener_results` found."""
        from blindtest import stats

        method, level, margin = concluded.method, concluded.difference.level, concluded.margin

        def counted(who: str, correct: int, trials: int, adjusted: float | None = None) -> Tested:
            similar = None
            if margin is not None:
                similar = stats.similarity_test(
                    correct, trials, method=method, distinguishers=margin, level=level
                ).p_value
            return Tested.of(
                who,
                stats.discrimination_test(correct, trials, method=method, level=level),
                adjusted_p_value=adjusted,
                similarity_p_value=similar,
            )

        correct, trials, unanswered = concluded.correct, concluded.trials, concluded.unanswered
        planned = trials + unanswered
        single: tuple[Tested, ...] = ()
        if listeners is not None:
            several = len(listeners.listeners) > 1
            single = tuple(
                counted(who, one.correct, one.trials, adjusted if several else None)
                for who, one, adjusted in zip(
                    listeners.listeners, listeners.results, listeners.adjusted_p_values, strict=True
                )
            )
        return cls(
            conclusion=concluded.word,
            pooled=counted("all answers", correct, trials or planned),
            listeners=single,
            unanswered=unanswered,
            unanswered_as_wrong=counted("as wrong", correct, planned) if unanswered else None,
            unanswered_as_right=counted("as right", correct + unanswered, planned) if unanswered else None,
            listeners_differ=concluded.listeners_differ,
            scatter=concluded.scatter_sentence,
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Truth:
    """What a simulated listener was made to be; demonstrations only."""

    who: str
    proportion: float
    """True probability of a right answer."""
    share: float
    """True share of trials heard beyond guessing."""
    d_prime: float | None = None
    rule: str = ""
    """Decision rule by which it answered."""
