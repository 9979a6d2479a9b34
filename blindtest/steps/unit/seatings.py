"""Seatings of one unit held against each other: what is refused as a stranger, and what is asked about."""

from collections import Counter
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np

from blindtest.device import Response, level_at, level_between
from blindtest.errors import Fault
from blindtest.nouns import number_of
from blindtest.steps.unit.files import Curve, UnitFiles

__all__ = ["compare_seatings"]

SEATING_BAND_HZ = (300.0, 3000.0)
"""Over which the levels of seatings are held against each other."""
SHAPE_BAND_HZ = (100.0, 8000.0)
DEAD_DB = 40.0
"""So far under the others a curve is that of a dead channel."""
OTHER_UNIT_DB = 20.0
"""So far from the others a curve is written in another unit of level."""
_ROUNDED = 1e-3
"""Share by which frequencies differ that were written with fewer digits; our rule."""
DOUBTFUL_DB = 6.0
"""So far from the others a seating is asked about: more than reseating does (common practice)."""


def compare_seatings(found: UnitFiles, folder: Path) -> None:
    """Take out of `found` what can't be a seating of the same unit, and note there what is unlike the others.

    `folder` is named in faults.
    """
    _refuse_rates(found, folder)
    _note_grids(found, folder)
    _refuse_strangers(found, folder)
    _note_counts(found)


def _refused(found: UnitFiles, name: str, fault: Fault) -> None:
    found.faults.append(fault)
    found.files = [
        replace(one, taken_for="refused", why=f"{one.why}; {fault.problem}") if one.file == name else one
        for one in found.files
    ]


def _refuse_rates(found: UnitFiles, folder: Path) -> None:
    """Refuse impulse responses at another rate than most: one resampled beside one that isn't would be told apart."""
    rates = Counter[int]()
    for _, impulse in found.impulses:
        rates[impulse.rate] += len(impulse.channels)
    if len(rates) < 2:
        return
    first = {rate: place for place, rate in reversed(list(enumerate(one.rate for _, one in found.impulses)))}
    kept = max(rates, key=lambda rate: (rates[rate], -first[rate]))
    for name in dict.fromkeys(name for name, one in found.impulses if one.rate != kept):
        rate = next(one.rate for other, one in found.impulses if other == name)
        _refused(
            found,
            name,
            Fault(
                problem="another sample rate than the other impulse responses",
                file=str(folder / name),
                got=f"{rate} Hz",
                allowed=f"{kept} Hz",
                remedy="export all at one rate",
            ),
        )
    found.impulses = [(name, one) for name, one in found.impulses if one.rate == kept]


def _refuse_strangers(found: UnitFiles, folder: Path) -> None:
    """Refuse curves of dead channels and of another unit of level; ask about seatings unlike the others."""
    if len(found.curves) < 2:
        return
    levels = np.array([_mean_level(one.response) for one in found.curves])
    # Of two the louder one is alive; of more the middle is what they agree on, unless half of them are dead.
    middle = float(np.median(levels[levels > levels.max() - DEAD_DB]))
    left: list[Curve] = []
    for curve, level in zip(found.curves, levels, strict=True):
        off = float(level) - middle
        ear = f"the {curve.channel} channel" if curve.channel != "both" else "the curve"
        if off <= -DEAD_DB and len(levels) - np.sum(levels <= middle - DEAD_DB) >= np.sum(levels <= middle - DEAD_DB):
            problem = f"{ear} is dead, or its levels are in another unit"
        elif abs(off) > OTHER_UNIT_DB and len(levels) > 2:
            problem = f"{ear} lies far from the others: levels in another unit, or of another device"
        else:
            left.append(curve)
            if abs(off) > DOUBTFUL_DB and len(levels) > 2:
                found.notes.append(
                    f"{curve.file}: {ear} lies {off:+.1f} dB from the others: measured at another level?"
                )
            continue
        _refused(
            found,
            curve.file,
            Fault(
                problem=problem,
                file=str(folder / curve.file),
                key=curve.channel,
                got=f"{off:+.1f} dB against the others from 300 Hz to 3 kHz",
                remedy="look at cables and inputs, and export every seating in the same unit",
            ),
        )
    found.curves = left
    used = {curve.file: curve.channel for curve in left}
    found.files = [
        replace(one, taken_for="response", why=f"{one.why}; the {used[one.file]} one is used")
        if one.taken_for == "refused" and one.file in used
        else one
        for one in found.files
    ]
    _ask_about_flat(found)
    _ask_about_shapes(found)


