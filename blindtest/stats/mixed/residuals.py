"""What the residuals of ratings say about a linear mixed model: skewness, spread against fitted values, normality.

Recommendation ITU-R BS.1534-3, attachment 4 (informative), asks to look at the skewness of residuals: beyond .5 a
warning, beyond 1.0 severe. Bounded scales give both faults at once: near an end ratings lean away from it and spread
less. What then helps is another analysis of the same data (ranks, a cumulative-link model), not a test of normality:
with many ratings any model fails one, with few none does, so no p value is given here.

Residuals are conditional (random effects taken out), in units of the residual standard deviation.

Sources: ITU-R BS.1534-3 attachment 4; Blom 1958, Statistical Estimates and Transformed Beta-Variables, for the plotting
positions (i - 3/8)/(n + 1/4).
"""

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

from blindtest.stats.mixed.linear_fit import LinearFit
from blindtest.stats.mixed.marginal_means import reference_grid

if TYPE_CHECKING:
    from pandas import DataFrame

__all__ = ["ResidualChecks", "normal_quantiles", "residual_checks"]

Floats = NDArray[np.float64]
Skewed = Literal["within .5", "warning", "severe"]

WARNING, SEVERE = 0.5, 1.0
"""BS.1534-3 attachment 4: sizes of the skewness."""
BANDS = 10
"""Groups of rows of like fitted value in which spread is compared."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ResidualChecks:
    """Numbers about the residuals, and the points their figures are drawn from."""

    n: int
    sigma: float
    """Residual standard deviation of the fit, points of the scale."""
    skewness: float
    """Third moment over the 3/2 power of the second."""
    excess_kurtosis: float
    """0 for a normal distribution; above, single answers lie far off."""
    skewed: Skewed
    """In the words of BS.1534-3 attachment 4."""
    spread_ratio: float
    """Largest over smallest standard deviation among the bands of fitted values; NaN with one band."""
    spread_trend: float
    """Spearman's rank correlation of the residuals' size with the fitted value, -1 ... 1."""
    bands: "DataFrame"
    """Per band of fitted values: low, high, rows, mean (of the residuals), std_dev; in units of sigma."""
    factors: "DataFrame"
    """Per level of each factor of the fixed part: factor, level, rows, std_dev in units of sigma; empty where the fixed
    part has covariates."""
    farthest: "DataFrame"
    """The five rows farthest off: row (place in the table, from 0), fitted, residual in units of sigma."""
    at_lowest: float
    """Share of answers equal to the lowest one, where a bounded scale would show."""
    at_highest: float
    fitted: Floats
    """(n,), points of the scale."""
    residuals: Floats
    """(n,), in units of sigma."""
    effects: dict[str, Floats]
    """Conditional modes of each random term in units of its estimated standard deviation, sorted; zero variances left
    out."""
    method: str = "conditional residuals in units of the residual standard deviation"
    source: str = "ITU-R BS.1534-3 attachment 4 (skewness); Blom 1958 (normal quantiles)"
    assumptions: tuple[str, ...] = ("looked at, not tested: no p value belongs to these numbers",)

    @property
    def sentence(self) -> str:
        """The checks in plain words."""
        skew = {
            "within .5": "within the .5 that BS.1534 attachment 4 lets pass",
            "warning": "beyond .5, a warning by BS.1534 attachment 4",
            "severe": "beyond 1.0, severe by BS.1534 attachment 4",
        }[self.skewed]
        text = f"Skewness of the residuals {self.skewness:+.2f}: {skew}."
        if self.spread_ratio == self.spread_ratio:
            text += (
                f" Their spread differs by a factor of {self.spread_ratio:.1f} between low and high fitted values "
                f"(rank correlation {self.spread_trend:+.2f})."
            )
        if max(self.at_lowest, self.at_highest) > 0.05:
            text += (
                f" {100 * self.at_lowest:.0f} % of the answers are the lowest given, {100 * self.at_highest:.0f} % the "
                "highest: compare the analysis by ranks."
            )
        return text

    def to_dict(self) -> dict[str, Any]:
        """Return what JSON can hold, sentence included; without a point for every row."""

        def rows(table: "DataFrame") -> list[dict[str, Any]]:
            return [{str(k): None if v != v else v for k, v in r.items()} for r in table.to_dict(orient="records")]

        names = ("n", "sigma", "skewness", "excess_kurtosis", "skewed", "spread_ratio", "spread_trend")
        values: dict[str, Any] = {name: getattr(self, name) for name in (*names, "at_lowest", "at_highest")}
        values = {name: None if value != value else value for name, value in values.items()}
        tables = {name: rows(getattr(self, name)) for name in ("bands", "factors", "farthest")}
        words = {"method": self.method, "source": self.source, "assumptions": list(self.assumptions)}
        return {**values, **tables, **words, "sentence": self.sentence}


def normal_quantiles(values: Floats) -> tuple[Floats, Floats]:
    """Return where a normal distribution would have the sorted values, and these, (n,) each."""
    ordered = np.sort(np.asarray(values, dtype=np.float64))
    places = (np.arange(1, len(ordered) + 1) - 0.375) / (len(ordered) + 0.25)
    return np.asarray(ndtri(places)), ordered


def residual_checks(fit: LinearFit) -> ResidualChecks:
    """Return the checks of one fit."""
    import pandas as pd

    model = fit.model
    fitted = fit.fitted()
    sigma = float(np.sqrt(fit.sigma2))
    scaled = np.asarray((fit.answers.response - fitted) / sigma)
    centred = scaled - scaled.mean()
    second = float(np.mean(centred**2))
    skewness = float(np.mean(centred**3) / second**1.5)
    size = abs(skewness)
    bands = _bands(fitted, scaled)
    far = np.argsort(-np.abs(scaled), kind="stable")[:5]
    response = np.asarray(fit.answers.response)
    return ResidualChecks(
        n=model.n,
        sigma=sigma,
        skewness=skewness,
        excess_kurtosis=float(np.mean(centred**4) / second**2 - 3),
        skewed="within .5" if size <= WARNING else "warning" if size <= SEVERE else "severe",
        spread_ratio=_ratio(bands["std_dev"].to_numpy()),
        spread_trend=_rank_correlation(np.abs(scaled), fitted),
        bands=bands,
        factors=_by_factor(fit, scaled),
        farthest=pd.DataFrame({"row": model.kept[far], "fitted": fitted[far], "residual": scaled[far]}),
        at_lowest=float(np.mean(response == response.min())),
        at_highest=float(np.mean(response == response.max())),
        fitted=fitted,
        residuals=scaled,
        effects=_effects(fit),
    )


def _bands(fitted: Floats, scaled: Floats) -> "DataFrame":
    """Return like-sized groups of rows by fitted value; equal values stay together."""
    import pandas as pd

    edges = np.unique(np.quantile(fitted, np.linspace(0, 1, min(BANDS, max(len(fitted) // 10, 1)) + 1)))
    place = np.clip(np.searchsorted(edges, fitted, side="right") - 1, 0, max(len(edges) - 2, 0))
    rows = []
    for band in np.unique(place):
        here = place == band
        rows.append(
            {
                "low": float(fitted[here].min()),
                "high": float(fitted[here].max()),
                "rows": int(here.sum()),
                "mean": float(scaled[here].mean()),
                "std_dev": float(scaled[here].std(ddof=1)) if here.sum() > 1 else float("nan"),
            }
        )
    return pd.DataFrame(rows, columns=["low", "high", "rows", "mean", "std_dev"])


def _ratio(spreads: Floats) -> float:
    known = spreads[np.isfinite(spreads) & (spreads > 0)]
    return float(known.max() / known.min()) if len(known) > 1 else float("nan")


def _rank_correlation(one: Floats, other: Floats) -> float:
    """Return Spearman's correlation, ties at their mean rank; NaN where one does not vary."""
    import pandas as pd

    ranks = [pd.Series(values).rank().to_numpy() for values in (one, np.round(other, 9))]
    if any(np.ptp(rank) == 0 for rank in ranks):
        return float("nan")
    return float(np.corrcoef(ranks[0], ranks[1])[0, 1])


