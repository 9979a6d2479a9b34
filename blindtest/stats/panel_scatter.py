"""Panels that scatter as they are said to, or as one did: contrasts of thousands of simulated studies at once.

The effect of a listener on a clip is what the device is to this listener, to this clip, both anew in each mode, and the
scatter of single ratings. Only means of listeners, means of clips and what these leave over count for the contrasts;
where scatter is normal the three are independent and drawn by themselves.
"""

from dataclasses import dataclass
from math import sqrt

import numpy as np
from numpy.typing import NDArray

from blindtest.stats.contrasts import Contrasts, Estimates
from blindtest.stats.two_way import mean_of_margins

__all__ = ["Spreads", "contrasts_like", "panel_contrasts"]

Floats = NDArray[np.float64]
_AT_ONCE = 2_000_000
"""Means of listeners and clips drawn at once: what stays below some 200 MB."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Spreads:
    """Standard deviations of a panel's effects, points."""

    listener: float
    """Between listeners, the same in both modes."""
    labelled: float
    """Between listeners, new in the labelled mode."""
    blind: float
    clip: float = 0.0
    """Between clips, the same in both modes."""
    clip_labelled: float = 0.0
    clip_blind: float = 0.0
    rating: float
    """Of a single rating."""


def panel_contrasts(
    spreads: Spreads,
    *,
    listeners: int,
    clips: int,
    ratings: tuple[float, float],
    kept: float,
    clips_drawn: bool,
    rng: np.random.Generator,
    studies: int,
    order: NDArray[np.bool_] | None = None,
) -> Contrasts:
    """Return the contrasts of simulated panels whose true effects are 0.

    Parameters
    ----------
    ratings : of each device on each clip by each listener, labelled and blind
    order : (listeners,) blind first, in a crossed panel
    """
    parts = []
    most = max(1, _AT_ONCE // (listeners + clips))
    for start in range(0, studies, most):
        margins = _margins(spreads, listeners, clips, ratings, rng, min(most, studies - start))
        parts.append(_contrasts_of(margins, kept=kept, order=order, clips_drawn=clips_drawn))
    names = ("labelled", "blind", "difference", "kept")
    return Contrasts(**{name: _together([getattr(part, name) for part in parts]) for name in names})


def contrasts_like(
    differences: Floats,
    *,
    kept: float,
    clips_drawn: bool,
    rng: np.random.Generator,
    studies: int,
    order: NDArray[np.bool_] | None = None,
) -> Contrasts:
    """Return the contrasts of simulated panels that scatter as one did that was rated, true effects 0.

    Parameters
    ----------
    differences : (2, listeners, clips) labelled and blind effects, NaN where there is none
    """
    # A clip without a pair of ratings in one of the modes says nothing about how its effect scatters.
    differences = differences[:, :, np.isfinite(differences).any(axis=1).all(axis=0)]
    _, listeners, clips = differences.shape
    d = differences - np.nanmean(differences, axis=(1, 2), keepdims=True)
    rows, columns = np.nanmean(d, axis=2), np.nanmean(d, axis=1)
    left = np.nan_to_num(d - rows[:, :, None] - columns[:, None, :])
    if order is not None:
        for group in (order, ~order):
            rows[:, group] -= rows[:, group].mean(axis=1, keepdims=True)
    free = max((listeners - 1) * (clips - 1), 1)
    cells = max(float(np.isfinite(d).all(axis=0).mean()), 1 / (listeners * clips))
    of_rest = np.einsum("aij,bij->ab", left, left) / (free * cells)
    of_rows = rows @ rows.T / (listeners - (1 if order is None else 2))
    of_clips = np.cov(columns) - of_rest / listeners if clips > 1 else np.zeros((2, 2))
    own = np.einsum("ab,snb->asn", _root(of_rows), rng.normal(size=(studies, listeners, 2)))
    clip = np.einsum("ab,snb->asn", _root(of_clips), rng.normal(size=(studies, clips, 2)))
    apart = np.einsum("ab,snb->asn", _root(of_rest / listeners), rng.normal(size=(studies, clips, 2)))
    rows_drawn = own + clip.mean(axis=2, keepdims=True)
    columns_drawn = clip + apart - apart.mean(axis=2, keepdims=True) + own.mean(axis=2, keepdims=True)
    first, cross = np.sqrt(rng.chisquare(free, studies)), rng.normal(size=studies)
    second = np.sqrt(rng.chisquare(max(free - 1, 1), studies))
    root = np.linalg.cholesky(of_rest + 1e-12 * np.eye(2))
    s = root[0, 0] * first
    d_with, d_own = root[1, 0] * first + root[1, 1] * cross, root[1, 1] * second
    margins: Margins = (
        (rows_drawn[0], rows_drawn[1]),
        (columns_drawn[0], columns_drawn[1]),
        (s**2, d_with**2 + d_own**2, s * d_with),
    )
    return _contrasts_of(margins, kept=kept, order=order, clips_drawn=clips_drawn)


def _root(covariance: Floats) -> Floats:
    """Return a square root of a covariance; what is negative by chance counts as nothing."""
    roots, vectors = np.linalg.eigh(covariance)
    return np.asarray(vectors * np.sqrt(np.maximum(roots, 0.0)))


Margins = tuple[tuple[Floats, Floats], tuple[Floats, Floats], tuple[Floats, Floats, Floats]]
"""Means of listeners labelled and blind, of clips, and what they leave: squares of both and their products."""


def _margins(
    spreads: Spreads,
    listeners: int,
    clips: int,
    ratings: tuple[float, float],
    rng: np.random.Generator,
    studies: int,
) -> Margins:
    """Draw means of listeners and of clips, and what is left, which are independent where scatter is normal.

    Of what is left only sums of squares and products count: a Wishart variable (Bartlett's decomposition).
    """
    own = rng.normal(0.0, spreads.listener, (studies, listeners))
    of_clip = rng.normal(0.0, spreads.clip, (studies, clips))
    rows, columns = [], []
    scatter = [spreads.rating * sqrt(2 / each) for each in ratings]
    for new, new_of_clip, sd in zip(
        (spreads.labelled, spreads.blind), (spreads.clip_labelled, spreads.clip_blind), scatter, strict=True
    ):
        clip = of_clip + rng.normal(0.0, new_of_clip, (studies, clips))
        listener = own + rng.normal(0.0, sqrt(new**2 + sd**2 / clips), (studies, listeners))
        apart = rng.normal(0.0, sd / sqrt(listeners), (studies, clips))
        # The mean of all scatter is in the means of listeners already.
        column = clip + apart - apart.mean(axis=1, keepdims=True) + listener.mean(axis=1, keepdims=True)
        rows.append(listener + clip.mean(axis=1, keepdims=True))
        columns.append(column)
    free = (listeners - 1) * (clips - 1)
    first, cross = np.sqrt(rng.chisquare(max(free, 1), studies)), rng.normal(size=studies)
    rest = rng.chisquare(free - 1, studies) if free > 1 else np.zeros(studies)
    s, d = scatter
    squares = (s**2 * first**2, d**2 * (cross**2 + rest), s * d * first * cross)
    if free == 0:
        squares = (np.zeros(studies),) * 3
    return (rows[0], rows[1]), (columns[0], columns[1]), squares


def _contrasts_of(margins: Margins, *, kept: float, order: NDArray[np.bool_] | None, clips_drawn: bool) -> Contrasts:
    labelled, blind, difference, kept_contrast = (
        _mean_of(margins, weights, order=order, clips_drawn=clips_drawn)
        for weights in ((1.0, 0.0), (0.0, 1.0), (-1.0, 1.0), (-kept, 1.0))
    )
    return Contrasts(labelled=labelled, blind=blind, difference=difference, kept=kept_contrast)


def _mean_of(
    margins: Margins, weights: tuple[float, float], *, order: NDArray[np.bool_] | None, clips_drawn: bool
) -> Estimates:
    a, b = weights
    rows, columns, (of_s, of_d, of_both) = margins
    return mean_of_margins(
        a * rows[0] + b * rows[1],
        a * columns[0] + b * columns[1],
        a**2 * of_s + b**2 * of_d + 2 * a * b * of_both,
        order=order,
        clips_drawn=clips_drawn,
    )


def _together(parts: list[Estimates]) -> Estimates:
    if len(parts) == 1:
        return parts[0]

    def whole(name: str) -> Floats:
        values = [getattr(part, name) for part in parts]
        return np.asarray(np.concatenate(values) if values[0].ndim else values[0])

    names = ("mean", "std_error", "df", "clip_variance", "clip_floor", "clip_df")
    return Estimates(**{name: whole(name) for name in names})