def _mean_level(response: Response) -> float:
    return float(level_between(response.frequency, response.magnitude[:, 0], *SEATING_BAND_HZ))


def _ask_about_flat(found: UnitFiles) -> None:
    flat = [curve for curve in found.curves if not np.ptp(curve.response.magnitude)]
    if len(flat) < len(found.curves):
        for curve in flat:
            ear = f"the {curve.channel} channel" if curve.channel != "both" else "the curve"
            found.notes.append(
                f"{curve.file}: {ear} has one level at all frequencies, the others don't: was it measured?"
            )


def _ask_about_shapes(found: UnitFiles) -> None:
    if len(found.curves) < 3:
        return
    grid = np.geomspace(*SHAPE_BAND_HZ, 200)
    shapes = np.stack([level_at(one.response.frequency, one.response.magnitude[:, 0], grid) for one in found.curves])
    shapes -= shapes.mean(axis=1, keepdims=True)
    off = np.sqrt(np.mean((shapes - np.median(shapes, axis=0)) ** 2, axis=1))
    for curve, far in zip(found.curves, off, strict=True):
        if far > DOUBTFUL_DB:
            found.notes.append(
                f"{curve.file}: its shape lies {far:.1f} dB r.m.s. from the others (100 Hz to 8 kHz): is it of "
                "this unit?"
            )


def _note_grids(found: UnitFiles, folder: Path) -> None:
    """Say which seatings are on other frequencies than most, and refuse those that share none with them."""
    grids: list[list[Curve]] = []
    for curve in found.curves:
        own = next((curves for curves in grids if _alike(curves[0].response, curve.response)), None)
        if own is None:
            grids.append([curve])
        else:
            own.append(curve)
    if len(grids) < 2:
        return
    most = max(grids, key=len)
    common = _grid_words(most[0].response)
    for curves in grids:
        if curves is most:
            continue
        theirs = _grid_words(curves[0].response)
        names = list(dict.fromkeys(curve.file for curve in curves))
        if _apart(curves[0].response, most[0].response):
            for name in names:
                _refused(
                    found,
                    name,
                    Fault(
                        problem="shares no range of frequencies with the other seatings",
                        file=str(folder / name),
                        got=theirs,
                        allowed=common,
                        remedy="export every seating over the same range",
                    ),
                )
            found.curves = [curve for curve in found.curves if curve.file not in names]
            continue
        found.notes.append(
            f"{', '.join(names)}: on other frequencies than the other seatings, {theirs} against {common}: all are "
            "read on the finest grid, within what all cover"
        )


def _alike(one: Response, other: Response) -> bool:
    """Whether two seatings were measured at the same frequencies, whatever digits they were written with."""
    return len(one.frequency) == len(other.frequency) and bool(
        np.allclose(one.frequency, other.frequency, rtol=_ROUNDED, atol=0)
    )


def _apart(one: Response, other: Response) -> bool:
    low = max(one.frequency[0], other.frequency[0])
    high = min(one.frequency[-1], other.frequency[-1])
    return bool(low >= high)


def _grid_words(response: Response) -> str:
    low, high = response.frequency[0], response.frequency[-1]
    return f"{len(response.frequency)} points from {low:g} to {high:g} Hz"


def _note_counts(found: UnitFiles) -> None:
    counts = Counter(curve.channel for curve in found.curves)
    if counts["both"] and counts["left"] + counts["right"]:
        names: Sequence[str] = [curve.file for curve in found.curves if curve.channel == "both"]
        found.notes.append(
            f"{', '.join(names)}: nothing says of which ear, though other files do: averaged apart from left and right"
        )
    elif counts["left"] and counts["right"] and counts["left"] != counts["right"]:
        found.notes.append(
            f"{number_of(counts['left'], 'seating')} of the left and {counts['right']} of the right channel"
        )
    if found.curves and found.impulses:
        found.notes.append("the averages are those of the response files; impulse responses are shown apart")
