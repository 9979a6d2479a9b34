"""Looks beside a mixed model of ratings: ranks, residuals, single listeners."""

from typing import TYPE_CHECKING

from blindtest.errors import BlindtestError
from blindtest.stats.companions.companion import LEAST_LISTENERS, Companion, seen
from blindtest.stats.mixed.linear import LinearMixedResult, fit_linear_mixed
from blindtest.stats.ranks import rank_companions
from blindtest.stats.rating_model import rating_model

if TYPE_CHECKING:
    from pandas import DataFrame

__all__ = ["rating_companions", "survival_companions"]

MOST_LEFT_OUT = 200
"""Listeners up to which each is left out once."""


def rating_companions(
    fit: LinearMixedResult, table: "DataFrame", *, factor: str = "device", alpha: float = 0.05
) -> tuple[Companion, ...]:
    """Return what stands beside a mixed model of ratings: ranks and where they disagree, residuals, single listeners.

    Parameters
    ----------
    fit : of the ratings in `table`
    factor : what is tested; a row of `table` says its level, its listener and the rating
    """
    return seen(
        (
            lambda: _ranks(fit, table, factor, alpha),
            lambda: _residuals(fit),
            lambda: _single_listeners(fit),
        )
    )


def survival_companions(
    table: "DataFrame", *, device: str, comparator: str, alpha: float = 0.05
) -> tuple[Companion, ...]:
    """Return what stands beside a verdict: the companions of the blind ratings of both devices, by their own model.

    Parameters
    ----------
    table : labelled and blind ratings, see `survival`
    """
    rows = table[(table["mode"] == "blind") & table["device"].isin([device, comparator]) & table["rating"].notna()]
    try:
        model = rating_model(rows)
        fit = fit_linear_mixed(model.formula, rows, random=model.random, level=1 - alpha)
    except BlindtestError:
        # Too few ratings for a model: the verdict says so itself.
        return ()
    return rating_companions(fit, rows, alpha=alpha)


def _ranks(fit: LinearMixedResult, table: "DataFrame", factor: str, alpha: float) -> Companion | None:
    if "listener" not in table or table["listener"].nunique() < LEAST_LISTENERS or factor not in table:
        return None
    found = rank_companions(table, treatment=factor)
    result = found.against(fit.contrast(factor), alpha=alpha)
    sentence = result.sentence
    if not result.agree and any(group.split(":")[0] == "clip" for group in fit.groups):
        sentence += " Ranks speak of these clips only; a model that takes clips as a sample of others finds less."
    return Companion(
        name="ranks",
        sentence=sentence,
        short="ranks find the same differences",
        notable=not result.agree,
        result=result,
    )


def _residuals(fit: LinearMixedResult) -> Companion:
    result = fit.residual_checks()
    return Companion(
        name="residuals",
        sentence=result.sentence,
        short=f"skewness of the residuals {result.skewness:+.2f}",
        notable=result.skewed != "within .5",
        result=result,
    )


def _single_listeners(fit: LinearMixedResult) -> Companion | None:
    if not LEAST_LISTENERS <= fit.groups.get("listener", 0) <= MOST_LEFT_OUT:
        return None
    result = fit.influence("listener")
    most = float(result.levels["cooks_distance"].max())
    return Companion(
        name="single listeners",
        sentence=result.sentence,
        short=f"no single listener moves the result far (Cook's distance {most:.2f} at most)",
        notable=most > 1,
        result=result,
    )
