"""How far seatings, samples and units lie apart as measured: what a difference between two units is held against.

A difference smaller than that of putting the same unit on again is no property of the unit; nor is one smaller than
that between two samples of it. Everything is compared after both curves were brought to the same mean over the band,
as level matching does.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from blindtest.device import Response, channel_mean, interpolated, level_between
from blindtest.errors import BlindtestError, Fault
from blindtest.study.measurements import averaged, channels_mean, unit_response
from blindtest.study.study import Study
from blindtest.study.unit import Unit

__all__ = ["Apart", "apart_db", "reseating_of", "seating_response", "seating_responses", "units_apart"]

Floats = NDArray[np.float64]
POINTS_PER_OCTAVE = 24


@dataclass(frozen=True, slots=True, kw_only=True)
class Apart:
    """How far two curves lie apart over a band, dB; of several pairs their mean and the widest."""

    rms_db: float
    worst_rms_db: float
    pairs: int


def seating_response(study: Study, unit: Unit, number: int) -> Response:
    """Return one seating of a unit as it is rendered, counted from 1: one column, left and right as their mean.

    Raises
    ------
    BlindtestError
        There is no such seating, or its file can't be read.
    """
    if not 1 <= number <= unit.seatings:
        raise BlindtestError(
            Fault(
                problem="the unit has no such seating",
                file=str(study.path),
                key=f"unit.{unit.id}",
                got=number,
                allowed=f"1 to {unit.seatings}" if unit.seatings else "none measured",
                remedy="seatings are counted in the order of their files",
            )
        )
    at = slice(number - 1, number)
    own = replace(
        unit,
        responses=unit.responses[at],
        left=unit.left[at],
        right=unit.right[at],
        impulse_responses=() if unit.responses or unit.left else unit.impulse_responses[at],
    )
    files = {
        key: [study.folder / name for name in names]
        for key, names in (("responses", own.responses), ("left", own.left), ("right", own.right))
    }
    if not any(files.values()):
        files = {"impulse_responses": [study.folder / name for name in own.impulse_responses]}
    averages, faults = averaged(files, unit.rig, window_s=unit.window_s)
    if faults:
        raise BlindtestError.of(faults)
    return channels_mean(averages)


def seating_responses(study: Study, unit: Unit) -> list[Response]:
    """Return every seating of a unit. Raises as `seating_response`."""
    return [seating_response(study, unit, number) for number in range(1, unit.seatings + 1)]


def apart_db(one: Response, other: Response, band_hz: tuple[float, float]) -> float:
    """Return the RMS of the difference of two responses in dB over a band, every octave alike, their means alike."""
    low = max(band_hz[0], float(one.frequency[0]), float(other.frequency[0]))
    high = min(band_hz[1], float(one.frequency[-1]), float(other.frequency[-1]))
    if high <= low:
        raise ValueError(f"the two have no band in common within {band_hz[0]:g} to {band_hz[1]:g} Hz")
    grid = low * 2.0 ** np.arange(0, np.log2(high / low) + 1e-9, 1 / POINTS_PER_OCTAVE)
    levels = []
    for each in (one, other):
        mean = channel_mean(each)
        levels.append(interpolated(mean, grid)[:, 0] - level_between(mean.frequency, mean.magnitude[:, 0], low, high))
    return float(np.sqrt(np.mean((levels[0] - levels[1]) ** 2)))


def reseating_of(study: Study, unit: Unit, band_hz: tuple[float, float]) -> Apart | None:
    """Return how far any two seatings of a unit lie apart; None with fewer than two."""
    return _pairs(seating_responses(study, unit), band_hz)


def units_apart(study: Study, one: Unit, other: Unit, band_hz: tuple[float, float]) -> Apart:
    """Return how far the averages of two units lie apart."""
    found = _pairs([unit_response(study, one), unit_response(study, other)], band_hz)
    assert found is not None
    return found


def _pairs(responses: Sequence[Response], band_hz: tuple[float, float]) -> Apart | None:
    found = [apart_db(one, other, band_hz) for one, other in combinations(responses, 2)]
    if not found:
        return None
    return Apart(rms_db=float(np.mean(found)), worst_rms_db=max(found), pairs=len(found))
