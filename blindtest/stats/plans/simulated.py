"""The power of a difference of ratings by simulated studies, each fitted as the real one will be.

Every study is drawn as the model says (listeners, clips, their products with devices, residual), fitted by REML and
tested with Satterthwaite's degrees of freedom: rating ~ device; random listener, listener:device, clip, clip:device
where clips are a sample, rating ~ device * clip without the clips' parts where they are not.
"""

from dataclasses import replace
from math import sqrt
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import stdtrit

from blindtest.errors import BlindtestError
from blindtest.nouns import number_of
from blindtest.stats.plans.contrast import ContrastDesign, ContrastPower, contrast_power
from blindtest.stats.plans.hands import Hands, chunks, spread

__all__ = ["simulated_contrast_power"]

Floats = NDArray[np.float64]
OVERALL_SD = 10.0
"""Standard deviation of listeners and of clips as such; it drops out of every difference."""


def simulated_contrast_power(
    design: ContrastDesign,
    *,
    difference: float,
    alpha: float = 0.05,
    two_sided: bool = True,
    margin: float | None = None,
    studies: int = 1000,
    seed: int = 1,
    hands: Hands | None = None,
) -> ContrastPower:
    """Return what `contrast_power` does, power and chance of *negligible* counted in simulated fits.

    Parameters
    ----------
    studies : simulated with the true difference, and as many without one where there is a margin
    seed : the same seed gives the same result, whoever computes
    hands : an executor of concurrent.futures or a Dask client; None: one study after another

    Raises
    ------
    ValueError
        A number out of its range, or a design that leaves no degrees of freedom.
    """
    exact = contrast_power(design, difference=difference, alpha=alpha, two_sided=two_sided, margin=margin)
    if design.df < 1:
        raise ValueError("this design leaves no degrees of freedom to test a difference with")
    parts = chunks(studies, seed)
    truths = [difference] if margin is None else [difference, 0.0]
    found = spread(
        [
            (_judged, design, truth, alpha, two_sided, margin, count, child)
            for truth in truths
            for count, child in parts
        ],
        hands,
    )
    at_truth, at_zero = found[: len(parts)], found[len(parts) :]
    fitted = sum(one[2] for one in at_truth)
    power = sum(one[0] for one in at_truth) / fitted
    refused = studies - fitted
    remarks = exact.remarks + (
        (f"{number_of(refused, 'simulated study', 'simulated studies')} could not be fitted",) if refused else ()
    )
    negligible = sum(one[1] for one in at_zero) / sum(one[2] for one in at_zero) if at_zero else None
    return replace(
        exact,
        power=power,
        chance_negligible=negligible,
        method=f"simulated: {fitted} studies fitted by REML, Satterthwaite's degrees of freedom, seed {seed}",
        std_error=sqrt(max(power * (1 - power), 1 / fitted) / fitted),
        studies=fitted,
        remarks=remarks,
    )


def _judged(
    design: ContrastDesign,
    truth: float,
    alpha: float,
    two_sided: bool,
    margin: float | None,
    studies: int,
    seed: np.random.SeedSequence,
) -> tuple[int, int, int]:
    """Return how many of the studies show the difference, how many end within the margin, and how many were fitted."""
    # Imported where it is needed: a plan that is exact does not pay for the engine.
    from blindtest.stats.mixed.degrees_of_freedom import satterthwaite
    from blindtest.stats.mixed.linear import prepare_linear_mixed

    rng = np.random.default_rng(seed)
    table, codes = _table(design)
    sample = design.clips_are_a_sample
    random = {"listener": "1", "listener:device": "1"} | ({"clip": "1", "clip:device": "1"} if sample else {})
    formula = "rating ~ device" if sample else "rating ~ device * clip"
    if design.clips == 1:
        random, formula = {"listener": "1", "listener:device": "1"}, "rating ~ device"
    if design.repeats * design.clips == 1:
        del random["listener:device"]
    prepared = prepare_linear_mixed(formula, table, random=random)
    weights = _contrast(prepared.model)
    shown = within = fitted = 0
    tail = 1 - alpha / (2 if two_sided else 1)
    for _ in range(studies):
        try:
            fit = prepared.fit(_drawn(design, codes, truth, rng))
        except BlindtestError:
            continue
        estimate = float(weights @ fit.beta)
        std_error = sqrt(float(weights @ fit.cov_beta @ weights))
        df = satterthwaite(weights[None, :], fit.cov_beta, fit.cov_beta_gradient(), fit.phi_covariance())[0]
        if not std_error > 0 or not df > 0:
            continue
        fitted += 1
        t = (abs(estimate) if two_sided else estimate) / std_error
        shown += bool(t >= stdtrit(df, tail))
        if margin is not None:
            within += bool(abs(estimate) + stdtrit(df, 1 - alpha) * std_error < margin)
    return shown, within, max(fitted, 1)


def _table(design: ContrastDesign) -> tuple[Any, tuple[NDArray[np.intp], ...]]:
    """Return the balanced table without ratings, and the places of listener, device and clip of each row."""
    import pandas as pd

    shape = (design.listeners, design.devices, design.clips, design.repeats)
    listener, device, clip, _ = (axis.ravel() for axis in np.indices(shape))
    frame = pd.DataFrame(
        {
            "listener": [f"L{n:04d}" for n in listener],
            "device": [f"D{n:03d}" for n in device],
            "clip": [f"C{n:04d}" for n in clip],
        }
    )
    return frame, (listener, device, clip)


def _contrast(model: Any) -> Floats:
    """Return the weights of first device less second, clips averaged alike."""
    from blindtest.stats.mixed.contrasts import contrast_weights
    from blindtest.stats.mixed.marginal_means import reference_grid

    grid = reference_grid(model.encode, model.factors, model.covariates)
    names, _, weights = contrast_weights(grid, "device")
    return np.asarray(weights.reshape(len(names), -1)[0])


def _drawn(
    design: ContrastDesign, codes: tuple[NDArray[np.intp], ...], truth: float, rng: np.random.Generator
) -> Floats:
    listener, device, clip = codes
    level = np.zeros(design.devices)
    level[:2] = truth / 2, -truth / 2
    of_listener = rng.normal(0, design.sd_listener / sqrt(2), (design.listeners, design.devices))
    of_clip = rng.normal(0, design.sd_clip / sqrt(2), (design.clips, design.devices))
    if not design.clips_are_a_sample:
        # What these clips do to a difference belongs to these clips: their mean is part of the truth.
        of_clip -= of_clip.mean(axis=0)
    rating = level[device] + of_listener[listener, device] + of_clip[clip, device]
    rating += rng.normal(0, OVERALL_SD, design.listeners)[listener] + rng.normal(0, OVERALL_SD, design.clips)[clip]
    return np.asarray(rating + rng.normal(0, design.sd_residual, len(listener)))
