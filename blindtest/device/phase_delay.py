"""Delays from a response measured with its phase: group delay, and what exceeds minimum phase and a plain delay.

phi = phi_min + phi_delay + phi_excess, as in `excess_phase`, on whatever frequencies the file has. Between two of its
points the phase must turn by less than half a turn, else a delay can't be told from another one.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from .fir import minimum_phase_impulse
from .response import level_at

__all__ = ["PhaseDelay", "delay_of_phase"]

Floats = NDArray[np.float64]

DELAY_BAND_HZ = (2000.0, 8000.0)
_TRANSFORM = 1 << 19
_SLOPE_OCTAVES = 1 / 6
_NEAR_HALF_TURN = 0.75
_LAST_OCTAVES = 1 / 3
_STEEPEST_DB = 24.0
"""Per octave."""
_FLOOR_DB = 100.0
_SHARE = 0.05
"""So many steps near half a turn, and the phase is too coarse: of phases drawn at random a quarter is."""


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class PhaseDelay:
    """Delays over the frequencies (bins,) of a response."""

    frequency: Floats
    delay_s: Floats
    """(bins,) group delay re `mean_s`, over a sixth of an octave."""
    excess_s: Floats
    """(bins,) excess group delay, likewise."""
    mean_s: float
    """The plain delay that was taken out: mean group delay beside minimum phase from 2 to 8 kHz."""


def delay_of_phase(frequency: ArrayLike, magnitude_db: ArrayLike, phase: ArrayLike) -> PhaseDelay | None:
    """Return the delays of one channel; None where the phase is too coarse to tell them.

    Parameters
    ----------
    frequency : (bins,) array_like, Hz
        Positive and strictly ascending, three or more.
    magnitude_db : (bins,) array_like, dB
    phase : (bins,) array_like, rad
        As measured, wrapped or not.
    """
    hertz = np.asarray(frequency, dtype=np.float64)
    turned = np.unwrap(np.asarray(phase, dtype=np.float64))
    steps = np.abs(np.diff(turned))
    if np.mean(steps > _NEAR_HALF_TURN * np.pi) > _SHARE:
        return None
    least = _minimum_phase(hertz, np.asarray(magnitude_db, dtype=np.float64))
    rest = np.unwrap(turned - least)
    inside = (hertz >= DELAY_BAND_HZ[0]) & (hertz <= DELAY_BAND_HZ[1])
    if inside.sum() < 2:
        inside = np.ones(len(hertz), dtype=bool)
    own, its = hertz[inside], rest[inside]
    mean = float(-(its[-1] - its[0]) / (2 * np.pi * (own[-1] - own[0])))
    return PhaseDelay(
        frequency=hertz,
        delay_s=np.asarray(_slope_s(hertz, turned) - mean, dtype=np.float64),
        excess_s=np.asarray(_slope_s(hertz, rest) - mean, dtype=np.float64),
        mean_s=mean,
    )


def _slope_s(hertz: Floats, phase: Floats) -> Floats:
    """Return -d phi / d omega (bins,) in s over a sixth of an octave, less at the ends.

    Between neighbours alone the last digits of a file's phase would be most of what is seen.
    """
    inside = np.minimum(_SLOPE_OCTAVES / 2, np.minimum(np.log2(hertz / hertz[0]), np.log2(hertz[-1] / hertz)))
    half = np.maximum(inside, 1e-9)
    low, high = hertz * 2**-half, hertz * 2**half
    # At least from one neighbour to the other.
    low[1:-1], high[1:-1] = np.minimum(low[1:-1], hertz[:-2]), np.maximum(high[1:-1], hertz[2:])
    low[-1], high[0] = hertz[-2], hertz[1]
    low[0], high[-1] = hertz[0], hertz[-1]
    ends = np.interp(high, hertz, phase) - np.interp(low, hertz, phase)
    slope: Floats = -ends / (2 * np.pi * (high - low))
    return slope


def _minimum_phase(hertz: Floats, level: Floats) -> Floats:
    """Return the minimum phase (bins,) rad that goes with the level.

    Outside the measured range the level goes on as it fell over the last third of an octave, never rising.
    """
    grid = np.arange(_TRANSFORM // 2 + 1) * (4 * hertz[-1] / (_TRANSFORM // 2))
    levels = level_at(hertz, level, grid)
    for end, inner, outside in (
        (hertz[0], hertz[0] * 2**_LAST_OCTAVES, grid < hertz[0]),
        (hertz[-1], hertz[-1] / 2**_LAST_OCTAVES, grid > hertz[-1]),
    ):
        at_end, within = level_at(hertz, level, [end, inner])
        slope = float(np.clip((within - at_end) / _LAST_OCTAVES, 0.0, _STEEPEST_DB))
        octaves = np.abs(np.log2(np.maximum(grid[outside], grid[1]) / end))
        levels[outside] = at_end - slope * octaves
    spectrum = np.fft.rfft(minimum_phase_impulse(np.maximum(levels, levels.max() - _FLOOR_DB)))
    # Smoothly between its bins, since slopes are taken of it.
    return level_at(grid[1:], np.unwrap(np.angle(spectrum))[1:], hertz)
