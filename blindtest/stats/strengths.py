"""Strengths from paired comparisons: Bradley & Terry's model, with Davidson's ties and an effect of being heard first.

With l the strengths (sum zero), o the order effect, added to the strength of the one heard first, and nu the tie
parameter, an answer to the pair (i first, j second) has

    P(first) : P(second) : P(tie)  =  e^(x/2) : e^(-x/2) : nu,    x = l_i - l_j + o

which is a/D, b/D, nu sqrt(ab)/D with a = e^(l_i + o), b = e^(l_j). Without ties in the model the third is left out. It
is a multinomial model with its natural link: the log-likelihood is concave, Newton's method finds its maximum, and
observed and expected information are the same.

Where no maximum exists (one item never lost, say) the likelihood is penalised by the root of the information's
determinant (Firth 1993), and the result says so. Whether it exists is decided by a linear program, not by watching the
estimates grow (Albert & Anderson 1984).

Sources: Bradley & Terry 1952 (Biometrika 39, 324); Davidson 1970 (JASA 65, 317); Davidson & Beaver 1977 (Biometrics 33,
693) for order; Firth 1993 (Biometrika 80, 27); Albert & Anderson 1984 (Biometrika 71, 1).
"""

from dataclasses import dataclass, replace
from math import exp, isfinite
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr, ndtri

from blindtest.errors import BlindtestError, Fault, did_you_mean
from blindtest.nouns import number_of
from blindtest.stats.binomial import Interval, checked_probability
from blindtest.stats.comparisons import Comparisons, read_comparisons
from blindtest.stats.multiplicity import adjust_p_values
from blindtest.stats.pair_model import ORDER, TIE, Convergence, PairModel, maximised, pair_model, separated_names
from blindtest.stats.plain import plain

if TYPE_CHECKING:
    from pandas import DataFrame

__all__ = ["Convergence", "PreferenceResult", "fit_paired_preferences", "in_order"]

Floats = NDArray[np.float64]
Ties = Literal["davidson"]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PreferenceResult:
    """Strengths of items compared in pairs."""

    strengths: "DataFrame"
    """A row per item: estimate (log odds, sum zero), std_error, ci_low, ci_high (Wald)."""
    tie_parameter: float | None
    """nu: ties are nu times as likely as the geometric mean of both preferences; None: no ties in the model."""
    tie_parameter_interval: Interval | None
    """From the Wald interval of log nu; None without ties in the model or without any tie."""
    order_effect: float | None
    """Added to the strength of the one heard first, log odds; None: not in the model."""
    order_effect_std_error: float | None
    order_effect_interval: Interval | None
    log_likelihood: float
    """Multinomial, over single answers, without the penalty where there is one."""
    covariance: "DataFrame"
    """Of the strengths (items), and of `order` and `log_nu` where they are in the model.

    Singular, as strengths sum to zero.
    """
    answers: int
    """Answers the model is fitted to."""
    ties: int
    """Ties in the table; left out of the fit where `tie_parameter` is None."""
    unanswered: int
    listeners: int
    """0 where the table does not say."""
    clips: int
    level: float
    estimator: str
    separated: tuple[str, ...]
    """Parameters without a finite maximum-likelihood estimate: items, "order", "log_nu"."""
    remarks: tuple[str, ...]
    convergence: Convergence
    assumptions: tuple[str, ...]
    source: str = "Bradley & Terry 1952; Davidson 1970; Davidson & Beaver 1977"

    @property
    def items(self) -> tuple[str, ...]:
        """The items, sorted by name: the rows of `strengths`."""
        return tuple(str(item) for item in self.strengths.index)

    def probability(self, a: str, b: str) -> tuple[float, Interval]:
        """Return how probable it is that `a` is preferred to `b`, where one is, order apart; with its interval."""
        difference, std_error = self._difference(a, b)
        half = float(ndtri((1 + self.level) / 2)) * std_error
        return _logistic(difference), (_logistic(difference - half), _logistic(difference + half))

    def contrasts(self) -> "DataFrame":
        """Return all pairs: a, b, estimate (strength of a minus b), std_error, ci_low, ci_high, p_value, p_adjusted.

        p values are Wald's, two-sided; adjusted by Holm over the pairs. Intervals are not adjusted.
        """
        import pandas as pd

        z = float(ndtri((1 + self.level) / 2))
        rows: list[dict[str, Any]] = []
        for place, a in enumerate(self.items):
            for b in self.items[place + 1 :]:
                estimate, std_error = self._difference(a, b)
                rows.append(
                    {
                        "a": a,
                        "b": b,
                        "estimate": estimate,
                        "std_error": std_error,
                        "ci_low": estimate - z * std_error,
                        "ci_high": estimate + z * std_error,
                        "p_value": 2 * float(ndtr(-abs(estimate) / std_error)),
                    }
                )
        frame = pd.DataFrame(rows)
        frame["p_adjusted"] = adjust_p_values(frame["p_value"].to_numpy())
        return frame

    def _difference(self, a: str, b: str) -> tuple[float, float]:
        for name in (a, b):
            if name not in self.items:
                raise ValueError(f"no item {name!r} among {', '.join(self.items)}; {did_you_mean(name, self.items)}")
        if a == b:
            raise ValueError(f"{a!r} can't be compared with itself")
        estimates = self.strengths["estimate"].to_numpy()
        covariance = self.covariance.to_numpy()
        i, j = self.items.index(a), self.items.index(b)
        variance = covariance[i, i] + covariance[j, j] - 2 * covariance[i, j]
        return float(estimates[i] - estimates[j]), float(np.sqrt(variance))

    @property
    def sentence(self) -> str:
        """The result in plain words."""
        text = (
            f"Strengths from {number_of(self.answers, 'answer')}, strongest first (log odds, {100 * self.level:g} %): "
            f"{in_order(self.strengths)}."
        )
        if self.order_effect is not None and self.order_effect_interval is not None:
            low, high = self.order_effect_interval
            text += f" Being heard first adds {self.order_effect:+.2f} ({low:+.2f} to {high:+.2f})."
        if self.tie_parameter is not None:
            text += f" {self.ties} ties, nu {self.tie_parameter:.2f}."
        return " ".join((text, *self.remarks))

    def to_dict(self) -> dict[str, Any]:
        """Return what JSON can hold, sentence included; tables as lists of rows."""
        bare = replace(self, strengths=(), covariance=())  # type: ignore[arg-type]
        names = [str(name) for name in self.covariance.columns]
        return {
            **plain(bare),
            "strengths": [{"item": str(item), **_row(row)} for item, row in self.strengths.iterrows()],
            "covariance": {"names": names, "values": self.covariance.to_numpy().tolist()},
            "contrasts": [_row(row) for _, row in self.contrasts().iterrows()],
            "sentence": self.sentence,
        }


