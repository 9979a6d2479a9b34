"""What else should be looked at beside a result, as far as the data allow: each look in one sentence and a few words.

Nothing here decides anything. A look is *notable* where it found what would make a reader think twice; the others are
named in passing, so that their absence is no secret and nobody has to read them.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from math import exp, log
from typing import TYPE_CHECKING, Any

from blindtest.errors import BlindtestError
from blindtest.stats.bayes import bayesian_discrimination, bayesian_preference
from blindtest.stats.beta_binomial import fit_beta_binomial
from blindtest.stats.bias import response_bias
from blindtest.stats.discrimination import DiscriminationResult
from blindtest.stats.listeners import ListenerResults, listener_results
from blindtest.stats.sensitivity import decision_rule
from blindtest.stats.trends import trial_trend

if TYPE_CHECKING:
    from pandas import DataFrame

__all__ = ["Companion", "choice_companions", "p_short", "preference_companions"]

LEAST_TRENDING = 8
"""Trials below which a trend is not looked for."""
MOST_TRENDING = 2000
"""Trials above which the exact test of a trend takes too long to stand beside a result unasked."""
TELLING = 3.0
"""A Bayes factor below this, either way, says next to nothing."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Companion:
    """One look beside a result."""

    name: str
    sentence: str
    """What was found, in plain words."""
    short: str
    """The same in a few words."""
    notable: bool
    """Whether it should make a reader think twice."""
    result: Any
    """The result itself."""

    def to_dict(self) -> dict[str, Any]:
        """Return what JSON can hold."""
        return {
            "name": self.name,
            "sentence": self.sentence,
            "notable": self.notable,
            "result": self.result.to_dict(),
        }


Look = Callable[[], Companion | None]


def _seen(looks: Sequence[Look]) -> tuple[Companion, ...]:
    """Return what the looks found; one that the data don't allow is left out."""
    found = []
    for look in looks:
        try:
            companion = look()
        except BlindtestError:
            # A table too small or one-sided for this look; the result beside which it stands says so itself.
            continue
        if companion is not None:
            found.append(companion)
    return tuple(found)


def choice_companions(
    table: "DataFrame", *, method: str, alpha: float = 0.05, margin: float | None = None
) -> tuple[Companion, ...]:
    """Return what stands beside right and wrong answers: trend, bias, differing listeners, Bayesian companion.

    Parameters
    ----------
    table : trial table; see `counted_trials`
    method : the decision rule
    margin : share of trials heard that matters, for the Bayesian companion
    """
    found = listener_results(table, method=method)
    return _seen(
        (
            lambda: _panel(found, alpha),
            lambda: _trend(table, method, found.pooled.trials, alpha),
            lambda: _bias(table, method, alpha),
            lambda: _bayes(found.pooled, margin),
        )
    )


def _panel(found: ListenerResults, alpha: float) -> Companion | None:
    counts = [(one.correct, one.trials) for one in found.results if one.trials > 1]
    if len(counts) < 3:
        return None
    result = fit_beta_binomial(
        [correct for correct, _ in counts],
        [trials for _, trials in counts],
        guess=float(decision_rule(found.method).guess),
        level=1 - alpha,
    )
    return Companion(
        name="listeners differ",
        sentence=result.sentence,
        short=f"listeners differing in what they hear (overdispersion {result.gamma:.2f}, {p_short(result.p_value)})",
        notable=result.p_value <= alpha,
        result=result,
    )


def _trend(table: "DataFrame", method: str, trials: int, alpha: float) -> Companion | None:
    if not LEAST_TRENDING <= trials <= MOST_TRENDING:
        return None
    result = trial_trend(table, method=method, level=1 - alpha)
    return Companion(
        name="trend",
        sentence=result.sentence,
        short=f"learning or fatigue over the trials ({p_short(result.p_value)})",
        notable=result.p_value <= alpha,
        result=result,
    )


def _bias(table: "DataFrame", method: str, alpha: float) -> Companion | None:
    if "response" not in table or table["response"].isna().all():
        return None
    result = response_bias(table, method=method, level=1 - alpha)
    return Companion(
        name="bias",
        sentence=result.sentence,
        short=f"one answer favoured ({p_short(result.p_value)})",
        notable=result.p_value <= alpha,
        result=result,
    )


def _bayes(pooled: DiscriminationResult, margin: float | None) -> Companion:
    result = bayesian_discrimination(pooled.correct, pooled.trials, method=pooled.method, margin=margin)
    return _weighed(result)


def _weighed(result: Any) -> Companion:
    factor = abs(result.log_bayes_factor)
    side = "a difference" if result.log_bayes_factor >= 0 else "none"
    return Companion(
        name="Bayesian",
        sentence=f"With a {result.prior} prior: {result.sentence}",
        short=f"Bayes factor {exp(min(factor, 700.0)):.3g} for {side}",
        notable=factor < log(TELLING),
        result=result,
    )


def preference_companions(wins: int, losses: int, *, margin: float | None = None) -> tuple[Companion, ...]:
    """Return what stands beside preferences for one of two: the Bayesian companion."""
    if not wins + losses:
        return ()
    return _seen((lambda: _weighed(bayesian_preference(wins, wins + losses, margin=margin)),))


def p_short(p_value: float) -> str:
    """Return a p value in few characters."""
    return "p < .001" if p_value < 0.001 else f"p = {p_value:.2g}".replace("0.", ".", 1)
