"""What a chain gives while nothing is played: its noise, and hum of the mains in it.

Full scale is 1; levels in dB re full scale are r.m.s., so that a sine at full scale has -3.01 dB.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = ["RestNoise", "noise_at_rest"]

_MAINS_HZ = (50.0, 60.0)
_LINES = 6
_LINE_HZ = 2.0
"""Half the width of a line, as the window of half a second or more spreads it."""
_AROUND_HZ = (4.0, 12.0)
"""From where to where beside a line the rest is looked at."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RestNoise:
    """What comes back while nothing is played."""

    power: tuple[float, ...]
    """Mean square of each channel, less what stands still."""
    level_dbfs: float
    """Of the loudest channel; -inf for digital silence."""
    hum_hz: float | None
    """50 or 60 where lines at its multiples stand out of the rest by 10 dB."""
    hum_dbfs: float
    """Power of those lines in the channel where they are strongest; -inf without."""


def noise_at_rest(recorded: ArrayLike, rate: int) -> RestNoise:
    """Return what a chain gives while nothing is played.

    Parameters
    ----------
    recorded : (n, channels) array_like, full scale 1; half a second at least, two tell hum from noise
    rate : Hz
    """
    frames = np.asarray(recorded, dtype=np.float64)
    if frames.ndim != 2 or len(frames) < rate // 2:
        raise ValueError(f"half a second of (n, channels) at least, got {frames.shape} at {rate} Hz")
    still = frames - frames.mean(axis=0)
    power = np.mean(still**2, axis=0)
    hum_hz, hum = _hum(still, rate)
    return RestNoise(
        power=tuple(map(float, power)), level_dbfs=_level(float(power.max())), hum_hz=hum_hz, hum_dbfs=_level(hum)
    )


def _hum(still: NDArray[np.float64], rate: int) -> tuple[float | None, float]:
    """Return the mains frequency whose multiples stand out, and the power of its lines."""
    window = np.hanning(len(still))[:, np.newaxis]
    # One-sided, so that the bins of a line add up to its mean square.
    bins = (2 / (len(still) * np.sum(window**2))) * np.abs(np.fft.rfft(still * window, axis=0)) ** 2
    away = np.arange(len(bins)) * (rate / len(still))
    found: tuple[float | None, float] = (None, 0.0)
    for base in _MAINS_HZ:
        powers, stands_out = np.zeros(still.shape[1]), False
        for k in range(1, _LINES + 1):
            near = np.abs(away - k * base)
            inside = near <= _LINE_HZ
            line = bins[inside].sum(axis=0)
            rest = np.median(bins[(near > _AROUND_HZ[0]) & (near <= _AROUND_HZ[1])], axis=0) * np.count_nonzero(inside)
            stands_out |= bool(k <= 2 and np.any(line > 10 * rest + 1e-15))
            powers += np.maximum(line - rest, 0.0)
        if stands_out and powers.max() > found[1]:
            found = (base, float(powers.max()))
    return found


def _level(power: float) -> float:
    return float(10 * np.log10(power)) if power > 0 else -np.inf
