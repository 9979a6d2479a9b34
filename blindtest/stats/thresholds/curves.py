"""Psychometric functions: the chance to be right at a level.

    p = guess + (1 - guess - lapse) F(intercept + slope x)

`guess` is fixed by the test's design, `lapse` is the share of trials in which the listener's attention was elsewhere,
and F is the normal distribution function, the logistic one, or 1 - exp(-exp(eta)), which is Weibull's if x is the
logarithm of a level: its shape is the slope (for base e), its scale exp(-intercept/slope). x is the level as it was
given: no logarithm is taken here.

Source: Wichmann & Hill 2001 (Perception & Psychophysics 63, 1293), volume and page from memory.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import expit, log1p, logit, ndtr, ndtri

from blindtest.errors import did_you_mean

__all__ = ["CURVES", "Curve", "curve_of"]

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Curve:
    """A rising function from 0 to 1, with what fitting needs of it."""

    name: str
    words: str
    value: Callable[[Floats], Floats]
    density: Callable[[Floats], Floats]
    density_slope: Callable[[Floats], Floats]
    inverse: Callable[[Floats], Floats]


def _normal_density(eta: Floats) -> Floats:
    return np.asarray(np.exp(-eta * eta / 2) / np.sqrt(2 * np.pi))


def _logistic_density(eta: Floats) -> Floats:
    return np.asarray(expit(eta) * expit(-eta))


def _weibull_density(eta: Floats) -> Floats:
    return np.asarray(np.exp(np.minimum(eta, 50) - np.exp(np.minimum(eta, 50))))


CURVES: dict[str, Curve] = {
    curve.name: curve
    for curve in (
        Curve(
            name="normal",
            words="normal distribution function",
            value=lambda eta: np.asarray(ndtr(eta)),
            density=_normal_density,
            density_slope=lambda eta: -eta * _normal_density(eta),
            inverse=lambda share: np.asarray(ndtri(share)),
        ),
        Curve(
            name="logistic",
            words="logistic function",
            value=lambda eta: np.asarray(expit(eta)),
            density=_logistic_density,
            density_slope=lambda eta: _logistic_density(eta) * (1 - 2 * np.asarray(expit(eta))),
            inverse=lambda share: np.asarray(logit(share)),
        ),
        Curve(
            name="weibull",
            words="Weibull function if the level is a logarithm (complementary log-log)",
            value=lambda eta: np.asarray(-np.expm1(-np.exp(np.minimum(eta, 50)))),
            density=_weibull_density,
            density_slope=lambda eta: _weibull_density(eta) * (1 - np.exp(np.minimum(eta, 50))),
            inverse=lambda share: np.asarray(np.log(-log1p(-share))),
        ),
    )
}
"""The curves by their name."""


def curve_of(link: str) -> Curve:
    """Return the curve of this name, or raise ValueError naming those there are."""
    if link not in CURVES:
        hint = did_you_mean(link, CURVES)
        raise ValueError(f"no link {link!r} (there are: {', '.join(CURVES)})" + (f"; {hint}" if hint else ""))
    return CURVES[link]
