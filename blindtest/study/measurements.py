"""A unit's measurements: every seating read, averaged in dB, left and right brought to their mean."""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Literal

from blindtest.device import (
    ImpulseResponse,
    Response,
    SeatingAverage,
    average_seatings,
    channel_mean,
    common_rate,
    impulse_facts,
    impulse_response_of,
    read_impulse_responses,
    read_response,
    windowed,
)
from blindtest.errors import BlindtestError, Fault
from blindtest.study.study import Study
from blindtest.study.unit import Unit

__all__ = ["Averages", "averaged", "channels_mean", "read_impulses", "unit_averages", "unit_response"]

Averages = dict[str, SeatingAverage]
"""By the key that named the files: 'responses', or 'left' and 'right'."""

QUIET_DB = -40.0
"""The last tenth of an impulse response re its peak; above it a remark stands; our rule."""


def unit_averages(study: Study, unit: Unit) -> Averages:
    """Return the mean of a unit's seatings in dB with its spread: under 'responses', or under 'left' and 'right'.

    Raises
    ------
    BlindtestError
        A file can't be read, or they can't be combined; all that is wrong with them at once.
    """
    files = {
        key: [study.folder / name for name in names]
        for key, names in (("responses", unit.responses), ("left", unit.left), ("right", unit.right))
    }
    if not any(files.values()):
        files = {"impulse_responses": [study.folder / name for name in unit.impulse_responses]}
    averages, faults = averaged(files, unit.rig, window_s=unit.window_s, mean=unit.seating_mean)
    if faults:
        raise BlindtestError.of(faults)
    return averages


def unit_response(study: Study, unit: Unit) -> Response:
    """Return a unit's response as it is rendered: one column, the mean of seatings and of left and right in dB.

    Raises as `unit_averages`, and where left and right have no range of frequencies in common.
    """
    return channels_mean(unit_averages(study, unit))


def channels_mean(averages: Averages) -> Response:
    """Return the mean of all channels in dB, on the finest of their grids. Raises as `average_seatings`."""
    columns = [channel_mean(average.response) for average in averages.values()]
    return columns[0] if len(columns) == 1 else average_seatings(columns).response


def averaged(
    files: Mapping[str, Sequence[Path]],
    rig: str,
    *,
    window_s: tuple[float, float] | None = None,
    mean: Literal["level", "power"] = "level",
) -> tuple[Averages, list[Fault]]:
    """Return the averages of the files under each key, and all that is wrong with them.

    Under 'impulse_responses' stand impulse responses, `window_s` of each around its peak; all others are text.
    """
    faults: list[Fault] = []
    averages: Averages = {}
    for key, paths in files.items():
        if key == "impulse_responses":
            faults += _from_impulses(paths, rig, window_s, mean, averages)
            continue
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
                averages[key] = average_seatings(responses, mean=mean)
            except BlindtestError as error:
                faults += error.faults
    return averages, faults


def read_impulses(paths: Sequence[Path], window_s: tuple[float, float] | None) -> list[ImpulseResponse]:
    """Return the impulse responses of all seatings in `paths`, windowed.

    Raises
    ------
    BlindtestError
        All that is wrong with them at once.
    """
    found: list[ImpulseResponse] = []
    faults: list[Fault] = []
    before, after = window_s or (None, None)
    for path in paths:
        try:
            read = read_impulse_responses(path)
        except BlindtestError as error:
            faults += [fault.in_file(str(path)) for fault in error.faults]
            continue
        kept = {} if before is None else {"before_s": before}
        found += [windowed(one if after else _with_noise(one, path), after_s=after, **kept) for one in read]
    if not faults and found:
        try:
            common_rate(found)
        except BlindtestError as error:
            faults += [fault.in_file(str(paths[0])) for fault in error.faults]
    if faults:
        raise BlindtestError(*faults)
    return found


def _with_noise(impulse: ImpulseResponse, path: Path) -> ImpulseResponse:
    """Return it with a remark where it ends in noise, which no window takes away."""
    noise = max(facts.noise_db for facts in impulse_facts(impulse))
    if noise <= QUIET_DB:
        return impulse
    remark = (
        f"{path.name}: the last tenth lies {-noise:.0f} dB under the peak: noise, or cut before it had died away; "
        "window_s = [0.005, 0.1] keeps 5 ms ahead of the peak and 100 ms behind it"
    )
    return replace(impulse, remarks=(*impulse.remarks, remark))


def _from_impulses(
    paths: Sequence[Path],
    rig: str,
    window_s: tuple[float, float] | None,
    mean: Literal["level", "power"],
    averages: Averages,
) -> list[Fault]:
    """Put the average of the responses of all impulse responses in place; return what is wrong."""
    try:
        responses = [replace(impulse_response_of(one), rig=rig) for one in read_impulses(paths, window_s)]
        if responses:
            averages["impulse_responses"] = average_seatings(responses, mean=mean)
    except BlindtestError as error:
        return list(error.faults)
    return []
