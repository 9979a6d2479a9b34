"""What else should be looked at beside a result, as far as the data allow: each look in one sentence and a few words.

Nothing here decides anything. A look is *notable* where it found what would make a reader think twice; the others are
named in passing, so that their absence is no secret and nobody has to read them.
"""

from math import exp, log
from typing import TYPE_CHECKING, Any

from blindtest.stats.bayes import bayesian_preference
from blindtest.stats.circular_triads import circular_triads
from blindtest.stats.heterogeneity import fit_heterogeneous_preferences

if TYPE_CHECKING:
    from pandas import DataFrame

__all__ = ["Companion", "attribute_companions", "choice_companions", "p_short", "preference_companions"]

LEAST_LISTENERS = 3
"""Listeners below which nothing is said of how they differ."""
MOST_TRENDING = 2000
"""Trials above which the exact test of a trend takes too long to stand beside a result unasked."""
TELLING = 3.0
"""A Bayes factor below this, either way, says next to nothing."""
MOST_SAID = 1000
"""Larger ones are said to be larger: their digits mean nothing."""


def _weighed(result: Any) -> Companion:
    factor = abs(result.log_bayes_factor)
    side = "a difference" if result.log_bayes_factor >= 0 else "none"
    said = f"{exp(factor):.3g}" if factor < log(MOST_SAID) else f"over {MOST_SAID}"
    return Companion(
        name="Bayesian",
        sentence=f"With a {result.prior} prior: {result.sentence}",
        short=f"Bayes factor {said} for {side}",
        notable=factor < log(TELLING),
        result=result,
    )


def preference_companions(
    table: "DataFrame", *, wins: int, losses: int, alpha: float = 0.05, margin: float | None = None
) -> tuple[Companion, ...]:
    """Return what stands beside preferences: circular triads, listeners that differ, the Bayesian companion.

    Parameters
    ----------
    table : comparisons, see `read_comparisons`
    wins, losses : of the claimed device against its comparator; both 0 where no pair is claimed
    margin : probability beyond 1/2 that matters
    """
    return _seen(
        (
            lambda: _circular(table, alpha),
            lambda: _differing(table, alpha),
            lambda: _weighed(bayesian_preference(wins, wins + losses, margin=margin)) if wins + losses else None,
        )
    )


def _circular(table: "DataFrame", alpha: float) -> Companion | None:
    if "listener" not in table or len({*table["first"].dropna(), *table["second"].dropna()}) < 3:
        return None
    result = circular_triads(table)
    unlike = int((result.listeners["p_value"] > alpha).sum())
    return Companion(
        name="circular triads",
        sentence=result.sentence,
        short=f"circular preferences ({len(result.listeners) - unlike} of {len(result.listeners)} listeners follow "
        "one scale)",
        notable=unlike > 0,
        result=result,
    )


def _differing(table: "DataFrame", alpha: float) -> Companion | None:
    if "listener" not in table or table["listener"].nunique() < LEAST_LISTENERS or len(table) > MOST_TRENDING:
        return None
    result = fit_heterogeneous_preferences(table, parts=["listener"], level=1 - alpha)
    p_value = float(result.parts["p_value"].iloc[0])
    return Companion(
        name="listeners differ",
        sentence=result.sentence,
        short=f"listeners differing in what they prefer ({p_short(p_value)})",
        notable=p_value <= alpha,
        result=result,
    )
