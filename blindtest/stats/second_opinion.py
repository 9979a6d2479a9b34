"""A mixed model beside the verdict: statsmodels' MixedLM on the same ratings, printed and never decisive.

rating ~ x * m + clip with x = +1/2 for the device and -1/2 for the comparator, m = 1 blind and 0 labelled: the slope of
x is the labelled effect s, that of x:m the difference d - s. Random parts, scalar variances: for a panel listener,
listener:device, listener:mode, listener:device:mode; for a single listener sitting and sitting:device. Intervals are
Wald's with normal quantiles, as statsmodels gives them: too narrow with few listeners, which is why the verdict rests
on t limits of one contrast per listener instead.
"""

from dataclasses import dataclass
from math import isfinite, nan
from typing import TYPE_CHECKING, Any

import numpy as np
from scipy.special import ndtri

from blindtest.stats.binomial import Interval
from blindtest.stats.plain import plain

if TYPE_CHECKING:
    from pandas import DataFrame

__all__ = ["MixedOpinion", "mixed_opinion"]


@dataclass(frozen=True, slots=True, kw_only=True)
class MixedOpinion:
    """What a mixed model says about the same ratings."""

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
    source: str = "statsmodels MixedLM, REML"

    @property
    def sentence(self) -> str:
        """The result in plain words."""
        if not self.fitted:
            return f"No mixed model beside it: {self.why_not}."
        low, high = self.difference_interval
        doubt = "" if self.converged else " (the fit did not converge: read with care)"
        return (
            f"A mixed model of the same ratings puts blind minus labelled effect at {self.difference:.1f} ({low:.1f} "
            f"to {high:.1f}, {100 * self.level:g} %, normal quantiles: too narrow with few units){doubt}."
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
    """Return what MixedLM says about `rows`: listener, sitting, mode, clip, device (bool: the device), rating."""
    import warnings

    if rows["rating"].nunique() < 2:
        return not_fitted("all ratings are alike", level=level)
    if rows["mode"].nunique() < 2:
        return not_fitted("one of the modes is missing", level=level)
    data = rows.assign(
        x=np.where(rows["device"], 0.5, -0.5),
        m=(rows["mode"] == "blind").astype(float),
        unit=rows["listener"] if unit == "listener" else rows["mode"] + " " + rows["sitting"],
    )
    if data["unit"].nunique() < 2:
        return not_fitted(f"there is only one {unit}", level=level)
    parts = {"device": "0 + x"}
    if unit == "listener":
        parts |= {"mode": "0 + C(mode)", "device_mode": "0 + x:C(mode)"}
    fixed = "rating ~ x * m" + (" + C(clip)" if data["clip"].nunique() > 1 else "")
    remarks: list[str] = []
    with warnings.catch_warnings(record=True) as caught:
        warnings.simplefilter("always")
        try:
            found = _fit(fixed, parts, data)
        except Exception as problem:  # whatever statsmodels stumbles over: its opinion is not needed for the verdict
            return not_fitted(f"statsmodels could not fit it ({type(problem).__name__}: {problem})", level=level)
    remarks += sorted({text for item in caught if not _passing(text := str(item.message).split("\n")[0], found)})
    names = list(found.model.exog_names)
    estimates = np.asarray(found.fe_params)
    covariance = np.asarray(found.cov_params())[: len(names), : len(names)]
    z = float(ndtri((1 + level) / 2))

    def effect(*slopes: str) -> tuple[float, Interval]:
        row = np.array([float(name in slopes) for name in names])
        mean, half = float(row @ estimates), z * float(np.sqrt(row @ covariance @ row))
        return mean, (mean - half, mean + half)

    labelled, difference, blind = effect("x"), effect("x:m"), effect("x", "x:m")
    if not all(isfinite(limit) for limit in (*labelled[1], *difference[1], *blind[1])):
        return not_fitted("its standard errors do not exist: too few ratings for its random parts", level=level)
    return MixedOpinion(
        fitted=True,
        why_not="",
        model=f"{fixed}; random by {unit}: 1, {', '.join(parts)}",
        labelled=labelled[0],
        blind=blind[0],
        difference=difference[0],
        labelled_interval=labelled[1],
        blind_interval=blind[1],
        difference_interval=difference[1],
        level=level,
        converged=bool(found.converged),
        remarks=tuple(remarks),
    )


def _passing(text: str, found: Any) -> bool:
    """Whether a warning was about a first attempt and the second one converged."""
    return bool(found.converged) and ("failed to converge" in text or text.startswith("Retrying"))


def _fit(fixed: str, parts: dict[str, str], data: "DataFrame") -> Any:
    from statsmodels.formula.api import mixedlm

    model = mixedlm(fixed, data, groups=data["unit"], re_formula="1", vc_formula=parts)
    return model.fit(reml=True, method=["lbfgs", "powell"], maxiter=200)