def in_order(strengths: "DataFrame") -> str:
    """Return strengths with their intervals in words, strongest first; a row per item: estimate, ci_low, ci_high."""
    return ", ".join(
        f"{item} {row.estimate + 0.0:+.2f} ({row.ci_low:+.2f} to {row.ci_high:+.2f})"
        for item, row in strengths.sort_values("estimate", ascending=False).iterrows()
    )


def _row(row: Any) -> dict[str, Any]:
    return {
        str(name): value if isinstance(value, str) else (float(value) if isfinite(value) else None)
        for name, value in row.items()
    }


def _logistic(x: float) -> float:
    return 1 / (1 + exp(-x)) if x > -700 else 0.0


def fit_paired_preferences(
    table: "DataFrame", *, ties: Ties | None = "davidson", order: bool = True, level: float = 0.95
) -> PreferenceResult:
    """Return the strengths of the items of a table of comparisons (first, second, outcome).

    Parameters
    ----------
    ties : "davidson" keeps ties in the model; None leaves them out (which favours whoever ties seldom)
    order : whether being heard first has an effect of its own
    level : of the Wald intervals

    Raises
    ------
    BlindtestError
        A table that can't be read (`read_comparisons`); no answer with a preference; groups of items that were never
        compared with each other; an order effect that can't be told apart from the strengths.
    ValueError
        Another way to treat ties, a level outside 0 ... 1.
    """
    if ties not in ("davidson", None):
        raise ValueError(f"no model of ties {ties!r} (there are: 'davidson', None)")
    checked_probability("level", level)
    counts = read_comparisons(table)
    _check_connected(counts, ties)
    model = pair_model(counts, ties=ties is not None and counts.ties > 0, order=order)
    _check_identified(model, counts)
    separated = separated_names(model)
    theta, convergence = maximised(model, penalised=bool(separated))
    return _result(model, counts, theta, convergence, separated, ties=ties, level=level)


