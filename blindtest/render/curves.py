"""The curves that make conditions audible, in dB over frequencies in Hz.

Over a playback unit (`over="inverse"`) a condition's curve is the device's response plus *one* inverse of the
playback response (`playback.py`). Each curve is then brought to a mean of 0 dB over the trusted band, since level
matching takes the absolute level away anyhow; so any two curves differ by exactly what was measured, up to one
constant. Outside the trusted band all conditions share one curve, blended in over 1/3 octave that lies outside the
band's edges.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from blindtest.device import Response, level_between

from .chain import Condition, ResponseStage, is_measured, mean_level_db
from .grid import fine_grid, log_grid
from .playback import DEFAULT_BAND_HZ, Playback, playback_inverse_db

__all__ = ["CommonCurve", "common_curve", "condition_curve_db", "trusted_band", "trusted_weight", "zero_curve"]

BLEND_OCTAVES = 1 / 3
"""Outside each edge of the trusted band; our rule."""
_COMMON_POINTS_PER_OCTAVE = 12
_COMMON_RANGE_HZ = (4.0, 100_000.0)


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class CommonCurve:
    """The one curve that all conditions share outside the trusted band: frequency (bins,) Hz, level (bins,) dB."""

    frequency: NDArray[np.float64]
    level_db: NDArray[np.float64]
    untouched: bool
    """Made for a study with a condition that no response is applied to: 0 dB throughout."""

    def at(self, frequency: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the curve (bins,) in dB at `frequency`, its ends held."""
        return mean_level_db(Response(frequency=self.frequency, magnitude=self.level_db[:, None]), frequency)


def trusted_weight(frequency: NDArray[np.float64], band_hz: tuple[float, float]) -> NDArray[np.float64]:
    """Return how far each frequency follows its own curve (bins,): 1 inside the band, 0 from 1/3 octave outside it."""
    low, high = band_hz
    outside = np.maximum(np.log2(low / frequency), np.log2(frequency / high))
    share = np.clip(outside / BLEND_OCTAVES, 0.0, 1.0)
    weight: NDArray[np.float64] = 0.5 * (1.0 + np.cos(np.pi * share))
    return weight


def condition_curve_db(
    condition: Condition,
    playback: Playback | None,
    common: CommonCurve,
    band_hz: tuple[float, float],
    frequency: NDArray[np.float64],
) -> NDArray[np.float64]:
    """Return a condition's curve (bins,) in dB at `frequency` (bins,) Hz, over the playback unit.

    Nothing of any other condition goes into it but `common` and the trusted band `band_hz`, which all share. A
    condition that no response is applied to is 0 dB.
    """
    curve = np.zeros(len(frequency))
    if condition.measured:
        weight = trusted_weight(frequency, band_hz)
        own = _own_curve_db(condition, playback, frequency, band_hz)
        curve = weight * own + (1.0 - weight) * common.at(frequency)
    for stage in condition.designed:
        curve = curve + stage.level_db(frequency)
    return curve


def common_curve(conditions: Sequence[Condition], playback: Playback | None) -> CommonCurve:
    """Return the curve outside the trusted band: the mean of the conditions' own, rounded as it will be stored.

    If any condition passes the samples through a unit impulse, that one is 0 dB everywhere and so is the curve.
    """
    if not all(condition.measured for condition in conditions):
        return zero_curve()
    frequency = log_grid(*_COMMON_RANGE_HZ, _COMMON_POINTS_PER_OCTAVE).round(3)
    band = trusted_band(playback, conditions)
    own = [_own_curve_db(condition, playback, frequency, band) for condition in conditions]
    return CommonCurve(frequency=frequency, level_db=np.mean(own, axis=0).round(4), untouched=False)


def zero_curve() -> CommonCurve:
    """Return the common curve of a study that holds the clip as it is: 0 dB."""
    return CommonCurve(frequency=np.array(_COMMON_RANGE_HZ), level_db=np.zeros(2), untouched=True)


def trusted_band(playback: Playback | None, conditions: Sequence[Condition]) -> tuple[float, float]:
    """Return the band in which conditions differ as measured, Hz.

    The playback's own if there is one; else what all responses cover within 20 Hz to 10 kHz.
    """
    if playback is not None:
        low, high = playback.trusted_band_hz
        return float(low), float(high)
    low, high = DEFAULT_BAND_HZ
    for condition in conditions:
        for stage in condition.stages:
            if isinstance(stage, ResponseStage):
                low = max(low, float(stage.response.frequency[0]))
                high = min(high, float(stage.response.frequency[-1]))
    return low, high


def _own_curve_db(
    condition: Condition, playback: Playback | None, frequency: NDArray[np.float64], band: tuple[float, float]
) -> NDArray[np.float64]:
    responses = [stage.response for stage in condition.stages if isinstance(stage, ResponseStage)]
    known = [] if playback is None or playback.response is None else [playback.response]

    def level(at: NDArray[np.float64]) -> NDArray[np.float64]:
        total = playback_inverse_db(playback, at)
        for stage in condition.stages:
            if is_measured(stage):
                total = total + stage.level_db(at)
        return total

    # The mean is taken on one fine grid, whatever the curve is asked at: all its readings share one constant.
    fine = fine_grid(*responses, *known)
    own: NDArray[np.float64] = level(frequency) - level_between(fine, level(fine), *band)
    return own
