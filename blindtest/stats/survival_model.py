"""The effects of a panel, labelled and blind, by a mixed model of listeners and clips; each tested term by its own.

The model of ratings has scalar variances for listener, clip, listener:device, listener:mode, clip:device, clip:mode,
listener:device:mode and clip:device:mode, and one for the page (listener, clip and mode), whose two ratings were made
side by side. What is tested needs random parts of its own (Barr et al. 2013): the blind effect d is estimated from the
blind ratings, the labelled effect s from the labelled ones, d - rho s from both with the labelled ratings multiplied by
rho, so that it is the product of device and mode. Within one mode the parts with mode fall together with those without.
One variance for both modes would be wrong wherever one phase is noisier than the other (names unite listeners): with
spreads of 3 and 9 points limits of 5 % would fail in 9 %.

Where nothing is missing this is the two-way layout of two_way.py, one difference per listener and clip, and taken from
mean squares. Else it is fitted by REML to the means of what was rated (`prepare_linear_mixed`), pages with one of the
two devices included; variances of the error are then split into the parts of listeners and clips, each with
Satterthwaite's degrees of freedom, and widened by Kenward and Roger's adjustment.

Where the two phases came in opposite orders (a crossed panel), device x order is part of it: both orders have the same
weight, and what one phase does to the next is no spread of listeners.
"""

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
from numpy.typing import NDArray

from blindtest.stats.contrasts import Contrasts, Estimates
from blindtest.stats.ratings import MODES, Panel
from blindtest.stats.two_way import crossed_mean, difference_of_orders

if TYPE_CHECKING:
    from blindtest.stats.mixed.linear_fit import LinearFit

__all__ = ["ModelTerms", "model_of_ratings", "model_of_signs"]

Floats = NDArray[np.float64]
Route = Literal["mean squares", "REML"]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ModelTerms:
    """The tested terms of one panel."""

    contrasts: Contrasts
    order_effect: Estimates | None
    """Of the blind effect: listeners who were blind first minus those who were labelled first."""
    route: Route
    remarks: tuple[str, ...]


def model_of_ratings(
    panel: Panel, *, kept: float, clips_drawn: bool, least_sd: float, scale: tuple[float, float] = (1.0, 1.0)
) -> ModelTerms:
    """Return d, s, d - s and d - rho s in points, or in units of `scale`: (labelled, blind) points each.

    Raises
    ------
    BlindtestError
        Ratings that the model can't be fitted to.
    """
    weights = (1 / scale[0], 1 / scale[1])
    if panel.complete:
        differences = panel.ratings[..., 0] - panel.ratings[..., 1]
        return _from_mean_squares(
            differences[0] * weights[0],
            differences[1] * weights[1],
            panel,
            kept=kept,
            clips_drawn=clips_drawn,
            least_sd=least_sd * max(weights),
        )
    order = panel.order
    remarks: list[str] = []

    def term(labelled: float | None, blind: float | None) -> tuple[Estimates, Estimates | None]:
        fit, names, lost = _fitted(panel, labelled, blind, clips_drawn=clips_drawn)
        remarks.extend(text for text in lost if text not in remarks)
        used = [value for value in (labelled, blind) if value is not None]
        floor = least_sd * float(np.sqrt(sum(value**2 for value in used)))
        product = "x:m" if len(used) == 2 else "x"
        return (
            _parts(fit, names.index(product), panel, least_sd=floor),
            None if order is None else _parts(fit, names.index(f"{product}:o"), panel, least_sd=0.0),
        )

    blind, order_effect = term(None, weights[1])
    labelled, _ = term(weights[0], None)
    difference, _ = term(weights[0], weights[1])
    kept_contrast = difference if kept == 1 else term(kept * weights[0], weights[1])[0]
    return ModelTerms(
        contrasts=Contrasts(labelled=labelled, blind=blind, difference=difference, kept=kept_contrast),
        order_effect=order_effect,
        route="REML",
        remarks=tuple(remarks),
    )


def model_of_signs(panel: Panel, *, kept: float, clips_drawn: bool, least_sd: float) -> ModelTerms:
    """Return the same terms of shares of pairs with the device above minus shares with it below."""
    labelled, blind = panel.signs
    if not np.isnan(panel.signs).any():
        return _from_mean_squares(labelled, blind, panel, kept=kept, clips_drawn=clips_drawn, least_sd=least_sd)

    def term(values: Floats, share: float) -> Estimates:
        fit, names = _fitted_cells(values, panel, clips_drawn=clips_drawn)
        return _parts(fit, names.index("Intercept"), panel, least_sd=least_sd * float(np.sqrt(1 + share**2)))

    return ModelTerms(
        contrasts=Contrasts(
            labelled=term(labelled, 0.0),
            blind=term(blind, 0.0),
            difference=term(blind - labelled, 1.0),
            kept=term(blind - kept * labelled, kept),
        ),
        order_effect=None,
        route="REML",
        remarks=(),
    )


def _from_mean_squares(
    labelled: Floats, blind: Floats, panel: Panel, *, kept: float, clips_drawn: bool, least_sd: float
) -> ModelTerms:
    def term(values: Floats, share: float) -> Estimates:
        floor = least_sd * float(np.sqrt(1 + share**2))
        return crossed_mean(values, order=panel.order, clips_drawn=clips_drawn, least_sd=floor)

    return ModelTerms(
        contrasts=Contrasts(
            labelled=term(labelled, 0.0),
            blind=term(blind, 0.0),
            difference=term(blind - labelled, 1.0),
            kept=term(blind - kept * labelled, kept),
        ),
        order_effect=None if panel.order is None else difference_of_orders(blind, panel.order),
        route="mean squares",
        remarks=(),
    )


