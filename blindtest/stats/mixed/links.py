"""From the linear predictor to the probability of a right answer, with a guess rate: p = guess + (1 - guess) F(eta).

F is logistic or normal. What a likelihood needs of a row with k right of m answers: log p^k (1 - p)^(m - k) and its
first three derivatives in eta, and the expected (Fisher) information with its slope. With a guess rate the
log-likelihood of a right answer is not concave where eta is low: observed and expected information differ, the
observed one can be negative.

With F logistic and e = exp(eta), log p = log(guess + e) - log(1 + e): the derivatives are those of two logistic
functions, one of them shifted by log(guess). A guess rate of 0 is the usual logit or probit model (McCullagh & Nelder
1989, Generalized Linear Models, ch. 4).
"""

from collections.abc import Callable
from dataclasses import dataclass
from math import log, pi, sqrt
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.special import log_ndtr, ndtr, ndtri

__all__ = ["LINKS", "Link", "LinkName", "Pieces", "link_of"]

Floats = NDArray[np.float64]
LinkName = Literal["logit", "probit"]
FAR = 300.0
"""A linear predictor further out than this changes no digit of a probability; exp() of it is still finite."""
PART = 16384
"""Rows worked on at a time."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Pieces:
    """A row's log-likelihood without binomial coefficient, and its derivatives in eta; all (rows,)."""

    value: float
    """Sum over the rows."""
    slope: Floats
    information: Floats
    """Observed: minus the second derivative."""
    third: Floats


@dataclass(frozen=True, slots=True, kw_only=True)
class Link:
    """One of the links at one guess rate."""

    name: LinkName
    guess: float
    cumulative: Callable[[Floats], Floats]
    """F."""
    quantile: Callable[[Floats], Floats]
    """Its inverse."""
    density: Callable[[Floats], Floats]
    density_slope: Callable[[Floats, Floats], Floats]
    """F'' from eta and F'(eta)."""
    row_values: Callable[[Floats, Floats, Floats, float], Floats]
    pieces_at: Callable[[Floats, Floats, Floats, float], Pieces]

    def proportion(self, eta: Floats) -> Floats:
        """Return the probability of a right answer.

        Parameters
        ----------
        eta : any shape, on the scale of the link; the result has the same
        """
        return np.asarray(self.guess + (1 - self.guess) * self.cumulative(eta))

    def predictor(self, proportion: Floats) -> Floats:
        """Return eta of a probability; -inf at the guess rate and below.

        Parameters
        ----------
        proportion : any shape, 0 ... 1; the result has the same
        """
        heard = (np.asarray(proportion, dtype=np.float64) - self.guess) / (1 - self.guess)
        return self.quantile(np.clip(heard, 0.0, 1.0))

    def values(self, eta: Floats, right: Floats, trials: Floats) -> Floats:
        """Return the log-likelihood of each row; eta may have more axes in front.

        The result is (..., rows), natural logarithms, without the ways to order the answers.

        Parameters
        ----------
        eta : (..., rows)
        right, trials : (rows,) counts, 0 <= right <= trials
        """
        return self.row_values(np.clip(eta, -FAR, FAR), right, trials, self.guess)

    def pieces(self, eta: Floats, right: Floats, trials: Floats) -> Pieces:
        """Return the log-likelihood of all rows and the derivatives of each.

        Derivatives in eta are (rows,).

        Parameters
        ----------
        eta, right, trials : (rows,)
        """
        value, arrays = 0.0, np.empty((3, len(eta)))
        # In parts that stay in the processor's cache: what is made on the way is ten times what comes out.
        for first in range(0, len(eta), PART):
            part = slice(first, first + PART)
            here = self.pieces_at(np.clip(eta[part], -FAR, FAR), right[part], trials[part], self.guess)
            value += here.value
            arrays[0, part], arrays[1, part], arrays[2, part] = here.slope, here.information, here.third
        return Pieces(value=value, slope=arrays[0], information=arrays[1], third=arrays[2])

    def expected(self, eta: Floats, trials: Floats) -> tuple[Floats, Floats]:
        """Return the expected information of each row, and its derivative in eta.

        Parameters
        ----------
        eta, trials : (rows,), as are both results
        """
        eta = np.clip(eta, -FAR, FAR)
        density = self.density(eta)
        up = self.cumulative(eta)
        down = self.cumulative(-eta)
        p = self.guess + (1 - self.guess) * up
        steep = (1 - self.guess) * density
        with np.errstate(invalid="ignore", divide="ignore", over="ignore"):
            information = steep * density / (p * down)
            slope = information * (2 * self.density_slope(eta, density) / density - steep / p + density / down)
        dead = ~np.isfinite(slope)
        return trials * np.where(dead, 0.0, information), trials * np.where(dead, 0.0, slope)


def _logistic(eta: Floats) -> Floats:
    return np.asarray(1 / (1 + np.exp(-eta)))


def _logistic_quantile(share: Floats) -> Floats:
    with np.errstate(divide="ignore"):
        return np.asarray(np.log(share) - np.log1p(-share))


