"""Strengths of items in a population that differs: what comes of the model of heterogeneity.py."""

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
from scipy.special import ndtri

from blindtest.errors import did_you_mean
from blindtest.nouns import number_of
from blindtest.stats.binomial import Interval
from blindtest.stats.pair_model import Convergence
from blindtest.stats.plain import plain
from blindtest.stats.rows import json_rows
from blindtest.stats.strengths import in_order

if TYPE_CHECKING:
    from pandas import DataFrame

__all__ = ["HeterogeneityResult"]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class HeterogeneityResult:
    """Strengths of items in a population of listeners and clips that differ."""

    strengths: "DataFrame"
    """A row per item: estimate (log odds of the population's middle, sum zero), std_error, ci_low, ci_high (Wald)."""
    order_effect: float | None
    order_effect_std_error: float | None
    tie_parameter: float | None
    """nu; None: no ties in the model, 0: no tie in the table."""
    parts: "DataFrame"
    """A row per part ("listener", "clip", "listener:order"): standard_deviation (of one item's strength between
    listeners, or of the order effect; log odds), std_error (NaN at 0), statistic, p_value (likelihood ratio against a
    model without the part, half of chi-square's)."""
    listener_strengths: "DataFrame"
    """A row per listener, a column per item: strengths, drawn towards the population's; empty without that part."""
    listener_std_errors: "DataFrame"
    """Of their deviations, given the other parameters."""
    covariance: "DataFrame"
    """Of strengths, order and log_nu."""
    log_likelihood: float
    answers: int
    ties: int
    unanswered: int
    listeners: int
    clips: int
    level: float
    remarks: tuple[str, ...]
    convergence: Convergence
    method: str = "Bradley-Terry (Davidson) model with random strengths, Laplace's approximation"
    source: str = "Bradley & Terry 1952; Davidson 1970; Böckenholt 2001; Breslow & Clayton 1993; Self & Liang 1987"
    assumptions: tuple[str, ...] = (
        "listeners (and clips) are drawn from a population, their deviations normal with one spread for all items",
        "answers are independent given who answers and what is heard",
        "the approximation is rough with very few answers per listener: standard deviations come out too small",
        "Wald intervals: rough with few listeners",
    )

    def difference(self, a: str, b: str) -> tuple[float, float, Interval]:
        """Return strength of `a` minus `b` in the population, its standard error and interval."""
        names = [str(name) for name in self.strengths.index]
        for name in (a, b):
            if name not in names:
                raise ValueError(f"no item {name!r} among {', '.join(names)}; {did_you_mean(name, names)}")
        weights = np.zeros(len(self.covariance))
        weights[names.index(a)] += 1
        weights[names.index(b)] -= 1
        estimates = self.strengths["estimate"].to_numpy(dtype=np.float64)
        estimate = float(weights[: len(names)] @ estimates)
        error = float(np.sqrt(weights @ self.covariance.to_numpy(dtype=np.float64) @ weights))
        half = float(ndtri((1 + self.level) / 2)) * error
        return estimate, error, (estimate - half, estimate + half)

    @property
    def sentence(self) -> str:
        """The result in plain words."""
        said = "; ".join(
            f"{part} SD {row.standard_deviation:.2f} (p = {row.p_value:.2g})" for part, row in self.parts.iterrows()
        )
        text = (
            f"Strengths in the population, from {number_of(self.answers, 'answer')}, strongest first (log odds, "
            f"{100 * self.level:g} %): {in_order(self.strengths)}. How far they differ: {said}."
        )
        return " ".join((text, *self.remarks))

    def to_dict(self) -> dict[str, Any]:
        """Return what JSON can hold."""
        tables = ("strengths", "parts", "listener_strengths", "listener_std_errors", "covariance")
        bare = replace(self, **dict.fromkeys(tables, ()))  # type: ignore[arg-type]
        return {
            **plain(bare),
            "strengths": json_rows(self.strengths, index="item"),
            "parts": json_rows(self.parts, index="part"),
            "listener_strengths": json_rows(self.listener_strengths, index="listener"),
            "listener_std_errors": json_rows(self.listener_std_errors, index="listener"),
            "covariance": {
                "names": [str(name) for name in self.covariance.columns],
                "values": self.covariance.to_numpy().tolist(),
            },
            "sentence": self.sentence,
        }