# by REML

_ONE_MODE = ("listener", "clip", "listener:device", "clip:device")
_BOTH_MODES = (*_ONE_MODE, "listener:mode", "clip:mode", "listener:device:mode", "clip:device:mode")


def _fitted(
    panel: Panel, labelled: float | None, blind: float | None, *, clips_drawn: bool
) -> tuple["LinearFit", list[str], list[str]]:
    """Return the fit to the ratings of one mode or both, each multiplied by its number; names; what was left out."""
    import pandas as pd

    rows: list[dict[str, Any]] = []
    for mode, (name, weight) in enumerate(zip(MODES, (labelled, blind), strict=True)):
        if weight is None:
            continue
        for (i, j, k), value in np.ndenumerate(panel.ratings[mode]):
            if not np.isnan(value):
                rows.append(
                    {
                        "rating": value * weight,
                        "x": (0.5, -0.5)[k],
                        "m": float(mode) - 0.5,
                        "o": 0.0 if panel.order is None else float(panel.order[i]) - 0.5,
                        "listener": panel.listeners[i],
                        "clip": panel.clips[j],
                        "device": ("device", "comparator")[k],
                        "mode": name,
                        "page": f"{i} {j} {mode}",
                    }
                )
    both = labelled is not None and blind is not None
    fixed = "x * m" if both else "x"
    if panel.order is not None:
        fixed += " * o"
    if not clips_drawn and len(panel.clips) > 1:
        fixed = f"({fixed.replace(' * o', '')}) * C(clip, contr.sum)" + (f" + {fixed}" if "o" in fixed else "")
    groups = [group for group in (_BOTH_MODES if both else _ONE_MODE) if clips_drawn or "clip" not in group]
    return _best(f"rating ~ {fixed}", pd.DataFrame(rows), [*groups, "page"])


def _fitted_cells(values: Floats, panel: Panel, *, clips_drawn: bool) -> tuple["LinearFit", list[str]]:
    import pandas as pd

    rows = [
        {
            "value": value,
            "o": 0.0 if panel.order is None else float(panel.order[i]) - 0.5,
            "listener": panel.listeners[i],
            "clip": panel.clips[j],
        }
        for (i, j), value in np.ndenumerate(values)
        if not np.isnan(value)
    ]
    fixed = "1" if panel.order is None else "o"
    if not clips_drawn and len(panel.clips) > 1:
        fixed += " + C(clip, contr.sum)"
    fit, names, _ = _best(f"value ~ {fixed}", pd.DataFrame(rows), ["listener", "clip"] if clips_drawn else ["listener"])
    return fit, names


def _best(formula: str, table: Any, groups: list[str]) -> tuple["LinearFit", list[str], list[str]]:
    """Return the fit with those of the groups that the table can tell from single answers; names; what was left out."""
    from blindtest.stats.mixed.linear import prepare_linear_mixed

    told = [group for group in groups if len(table[group.split(":")].drop_duplicates()) < len(table)]
    lost = [f"no variance of its own for {group}: as many as ratings" for group in groups if group not in told]
    response = table[formula.split(" ~ ")[0]].to_numpy(dtype=np.float64)
    fit = prepare_linear_mixed(formula, table, random=dict.fromkeys(told, "1")).fit(response)
    return fit, list(fit.model.terms), lost


def _parts(fit: "LinearFit", place: int, panel: Panel, *, least_sd: float) -> Estimates:
    """Return a coefficient with the parts of listeners and clips in its error.

    The variance of a coefficient is homogeneous of degree one in the variances of the model, so it is the sum of each
    variance times its slope (Euler).
    """
    free = ~fit.zero
    slopes = fit.cov_beta_gradient()[:, place, place]
    parts = fit.phi[free] * slopes
    groups = [label.group.split(":") for label, used in zip(fit.labels, free, strict=True) if used]
    of_clips = np.array(["clip" in group and "listener" not in group for group in groups])
    of_listeners = np.array(["listener" in group and "clip" not in group for group in groups])
    spread = fit.phi_covariance()
    adjusted = fit.kenward_roger().cov_adjusted[place, place] / fit.cov_beta[place, place]
    widening = max(1.0, float(adjusted))
    most = len(panel.listeners) - (1 if panel.order is None else 2)

    def alone(keep: NDArray[np.bool_], most: int) -> tuple[float, float]:
        variance = float(parts[keep].sum())
        scatter = float(slopes[keep] @ spread[np.ix_(keep, keep)] @ slopes[keep])
        df = 2 * variance**2 / scatter if scatter > 0 else float(most)
        return variance * widening, min(max(df, 1.0), float(max(most, 1)))

    own, df = alone(~of_clips, most)
    own = max(own, least_sd**2 / len(panel.listeners))
    added = float(parts[of_clips].sum()) * widening
    floor, clip_df = alone(~of_listeners, len(panel.clips) - 1)
    return Estimates(
        mean=np.asarray(fit.beta[place]),
        std_error=np.asarray(np.sqrt(own + added)),
        df=np.asarray(df),
        clip_variance=np.asarray(added),
        clip_floor=np.asarray(floor if added > 0 else 0.0),
        clip_df=np.asarray(clip_df),
    )
