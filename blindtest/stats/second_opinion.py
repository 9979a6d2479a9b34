"""One mixed model of all ratings beside the verdict: printed, never decisive.

rating ~ x * m, with x = +1/2 for the device and -1/2 for the comparator, m = 1 blind and 0 labelled: the slope of x is
the labelled effect s, that of x:m the difference d - s. For a crossed panel also * order, +1/2 blind first and -1/2
labelled first. Random parts, scalar variances: for a panel listener, clip, listener:device, listener:mode,
clip:device, clip:mode, listener:device:mode, clip:device:mode; for a single listener sitting and sitting:device, clips
fixed. Both modes share these variances, which the verdict does not assume; the fit shows where the scatter comes from.
REML, limits by Satterthwaite's degrees of freedom.
"""

from dataclasses import dataclass
from math import nan, sqrt
from typing import TYPE_CHECKING, Any

import numpy as np
from scipy.special import stdtrit

from blindtest.errors import BlindtestError
from blindtest.stats.binomial import Interval
from blindtest.stats.plain import plain

if TYPE_CHECKING:
    from pandas import DataFrame

__all__ = ["MixedOpinion", "Scatter", "mixed_opinion"]

_PANEL = (
    "listener", "clip", "listener:device", "listener:mode", "clip:device", "clip:mode", "listener:device:mode",
    "clip:device:mode",
)  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class Scatter:
    """A standard deviation of the model."""

    group: str
    """What varies: "listener:device" is what a listener hears in a device beyond the mean listener; or "residual"."""
    sd: float
    """Points."""

    def to_dict(self) -> dict[str, Any]:
        """Return what JSON can hold."""
        return plain(self)


@dataclass(frozen=True, slots=True, kw_only=True)
class MixedOpinion:
    """What one mixed model says about the same ratings."""

    fitted: bool
    why_not: str
    """Where it could not be fitted."""
    model: str
    labelled: float
    blind: float
    difference: float
    """Blind minus labelled effect."""
    labelled_interval: Interval
    blind_interval: Interval
    difference_interval: Interval
    level: float
    converged: bool
    remarks: tuple[str, ...]
    scatter: tuple[Scatter, ...] = ()
    source: str = "REML, scalar variances shared by both modes; degrees of freedom after Satterthwaite 1946"

    @property
    def sentence(self) -> str:
        """The result in plain words."""
        if not self.fitted:
            return f"No mixed model beside it: {self.why_not}."
        low, high = self.difference_interval
        doubt = "" if self.converged else " (the fit did not converge: read with care)"
        largest = sorted((one for one in self.scatter if one.group != "residual"), key=lambda one: -one.sd)[:3]
        said = ", ".join(f"{one.group} {one.sd:.1f}" for one in largest if one.sd > 0)
        rest = next((one.sd for one in self.scatter if one.group == "residual"), nan)
        return (
            f"A mixed model of the same ratings puts blind minus labelled effect at {self.difference:.1f} ({low:.1f} "
            f"to {high:.1f}, {100 * self.level:g} %){doubt}; largest standard deviations: {said or 'none'}; of a "
            f"single rating {rest:.1f}."
        )

    def to_dict(self) -> dict[str, Any]:
        """Return what JSON can hold."""
        return plain(self, "sentence")


def not_fitted(why: str, *, level: float) -> MixedOpinion:
    """Return the opinion that there is none, and why."""
    nowhere = (nan, nan)
    return MixedOpinion(
        fitted=False,
        why_not=why,
        model="",
        labelled=nan,
        blind=nan,
        difference=nan,
        labelled_interval=nowhere,
        blind_interval=nowhere,
        difference_interval=nowhere,
        level=level,
        converged=False,
        remarks=(),
    )


def mixed_opinion(rows: "DataFrame", *, unit: str, level: float = 0.95) -> MixedOpinion:
    """Return what the model says about `rows`: listener, sitting, mode, clip, device (bool: the device), rating.

    A column `order` (+1/2 blind first, -1/2 labelled first) puts the order of the phases into it.
    """
    if rows["rating"].nunique() < 2:
        return not_fitted("all ratings are alike", level=level)
    if rows["mode"].nunique() < 2:
        return not_fitted("one of the modes is missing", level=level)
    data = rows.assign(
        x=np.where(rows["device"], 0.5, -0.5),
        m=(rows["mode"] == "blind").astype(float),
        device=np.where(rows["device"], "device", "comparator"),
        sitting=rows["mode"].astype(str) + " " + rows["sitting"].astype(str),
    )
    unit_name = "listener" if unit == "listener" else "sitting"
    if data[unit_name].nunique() < 2:
        return not_fitted(f"there is only one {unit_name}", level=level)
    fixed = "x * m * order" if "order" in data and unit == "listener" else "x * m"
    if unit == "listener":
        groups = [group for group in _PANEL if "clip" not in group or data["clip"].nunique() > 1]
    else:
        groups = ["sitting", "sitting:device"]
        fixed += " + C(clip)" if data["clip"].nunique() > 1 else ""
    return _opinion(f"rating ~ {fixed}", data, groups, level)


def _opinion(formula: str, data: "DataFrame", groups: list[str], level: float) -> MixedOpinion:
    from blindtest.stats.mixed.degrees_of_freedom import satterthwaite
    from blindtest.stats.mixed.linear import prepare_linear_mixed

    told = [group for group in groups if len(data[group.split(":")].drop_duplicates()) < len(data)]
    remarks = [f"no variance of its own for {group}: as many as ratings" for group in groups if group not in told]
    try:
        fit = prepare_linear_mixed(formula, data, random=dict.fromkeys(told, "1")).fit(data["rating"].to_numpy(float))
    except BlindtestError as error:
        return not_fitted(error.faults[0].problem, level=level)
    except np.linalg.LinAlgError:
        return not_fitted("its variances can't be told apart in so few ratings", level=level)
    names = list(fit.model.terms)
    rows = {"labelled": ("x",), "difference": ("x:m",), "blind": ("x", "x:m")}
    weights = np.array([[float(name in slopes) for name in names] for slopes in rows.values()])
    df = satterthwaite(weights, fit.cov_beta, fit.cov_beta_gradient(), fit.phi_covariance())
    half = stdtrit(df, (1 + level) / 2) * np.sqrt(np.einsum("ij,jk,ik->i", weights, fit.cov_beta, weights))
    means = dict(zip(rows, weights @ fit.beta, strict=True))
    halves = dict(zip(rows, half, strict=True))

    def interval(name: str) -> Interval:
        return float(means[name] - halves[name]), float(means[name] + halves[name])

    return MixedOpinion(
        fitted=True,
        why_not="",
        model=f"{formula}; random by {', '.join(told)}",
        labelled=float(means["labelled"]),
        blind=float(means["blind"]),
        difference=float(means["difference"]),
        labelled_interval=interval("labelled"),
        blind_interval=interval("blind"),
        difference_interval=interval("difference"),
        level=level,
        converged=fit.convergence.converged,
        remarks=tuple(remarks),
        scatter=tuple(
            Scatter(group=label.group, sd=sqrt(max(float(value), 0.0)))
            for label, value in zip(fit.labels, fit.phi, strict=True)
        ),
    )
