"""Seatings of a unit that are unlike its others: one that sealed badly, or is of another unit, moves the mean."""

from collections.abc import Mapping, Sequence
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from blindtest.device import level_at
from blindtest.study.measurements import Averages, averaged, channels_mean

__all__ = ["unlike_seatings"]

DOUBTFUL_DB = 6.0
"""So far from the others a seating is asked about: more than reseating does (common practice, as `measure` has it)."""
BAND_HZ = (20.0, 8000.0)
"""Above it notches of the ear simulator move by more with each seating."""
POINTS_PER_OCTAVE = 12


def unlike_seatings(
    files: Mapping[str, Sequence[Path]], averages: Averages, window_s: tuple[float, float] | None
) -> list[str]:
    """Return a remark for each file whose level, or whose level in an octave, lies far from that of the others.

    `averages` are those of `files`; where their ranges are small nothing is read again. Of two files nobody knows
    which one is the stranger: they are named together.
    """
    remarks = []
    for key, average in averages.items():
        paths, response = files[key], average.response
        inside = (response.frequency >= BAND_HZ[0]) & (response.frequency <= BAND_HZ[1])
        if len(paths) < 2 or not inside.any() or np.max(average.range[inside]) <= DOUBTFUL_DB:
            continue
        low, high = (float(np.clip(edge, response.frequency[0], response.frequency[-1])) for edge in BAND_HZ)
        octaves = max(1, round(np.log2(high / low)))
        grid = np.geomspace(low, high, octaves * POINTS_PER_OCTAVE)
        levels = np.stack([_level(key, path, window_s, grid) for path in paths])
        remarks += _remarks([path.name for path in paths], levels.reshape(len(paths), octaves, -1).mean(axis=2), grid)
    return remarks


def _level(
    key: str, path: Path, window_s: tuple[float, float] | None, grid: NDArray[np.float64]
) -> NDArray[np.float64]:
    response = channels_mean(averaged({key: [path]}, "", window_s=window_s)[0])
    level: NDArray[np.float64] = level_at(response.frequency, response.magnitude[:, 0], grid)
    return level


def _remarks(names: Sequence[str], levels: NDArray[np.float64], grid: NDArray[np.float64]) -> list[str]:
    """Return the remarks on `levels` (files, octaves) in dB."""
    if len(names) == 2:
        apart = float(np.median(levels[0] - levels[1]))
        if abs(apart) <= DOUBTFUL_DB:
            return []
        return [f"{names[0]} lies {apart:+.1f} dB from {names[1]}: measured at another level, or in another unit?"]
    centres = grid.reshape(levels.shape[1], -1).mean(axis=1)
    off = levels - np.median(levels, axis=0)
    whole = np.median(off, axis=1)
    remarks = []
    for name, level, octaves in zip(names, whole, off - whole[:, None], strict=True):
        worst = int(np.argmax(np.abs(octaves)))
        if abs(level) > DOUBTFUL_DB:
            remarks.append(
                f"{name} lies {level:+.1f} dB from the other seatings: measured at another level, or in another unit?"
            )
        elif abs(octaves[worst]) > DOUBTFUL_DB:
            remarks.append(
                f"{name} lies {octaves[worst]:+.1f} dB from the other seatings in the octave about "
                f"{centres[worst]:.0f} Hz: did it seal, and is it of this unit?"
            )
    return remarks
