"""Harmonics as sweeps are exported: levels of their own in dB SPL, and a fundamental that follows the response.

A sweep at a constant drive meets each frequency at whatever level the unit plays there. Behind a response that is one
measurement at one drive, not a level for each frequency; it goes by the level it has at 1 kHz.
"""

import re
from collections.abc import Sequence
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

__all__ = ["absolute_unit", "names_fundamental", "sweep_levels"]

Floats = NDArray[np.float64]

NAMED_AT_HZ = 1000.0
FEWEST = 4
"""Frequencies on the way up or down that make a sweep; our rule."""
ONE_LEVEL_DB = 0.1
"""Levels that differ by less are one; our rule."""
_ABSOLUTE = re.compile(r"db[\s_(\[]*(spl|fs|v|u|m)(?![a-z])|(?<![a-z])(spl)(?![a-z])")
_FUNDAMENTAL = re.compile(r"fundamental|(?<![a-z0-9])h[ _]?1(?![0-9a-z])|(?<!\d)1st\b")


def names_fundamental(cell: str) -> bool:
    """Whether a name in a header is that of the fundamental's own level."""
    lowered = cell.casefold()
    return bool(_FUNDAMENTAL.search(lowered)) and "hz" not in lowered and "%" not in lowered and "phase" not in lowered


def absolute_unit(cell: str) -> str:
    """Return the reference of a level by its name in a header ('spl', 'v', 'fs', ...); '' where it names none."""
    found = _ABSOLUTE.search(cell.casefold())
    return (found[1] or found[2]) if found else ""


def sweep_levels(frequency: Sequence[float], level_db: Sequence[float]) -> tuple[Floats, list[float]]:
    """Return the level (rows,) each row goes by, and the levels that sweeps at a constant drive were given.

    Parameters
    ----------
    frequency, level_db : (rows,) Hz and dB, in the order of the file; a row of several orders may stand several times

    Returns
    -------
    Levels as they were, but of rows that belong to a sweep (four frequencies or more on the way up or down, levels
    that differ) its level at the frequency next to 1 kHz.
    """
    hertz, named = np.asarray(frequency, dtype=np.float64), np.array(level_db, dtype=np.float64)
    sweeps: list[float] = []
    for rows in _runs(hertz, named):
        own = named[rows]
        if len(np.unique(hertz[rows])) < FEWEST or np.isnan(own).any() or np.ptp(own) <= ONE_LEVEL_DB:
            continue
        at = float(own[int(np.argmin(np.abs(np.log(hertz[rows] / NAMED_AT_HZ))))])
        named[rows] = at
        sweeps.append(at)
    return named, list(dict.fromkeys(sweeps))


def _runs(hertz: Floats, level_db: Floats) -> list[slice]:
    """Return the parts of a table over which the frequency goes one way; rows of one point stay together."""
    if not len(hertz):
        return []
    starts, way = [0], 0
    for k, (before, after) in enumerate(pairwise(hertz), 1):
        step = int(np.sign(after - before))
        same_point = step == 0 and (level_db[k] == level_db[k - 1] or np.isnan(level_db[k]))
        if same_point:
            continue
        if step == 0 or (way and step != way):
            starts.append(k)
            way = 0
        else:
            way = step
    return [slice(start, end) for start, end in pairwise([*starts, len(hertz)])]
