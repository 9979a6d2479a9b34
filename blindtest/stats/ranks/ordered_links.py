"""Log probability of an interval under the logistic or normal distribution, with three derivatives.

An ordered answer j is the latent value falling between two thresholds: P = F(a) - F(b) with a = threshold_j - eta,
b = threshold_(j-1) - eta, infinite at the ends. Both distributions are symmetric, so an interval above 0 is computed as
its mirror image below 0, where differences of F keep their digits.
"""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.special import expit, ndtr

__all__ = ["LINKS", "Derivatives", "OrderedLink", "interval_derivatives"]

Floats = NDArray[np.float64]
OrderedLink = Literal["logit", "probit"]
LEAST = 1e-290
"""Below this a probability is taken as this: nothing that a model says of data lies there."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Derivatives:
    """Of log(F(a) - F(b)), each (rows,); letters say by which end, `aab` twice by a and once by b."""

    value: Floats
    a: Floats
    b: Floats
    aa: Floats
    ab: Floats
    bb: Floats
    aaa: Floats
    aab: Floats
    abb: Floats
    bbb: Floats

    @property
    def first(self) -> Floats:
        """By eta, which moves both ends down."""
        return -(self.a + self.b)

    @property
    def second(self) -> Floats:
        """By eta, twice: never positive, as both distributions are log-concave."""
        return self.aa + 2 * self.ab + self.bb

    @property
    def third(self) -> Floats:
        """By eta, three times."""
        return -(self.aaa + 3 * self.aab + 3 * self.abb + self.bbb)


Shape = tuple[Floats, Floats, Floats, Floats]


def _logistic(x: Floats) -> Shape:
    p = expit(x)
    density = p * expit(-x)
    return p, density, density * (1 - 2 * p), density * (1 - 6 * density)


def _normal(x: Floats) -> Shape:
    finite = np.where(np.isfinite(x), x, 0.0)
    density = np.where(np.isfinite(x), np.exp(-(finite**2) / 2) / np.sqrt(2 * np.pi), 0.0)
    return ndtr(x), density, -finite * density, (finite**2 - 1) * density


LINKS: dict[OrderedLink, Callable[[Floats], Shape]] = {"logit": _logistic, "probit": _normal}
"""F and its first three derivatives."""


def interval_derivatives(a: Floats, b: Floats, link: OrderedLink) -> Derivatives:
    """Return log(F(a) - F(b)) and its derivatives, a above b, either may be infinite."""
    with np.errstate(invalid="ignore"):
        mirrored = np.where(np.isfinite(a) & np.isfinite(b), a + b > 0, ~np.isfinite(a))
    upper = np.where(mirrored, -b, a)
    lower = np.where(mirrored, -a, b)
    shape = LINKS[link]
    top, f, f1, f2 = shape(upper)
    bottom, g, g1, g2 = shape(lower)
    p = np.maximum(top - bottom, LEAST)
    f, f1, f2 = f / p, f1 / p, f2 / p
    g, g1, g2 = g / p, g1 / p, g2 / p
    u, v = f, -g  # by upper end, by lower end
    uu, vv, uv = f1 - u * u, -g1 - v * v, -u * v
    uuu = f2 - f1 * u - 2 * u * uu
    uuv = -f1 * v - 2 * u * uv
    uvv = -uv * v - u * vv
    vvv = -g2 + g1 * v - 2 * v * vv
    turn = np.where(mirrored, -1.0, 1.0)

    def ends(of_upper: Floats, of_lower: Floats, sign: Floats | float) -> tuple[Floats, Floats]:
        return sign * np.where(mirrored, of_lower, of_upper), sign * np.where(mirrored, of_upper, of_lower)

    by_a, by_b = ends(u, v, turn)
    by_aa, by_bb = ends(uu, vv, 1.0)
    by_aaa, by_bbb = ends(uuu, vvv, turn)
    by_aab, by_abb = ends(uuv, uvv, turn)
    return Derivatives(
        value=np.log(p),
        a=by_a,
        b=by_b,
        aa=by_aa,
        ab=uv,
        bb=by_bb,
        aaa=by_aaa,
        aab=by_aab,
        abb=by_abb,
        bbb=by_bbb,
    )