def _by_factor(fit: LinearFit, scaled: Floats) -> "DataFrame":
    """Return spreads per level; the cell of a row is known by its coding, unless covariates are coded with it."""
    import pandas as pd

    model, rows = fit.model, []
    if model.factors and not model.covariates:
        grid = reference_grid(model.encode, model.factors)
        coded = grid.weights.reshape(-1, len(model.terms))
        known = {tuple(np.round(row, 9)): cell for cell, row in reversed(list(enumerate(coded)))}
        cell = np.array([known[tuple(np.round(row, 9))] for row in model.fixed])[model.distinct]
        places = np.unravel_index(cell, grid.weights.shape[:-1])
        for (name, levels), place in zip(model.factors.items(), places, strict=True):
            for number, label in enumerate(levels):
                here = scaled[place == number]
                spread = float(here.std(ddof=1)) if len(here) > 1 else float("nan")
                rows.append({"factor": name, "level": label, "rows": len(here), "std_dev": spread})
    return pd.DataFrame(rows, columns=["factor", "level", "rows", "std_dev"])


def _effects(fit: LinearFit) -> dict[str, Floats]:
    out = {}
    for term, effects, factor in zip(fit.model.random, fit.effects, fit.state.factors, strict=True):
        spread = np.sqrt((factor**2).sum(axis=1) * fit.sigma2)
        for place, column in enumerate(term.columns):
            if spread[place] > 0:
                name = term.group if column == "Intercept" else f"{term.group}, {column}"
                out[name] = np.sort(effects[:, place] / spread[place])
    return out
