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
Satterthwaite's degrees of freedom, and widened by Kenward and Roger's adjustment. The random parts are written as
uncorrelated slopes of listeners and clips on device (x), mode (m) and their product, +-1/2 each: the same variances as
those of the products of groups, without the bound that an effect must vary as much as its change between modes.

Where the two phases came in opposite orders (a crossed panel), device x order is part of it: both orders have the same
weight, and what one phase does to the next is no spread of listeners.
"""

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
from numpy.typing import NDArray

from blindtest.stats.contrasts import Contrasts, Estimates
from blindtest.stats.crossed_fit import crossed_term
from blindtest.stats.ratings import Panel
from blindtest.stats.two_way import crossed_mean, difference_of_orders

if TYPE_CHECKING:
    from blindtest.stats.mixed.linear_fit import LinearFit, PreparedLinear

__all__ = ["ModelTerms", "model_of_ratings", "model_of_signs", "prepared_ratings", "term_of"]

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
        return _from_mean_squares(
            panel.differences[0] * weights[0],
            panel.differences[1] * weights[1],
            panel,
            kept=kept,
            clips_drawn=clips_drawn,
            least_sd=least_sd * max(weights),
        )
    order = panel.order
    remarks: list[str] = []

    def term(labelled: float, blind: float) -> tuple[Estimates, Estimates | None]:
        modes = tuple(mode for mode, weight in enumerate((labelled, blind)) if weight)
        prepared, places, lost = prepared_ratings(panel, modes, clips_drawn=clips_drawn)
        remarks.extend(text for text in lost if text not in remarks)
        fit = prepared.fit(panel.ratings[places] * np.array([labelled, blind])[places[0]])
        name = "x:m" if len(modes) == 2 else "x"
        return (
            term_of(fit, name, panel, least_sd=least_sd * float(np.hypot(labelled, blind))),
            None if order is None else term_of(fit, f"{name}:o", panel),
        )

    blind, order_effect = term(0.0, weights[1])
    labelled, _ = term(weights[0], 0.0)
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
        prepared, response = _prepared_cells(values, panel, clips_drawn=clips_drawn)
        floor = least_sd * float(np.sqrt(1 + share**2))
        return term_of(prepared.fit(response), "Intercept", panel, least_sd=floor)

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


def prepared_ratings(
    panel: Panel, modes: tuple[int, ...], *, clips_drawn: bool
) -> tuple["PreparedLinear", tuple[NDArray[np.intp], ...], tuple[str, ...]]:
    """Return the model of one mode or both, ready for ratings; where in `panel.ratings` they stand; what was left out.

    Coefficient "x" is the effect in one mode, "x:m" the difference of both.
    """
    import pandas as pd

    there = ~np.isnan(panel.ratings)
    there[[mode for mode in (0, 1) if mode not in modes]] = False
    places = np.nonzero(there)
    mode, listener, clip, device = places
    table = pd.DataFrame(
        {
            "x": 0.5 - device,
            "m": mode - 0.5,
            "o": _signed_order(panel)[listener],
            "listener": np.asarray(panel.listeners, dtype=object)[listener],
            "clip": np.asarray(panel.clips, dtype=object)[clip],
            "page": [f"{i} {j} {k}" for i, j, k in zip(listener, clip, mode, strict=True)],
        }
    )
    both = len(modes) == 2
    fixed = "x * m" if both else "x"
    with_order = fixed if panel.order is None else f"{fixed} * o"
    parts = ["1", "0 + x", "0 + m", "0 + x:m"] if both else ["1", "0 + x"]
    random: dict[str, Any] = {"listener": parts, "page": "1"}
    if clips_drawn:
        random["clip"] = parts
    elif len(panel.clips) > 1:
        with_order += f" + ({fixed}) * C(clip, contr.sum)"
    prepared, lost = _prepared(with_order, table, random)
    return prepared, places, lost


def _prepared_cells(values: Floats, panel: Panel, *, clips_drawn: bool) -> tuple["PreparedLinear", Floats]:
    import pandas as pd

    listener, clip = np.nonzero(~np.isnan(values))
    table = pd.DataFrame(
        {
            "o": _signed_order(panel)[listener],
            "listener": np.asarray(panel.listeners, dtype=object)[listener],
            "clip": np.asarray(panel.clips, dtype=object)[clip],
        }
    )
    fixed = "1" if panel.order is None else "o"
    if not clips_drawn and len(panel.clips) > 1:
        fixed += " + C(clip, contr.sum)"
    random = {"listener": "1", "clip": "1"} if clips_drawn else {"listener": "1"}
    return _prepared(fixed, table, random)[0], values[listener, clip]


def _signed_order(panel: Panel) -> Floats:
    return np.zeros(len(panel.listeners)) if panel.order is None else np.where(panel.order, 0.5, -0.5)


def _prepared(fixed: str, table: Any, random: dict[str, Any]) -> tuple["PreparedLinear", tuple[str, ...]]:
    """Return the model with those of the groups that the table can tell from single answers; what was left out."""
    from blindtest.stats.mixed.linear import prepare_linear_mixed

    told = {group: parts for group, parts in random.items() if table[group].nunique() < len(table)}
    lost = tuple(f"no variance of its own for the {group}: as many as ratings" for group in random if group not in told)
    return prepare_linear_mixed(f"rating ~ {fixed}", table, random=told), lost


def term_of(fit: "LinearFit", name: str, panel: Panel, *, least_sd: float = 0.0) -> Estimates:
    """Return a coefficient of a fit to a panel's ratings with its error."""
    listeners = len(panel.listeners)
    return crossed_term(
        fit,
        name,
        listener_df=listeners - (1 if panel.order is None else 2),
        clip_df=len(panel.clips) - 1,
        least_error=least_sd / float(np.sqrt(listeners)),
    )
