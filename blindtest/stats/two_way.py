"""The mean of listeners crossed with clips, by mean squares: a balanced mixed model in closed form, many at once.

y_lc = mu (+ order of l) + a_l + b_c + e_lc with listeners a and clips b both drawn at random. The mean squares of
listeners, clips and what is left estimate

    theta_L = var_e + C var_a        theta_C = var_e + L var_b        theta_E = var_e

and are independent; REML gives the same as long as no variance is at zero. The variance of the mean over L listeners
and C clips is (theta_L + theta_C - theta_E) / (L C). With these clips and no others b is fixed and it is
theta_L / (L C), which is the t test on one mean per listener.

At zero the two part. REML pools a mean square of listeners below that of the residual with it; simulated over six to
24 listeners and two to eight clips that costs up to .015 of power against one mean per listener and gains nothing, so
the mean square stays as it is (Stroup & Littell 2002, ASA Joint Statistical Meetings, advise the same for tests of
fixed effects, from memory). A part of clips below zero is left out.
"""

import numpy as np
from numpy.typing import ArrayLike, NDArray

from blindtest.stats.contrasts import Estimates

__all__ = ["LEAST_CLIPS", "crossed_mean", "difference_of_orders", "mean_of_margins"]

Floats = NDArray[np.float64]

LEAST_CLIPS = 5
"""With fewer, no limit is drawn beyond these clips: the spread of four clips has three degrees of freedom, and where
chance hides it, a limit of 2.5 % fails in up to 3.0 % of studies (four clips) or 3.5 % (three); with five in 2.6 %,
the largest of 64 rates whose Monte Carlo error is .08 % (4 to 24 listeners, ratios of mean squares from 1 to 30;
`--limits` of tests/stats/simulate_survival.py)."""


def crossed_mean(
    values: ArrayLike, *, order: ArrayLike | None = None, clips_drawn: bool, least_sd: float = 0.0
) -> Estimates:
    """Return the mean over listeners and clips with its error.

    Parameters
    ----------
    values : (..., listeners, clips), complete
    order : (listeners,) booleans where two groups heard the phases in opposite orders: the mean gives both groups the
        same weight, and their difference is no spread of listeners. None: one group
    clips_drawn : clips are a sample of clips; False: these clips and no others
    least_sd : standard deviation of a listener's mean below which rounding hides it
    """
    y = np.asarray(values, dtype=np.float64)
    rows, columns = y.mean(axis=-1), y.mean(axis=-2)
    left = y - rows[..., :, None] - columns[..., None, :] + y.mean(axis=(-2, -1))[..., None, None]
    return mean_of_margins(
        rows, columns, (left**2).sum(axis=(-2, -1)), order=order, clips_drawn=clips_drawn, least_sd=least_sd
    )


def mean_of_margins(
    rows: Floats,
    columns: Floats,
    squares_left: Floats,
    *,
    order: ArrayLike | None,
    clips_drawn: bool,
    least_sd: float = 0.0,
) -> Estimates:
    """Return the mean with its error from means of listeners, (..., listeners), and of clips, (..., clips).

    Parameters
    ----------
    squares_left : (...), sum of squares of what the two means leave of each value
    """
    listeners, clips = rows.shape[-1], columns.shape[-1]
    groups = _groups(order, listeners)
    means = np.stack([rows[..., group].mean(axis=-1) for group in groups], axis=-1)
    mean = means.mean(axis=-1)
    # With unequal groups a listener's weight isn't 1/L: sum of squared weights in its place.
    weight = sum(1 / group.sum() for group in groups) / len(groups) ** 2
    df = listeners - len(groups)
    if df < 1:
        return Estimates(mean=mean, std_error=np.full(mean.shape, np.inf), df=np.asarray(1.0))
    squares = sum(rows[..., group].var(axis=-1) * group.sum() for group in groups)
    of_listeners = np.maximum(squares / df, least_sd**2) * weight
    if not clips_drawn or clips < 2:
        return Estimates(mean=mean, std_error=np.sqrt(of_listeners), df=np.asarray(float(df)))
    of_rest = squares_left / ((listeners - 1) * (clips - 1)) / (listeners * clips)
    of_clips = columns.var(axis=-1, ddof=1) / clips
    added = np.maximum(of_clips - of_rest, 0.0)
    return Estimates(
        mean=mean,
        std_error=np.sqrt(of_listeners + added),
        df=np.asarray(float(df)),
        clip_variance=added,
        clip_floor=np.where(added > 0, of_clips, 0.0),
        clip_df=np.asarray(clips - 1.0),
    )


def difference_of_orders(values: ArrayLike, order: ArrayLike) -> Estimates:
    """Return mean of the listeners with `order` true minus that of the others; clips, heard by both, cancel.

    Parameters
    ----------
    values : (..., listeners, clips) array_like
    order : (listeners,) array_like of truths
    """
    rows = np.asarray(values, dtype=np.float64).mean(axis=-1)
    first, second = _groups(order, rows.shape[-1])[::-1]
    df = rows.shape[-1] - 2
    squares = sum(rows[..., group].var(axis=-1) * group.sum() for group in (first, second))
    return Estimates(
        mean=rows[..., first].mean(axis=-1) - rows[..., second].mean(axis=-1),
        std_error=np.sqrt(squares / df * (1 / first.sum() + 1 / second.sum())),
        df=np.asarray(float(df)),
    )


def _groups(order: ArrayLike | None, listeners: int) -> tuple[NDArray[np.bool_], ...]:
    if order is None:
        return (np.ones(listeners, dtype=bool),)
    which = np.asarray(order, dtype=bool)
    return (~which, which)
