"""Looks beside paired preferences: circular triads, listeners who differ, Bayes."""

from typing import TYPE_CHECKING

from blindtest.stats.bayes import bayesian_preference
from blindtest.stats.circular_triads import circular_triads
from blindtest.stats.companions.companion import LEAST_LISTENERS, MOST_TRENDING, Companion, p_short, seen, weighed
from blindtest.stats.heterogeneity import fit_heterogeneous_preferences

if TYPE_CHECKING:
    from pandas import DataFrame

__all__ = ["preference_companions"]


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
    return seen(
        (
            lambda: _circular(table, alpha),
            lambda: _differing(table, alpha),
            lambda: weighed(bayesian_preference(wins, wins + losses, margin=margin)) if wins + losses else None,
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
