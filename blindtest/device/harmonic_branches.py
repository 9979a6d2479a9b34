"""The branches of a harmonic stage: for each order a polynomial and a filter, designed from its curve.

Behind the nonlinearity the filter of order n has at n f what the table says of f, and nothing else is needed: a sine
of the design level makes no other order. Ahead of it a sine arrives weaker by its filter's w(f), whose n-th power is
what the n-th harmonic becomes; T_n then makes a little of the orders n - 2, n - 4, ... too, which is taken off
theirs from the top down, where all harmonics are in cosine phase.

What is left then is the fundamental: T_3 of w cos q holds 3 w (w w - 1) cos q, at most 1.155 times the gain of order 3
(at w = 1/sqrt 3; T_5 at most 1.16 times its own), and every harmonic is counted from the fundamental. So where the odd
orders differ over frequency and are h together at their highest, all orders are off by up to about -20 lg(1 - 1.155 h):
0.03 dB for -50 dB, 0.2 dB for -34 dB, 1.1 dB for -20 dB, and 0.02 dB of the filter's length beside it. With measured
phases nothing is taken off either: order 2 is then off by up to the ratio of the highest order 4 to it (T_4 of w cos q
holds 4 w w (w w - 1) cos 2q), order 3 likewise by order 5. `misfit` has what it comes to in each case.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from .fir import SHORTEST_TRANSFORM, taps_for
from .harmonic_curves import HarmonicCurve
from .response import Response, channel_mean, interpolated

__all__ = ["Branch", "Topology", "centred_response", "chebyshev_parts", "designed_branches", "referred_back_db"]

Floats = NDArray[np.float64]
Complex = NDArray[np.complex128]
Topology = Literal["after", "before"]

MOST_GAIN_DB = 40.0
"""How far a harmonic is raised at most where it is referred back through a notch of the response; our rule."""
LOWEST_HZ, SILENT_HZ = 10.0, 3.0
"""Filtered products fade out between these: below hearing they would only take headroom; our rule."""
SMALLEST_DB = -200.0


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Branch:
    """One order: a Chebyshev polynomial and its filter."""

    order: int
    gain: float
    """Of the polynomial, signed."""
    fir: Floats | None
    """(taps,) odd, centred: without delay; None for one gain at all frequencies."""

    def bent(self, sound: Floats) -> Floats:
        """Return T_n(sound), sound = 1 being the drive, less its constant, so that silence stays silent."""
        from numpy.polynomial.chebyshev import cheb2poly

        coefficients = cheb2poly([0.0] * self.order + [1.0])[self.order % 2 :: 2]
        squared = sound * sound
        made = np.full_like(sound, coefficients[-1])
        for coefficient in coefficients[-2::-1]:
            made *= squared
            made += coefficient
        if self.order % 2:
            made *= sound
        else:
            made -= coefficients[0]
        return made


def chebyshev_parts(order: int, strength: Floats, harmonics: int) -> Floats:
    """Return the cosine parts 0 to `harmonics` (points, harmonics + 1) of T_order(a cos q) for a (points,)."""
    points = 4 * (max(order, harmonics) + 1)
    angles = 2 * np.pi * np.arange(points) / points
    sound = strength[:, None] * np.cos(angles)
    made = np.polynomial.chebyshev.chebval(sound, [0.0] * order + [1.0])
    parts = np.fft.rfft(made, axis=1).real * (2 / points)
    parts[:, 0] /= 2
    parts_of: Floats = parts[:, : harmonics + 1]
    return parts_of


def referred_back_db(response: Response | None, fundamental: Floats, order: int) -> Floats:
    """Return response(f) - response(n f) in dB (bins,) for fundamentals f: what referring a harmonic back adds."""
    if response is None:
        return np.zeros(len(fundamental))
    mean = channel_mean(response)
    ahead = interpolated(mean, fundamental)[:, 0] - interpolated(mean, order * fundamental)[:, 0]
    return np.minimum(ahead, MOST_GAIN_DB)


def designed_branches(
    wanted: Mapping[int, HarmonicCurve], rate: int, *, topology: Topology, response: Response | None
) -> tuple[Branch, ...]:
    """Return a branch for each order of `wanted`, by ascending order."""
    if topology == "after":
        return tuple(_behind(wanted[order], rate, response) for order in sorted(wanted))
    return _ahead(wanted, rate, response)


def centred_response(fir: Floats, size: int) -> Complex:
    """Return the response (size/2 + 1,) of a filter whose middle tap is at time 0."""
    turned = np.zeros(size)
    middle = len(fir) // 2
    turned[: len(fir) - middle] = fir[middle:]
    turned[size - middle :] += fir[:middle]
    response: Complex = np.fft.rfft(turned)
    return response


def _behind(curve: HarmonicCurve, rate: int, response: Response | None) -> Branch:
    if curve.alike and curve.real and response is None:
        return Branch(order=curve.order, gain=curve.sign * 10 ** (float(curve.level_db[0]) / 20), fir=None)
    size, heard = _grid(rate)
    fundamental = heard / curve.order
    level = curve.level_at(fundamental) + referred_back_db(response, fundamental, curve.order)
    return _filtered(curve, level, curve.phase_at(fundamental), heard, size, rate)


def _filtered(curve: HarmonicCurve, level_db: Floats, phase: Floats, heard: Floats, size: int, rate: int) -> Branch:
    """Return the branch whose filter has these levels (bins,) in dB and phases in rad on the bins above 0 Hz."""
    highest = float(level_db.max())
    sign = curve.sign if curve.real else 1
    shape = 10 ** (np.maximum(level_db - highest, SMALLEST_DB) / 20) * _above_hearing_floor(heard)
    wanted = shape.astype(np.complex128) if curve.real else shape * np.exp(1j * phase)
    fir = _centred_fir(np.concatenate([[0.0], wanted]), size, rate)
    return Branch(order=curve.order, gain=sign * 10 ** (highest / 20), fir=fir)


def _ahead(wanted: Mapping[int, HarmonicCurve], rate: int, response: Response | None) -> tuple[Branch, ...]:
    size, frequency = _grid(rate)
    branches: list[Branch] = []
    made: dict[int, Floats] = {order: np.zeros(len(frequency)) for order in range(21)}
    for order in sorted(wanted, reverse=True):
        curve = wanted[order]
        level = curve.level_at(frequency) + referred_back_db(response, frequency, order)
        strength = 10 ** (level / 20)
        if curve.real:
            # What the higher orders already make of this one; where it is more than is wanted nothing is left to add.
            strength = np.maximum(strength - curve.sign * made[order], strength * 1e-3)
        highest = float(strength.max())
        weight = (strength / highest) ** (1 / order)
        gain = highest * (curve.sign if curve.real else 1)
        parts = chebyshev_parts(order, weight, order)
        for lower in range(order - 2, 1, -2):
            made[lower] = made[lower] + gain * parts[:, lower]
        fir = None
        if np.ptp(weight) > 1e-12 or not curve.real:
            turn = np.zeros(len(frequency)) if curve.real else curve.phase_at(frequency) / order
            fir = _centred_fir(np.concatenate([[weight[0]], weight * np.exp(1j * turn)]), size, rate)
        branches.append(Branch(order=order, gain=gain, fir=fir))
    return tuple(reversed(branches))


def _grid(rate: int) -> tuple[int, Floats]:
    size = max(SHORTEST_TRANSFORM, 8 * taps_for(rate))
    return size, np.arange(1, size // 2 + 1, dtype=np.float64) * (rate / size)


def _above_hearing_floor(frequency: Floats) -> Floats:
    share = np.clip((frequency - SILENT_HZ) / (LOWEST_HZ - SILENT_HZ), 0.0, 1.0)
    faded: Floats = 0.5 - 0.5 * np.cos(np.pi * share)
    return faded


def _centred_fir(wanted: Complex, size: int, rate: int) -> Floats:
    """Return the filter (taps,) odd, its middle at time 0, that has these values on all bins of `size`."""
    impulse = np.fft.irfft(wanted, size)
    half = taps_for(rate) // 2
    taps = np.concatenate([impulse[-half:], impulse[: half + 1]])
    fir: Floats = taps * np.hanning(len(taps) + 2)[1:-1]
    return fir