def _logistic_density(eta: Floats) -> Floats:
    e = np.exp(-np.abs(eta))
    return np.asarray(e / (1 + e) ** 2)


def _logistic_density_slope(eta: Floats, density: Floats) -> Floats:
    return np.asarray(-density * np.tanh(eta / 2))


def _log_product(factors: Floats) -> float:
    """Return the sum of the logarithms: one logarithm for eight factors, which costs a sixth of eight."""
    whole = len(factors) // 8 * 8
    products = np.multiply.reduce(factors[:whole].reshape(8, -1), axis=0)
    if not (products.min(initial=1.0) > 1e-290 and products.max(initial=1.0) < 1e290):
        return float(np.sum(np.log(factors)))
    return float(np.sum(np.log(products)) + np.sum(np.log(factors[whole:])))


def _wrong_constant(right: Floats, trials: Floats, guess: float) -> Floats | float:
    return (trials - right) * log(1 - guess) if guess else 0.0


def _logit_values(eta: Floats, right: Floats, trials: Floats, guess: float) -> Floats:
    e = np.exp(eta)
    heard = np.log(guess + e) if guess else eta
    return np.asarray(right * heard - trials * np.log1p(e) + _wrong_constant(right, trials, guess))


def _logit_pieces(eta: Floats, right: Floats, trials: Floats, guess: float) -> Pieces:
    e = np.exp(eta)
    over = 1 / (1 + e)
    share = e * over
    slope = trials * share
    information = slope * over
    third = information * (share - over)
    # log(1 + e) is -log(over): of e beyond 1e16 nothing but the large number itself is left, which is right.
    single = bool(np.all(trials == 1))
    value = _log_product(over) if single else float(np.sum(trials * np.log(over)))
    if guess:
        heard = guess + e
        shifted = e / heard
        of_right = right * shifted
        value += _log_product(np.where(right > 0, heard, 1.0)) if single else float(np.sum(right * np.log(heard)))
        value += float(np.sum(trials - right)) * log(1 - guess)
        right_information = of_right * (1 - shifted)
        return Pieces(
            value=value,
            slope=of_right - slope,
            information=information - right_information,
            third=third + right_information * (1 - 2 * shifted),
        )
    value += float(np.sum(right * eta))
    return Pieces(value=value, slope=right - slope, information=information, third=third)


def _normal_density(eta: Floats) -> Floats:
    return np.asarray(np.exp(-eta * eta / 2) / sqrt(2 * pi))


def _normal_density_slope(eta: Floats, density: Floats) -> Floats:
    return np.asarray(-eta * density)


def _log_right(eta: Floats, guess: float) -> Floats:
    return np.asarray(np.log(guess + (1 - guess) * ndtr(eta)) if guess else log_ndtr(eta))


def _probit_values(eta: Floats, right: Floats, trials: Floats, guess: float) -> Floats:
    wrong = trials - right
    return np.asarray(right * _log_right(eta, guess) + wrong * log_ndtr(-eta) + _wrong_constant(right, trials, guess))


def _probit_pieces(eta: Floats, right: Floats, trials: Floats, guess: float) -> Pieces:
    wrong = trials - right
    log_density = -0.5 * eta * eta - 0.5 * log(2 * pi)
    log_up, log_down = _log_right(eta, guess), log_ndtr(-eta)
    # Ratio of density to area (inverse Mills ratio): its derivative is minus or plus itself times (ratio + or - eta).
    up = np.exp(log_density - log_up) * (1 - guess)
    down = np.exp(log_density - log_down)
    past_up, past_down = up + eta, down - eta
    up_information, down_information = up * past_up, down * past_down
    value = float(np.sum(right * log_up + wrong * log_down))
    if guess:
        value += float(wrong.sum()) * log(1 - guess)
    return Pieces(
        value=value,
        slope=right * up - wrong * down,
        information=right * up_information + wrong * down_information,
        third=right * (up * (past_up * past_up - 1) + up * up_information)
        - wrong * (down * (past_down * past_down - 1) + down * down_information),
    )


def link_of(name: LinkName, guess: float) -> Link:
    """Return the link `name` at this guess rate (0 <= guess < 1).

    Parameters
    ----------
    name : "logit" or "probit"
    """
    return LINKS[name](guess)


def _logit(guess: float) -> Link:
    return Link(
        name="logit",
        guess=guess,
        cumulative=_logistic,
        quantile=_logistic_quantile,
        density=_logistic_density,
        density_slope=_logistic_density_slope,
        row_values=_logit_values,
        pieces_at=_logit_pieces,
    )


def _probit(guess: float) -> Link:
    return Link(
        name="probit",
        guess=guess,
        cumulative=lambda eta: np.asarray(ndtr(eta)),
        quantile=lambda share: np.asarray(ndtri(share)),
        density=_normal_density,
        density_slope=_normal_density_slope,
        row_values=_probit_values,
        pieces_at=_probit_pieces,
    )


LINKS: dict[str, Callable[[float], Link]] = {"logit": _logit, "probit": _probit}
"""The links by name."""
