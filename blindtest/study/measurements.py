"""A unit's measurements: every seating read and averaged, left and right put side by side."""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from blindtest.device import Response, SeatingAverage, average_seatings, interpolated, read_response
from blindtest.errors import BlindtestError, Fault
from blindtest.study.study import Study, Unit

__all__ = ["averaged", "unit_average"]


def unit_average(study: Study, unit: Unit) -> SeatingAverage:
    """Return the mean of a unit's seatings in dB, with its spread; left and right lists become two channels.

    Raises
    ------
    BlindtestError
        A file can't be read, or they can't be combined; all that is wrong with them at once.
    """
    files = {
        key: [study.folder / name for name in names]
        for key, names in (("responses", unit.responses), ("left", unit.left), ("right", unit.right))
    }
    average, faults = averaged(files, unit.rig)
    if average is None or faults:
        raise BlindtestError.of(faults)
    return average


def averaged(files: Mapping[str, Sequence[Path]], rig: str) -> tuple[SeatingAverage | None, list[Fault]]:
    """Return the average over the files of 'responses', or 'left' and 'right', and all that is wrong with them."""
    faults: list[Fault] = []
    averages: dict[str, SeatingAverage] = {}
    for key, paths in files.items():
        responses = []
        for path in paths:
            try:
                response = read_response(path)
            except BlindtestError as error:
                faults += [fault.in_file(str(path)) for fault in error.faults]
                continue
            if key != "responses" and len(response.channels) > 1:
                faults.append(
                    Fault(
                        problem=f"holds several channels, but is listed under {key}",
                        file=str(path),
                        got=", ".join(response.channels),
                        remedy="list such files under responses",
                    )
                )
                continue
            if key != "responses":
                response = replace(response, channels=(key,))
            responses.append(replace(response, rig=rig, sources=(str(path),)))
        if responses and len(responses) == len(paths):
            try:
                averages[key] = average_seatings(responses)
            except BlindtestError as error:
                faults += error.faults
    if faults or not averages:
        return None, faults
    if "responses" in averages:
        return averages["responses"], faults
    if len(averages) < 2:
        return None, faults
    try:
        return _side_by_side(averages["left"], averages["right"]), faults
    except BlindtestError as error:
        return None, [*error.faults]


def _side_by_side(left: SeatingAverage, right: SeatingAverage) -> SeatingAverage:
    """Return one average of two channels, on the left channel's frequencies that both cover."""
    frequency = left.response.frequency
    both = (frequency >= right.response.frequency[0]) & (frequency <= right.response.frequency[-1])
    if np.count_nonzero(both) < 2:
        raise BlindtestError(
            Fault(
                problem="left and right have no common range of frequencies",
                file=right.response.sources[0],
                remedy="measure both channels over the same range",
            )
        )
    frequency = frequency[both]

    def on_grid(values: Any) -> Any:
        return interpolated(replace(right.response, magnitude=values, phase=None), frequency)

    return SeatingAverage(
        response=Response(
            frequency=frequency,
            magnitude=np.hstack([left.response.magnitude[both], interpolated(right.response, frequency)]),
            channels=("left", "right"),
            remarks=tuple(dict.fromkeys((*left.response.remarks, *right.response.remarks))),
            sources=(*left.response.sources, *right.response.sources),
            rig=left.response.rig,
        ),
        spread=np.hstack([left.spread[both], on_grid(right.spread)])
        if min(left.seatings, right.seatings) > 1
        else np.full((len(frequency), 2), np.nan),
        range=np.hstack([left.range[both], on_grid(right.range)]),
        seatings=min(left.seatings, right.seatings),
        mean=left.mean,
    )