def _check_connected(counts: Comparisons, ties: Ties | None) -> None:
    if counts.answers == counts.ties:
        raise BlindtestError(
            Fault(
                problem="no answer of this table is a preference: there are no strengths to estimate",
                key="outcome",
                got=f"{counts.ties} ties of {counts.answers} answers",
                remedy="the sign tests count them; strengths need answers first or second",
            )
        )
    groups = [{item} for item in counts.items]
    for pair, cell in counts.cells.items():
        if sum(cell[: 3 if ties else 2]):
            joined = [group for group in groups if group & set(pair)]
            groups = [group for group in groups if group not in joined] + [set().union(*joined)]
    if len(groups) > 1:
        raise BlindtestError(
            Fault(
                problem="these groups of items were never compared with each other, so they have no common scale",
                got="; ".join(", ".join(sorted(group)) for group in sorted(groups, key=min)),
                remedy="compare one item of each group with one of another, or fit them apart",
            )
        )


def _check_identified(model: PairModel, counts: Comparisons) -> None:
    differences = model.features - model.features.mean(axis=1, keepdims=True)
    flat = differences.reshape(-1, model.features.shape[2])
    if np.linalg.matrix_rank(flat) < flat.shape[1]:
        raise BlindtestError(
            Fault(
                problem="the effect of being heard first can't be told apart from the strengths",
                got="; ".join(f"{first} before {second}" for first, second in sorted(counts.cells)),
                remedy="hear the pairs in both orders, or leave the order effect out (order=False)",
            )
        )


def _result(
    model: PairModel,
    counts: Comparisons,
    theta: Floats,
    convergence: Convergence,
    separated: tuple[str, ...],
    *,
    ties: Ties | None,
    level: float,
) -> PreferenceResult:
    import pandas as pd

    inner = np.linalg.inv(model.information(model.probabilities(theta)))
    covariance = model.basis @ inner @ model.basis.T
    estimates = dict(zip(model.names, (model.basis @ theta).tolist(), strict=True))
    errors = dict(zip(model.names, np.sqrt(np.diag(covariance)).tolist(), strict=True))
    z = float(ndtri((1 + level) / 2))

    def interval(name: str) -> Interval:
        return estimates[name] - z * errors[name], estimates[name] + z * errors[name]

    strengths = pd.DataFrame(
        [(estimates[item], errors[item], *interval(item)) for item in model.items],
        columns=["estimate", "std_error", "ci_low", "ci_high"],
        index=pd.Index(model.items, name="item"),
    )
    has_ties, has_order = TIE in model.names, ORDER in model.names
    return PreferenceResult(
        strengths=strengths,
        tie_parameter=exp(estimates[TIE]) if has_ties else (0.0 if ties else None),
        tie_parameter_interval=tuple(map(exp, interval(TIE))) if has_ties else None,  # type: ignore[arg-type]
        order_effect=estimates[ORDER] if has_order else None,
        order_effect_std_error=errors[ORDER] if has_order else None,
        order_effect_interval=interval(ORDER) if has_order else None,
        log_likelihood=model.log_likelihood(theta),
        covariance=pd.DataFrame(covariance, index=list(model.names), columns=list(model.names)),
        answers=int(model.observed.sum()),
        ties=counts.ties,
        unanswered=sum(counts.unanswered.values()),
        listeners=counts.listeners,
        clips=counts.clips,
        level=float(level),
        estimator="penalised likelihood (Firth 1993)" if separated else "maximum likelihood",
        separated=separated,
        remarks=_remarks(counts, separated, convergence, ties),
        convergence=convergence,
        assumptions=_assumptions(counts, has_order),
    )


def _remarks(
    counts: Comparisons, separated: tuple[str, ...], convergence: Convergence, ties: Ties | None
) -> tuple[str, ...]:
    said = []
    if separated:
        said.append(
            f"The data alone put no bound on {', '.join(separated)} (an item that never lost or was never preferred, "
            "or the like): estimates are those of a penalised likelihood (Firth 1993), held towards zero, and Wald "
            "intervals are rough here."
        )
    if ties and not counts.ties:
        said.append("No answer was a tie: nu is 0, the model that of Bradley and Terry.")
    if ties is None and counts.ties:
        said.append(f"{counts.ties} ties were left out, which favours whoever ties seldom.")
    if not convergence.converged:
        said.append(f"The fit did not converge in {convergence.steps} steps: {convergence.remedy}.")
    return tuple(said)


def _assumptions(counts: Comparisons, order: bool) -> tuple[str, ...]:
    who = f"{counts.listeners} listeners" if counts.listeners > 1 else "all listeners"
    return (
        f"answers of {who} and all clips are pooled as if independent, with one strength for everybody; "
        "where listeners or clips differ, intervals are too narrow",
        "strengths are of one dimension: A over B and B over C say how often A over C",
        "being heard first helps every item alike" if order else "being heard first has no effect",
        "Wald intervals: rough with few answers",
    )
