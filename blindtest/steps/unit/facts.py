"""From a unit's sorted files to what is told and drawn of it: averages, target, imbalance, impedance, delays."""

from collections import Counter
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Literal

import numpy as np

from blindtest.device import (
    Imbalance,
    Impedance,
    ImpulseResponse,
    Response,
    SeatingAverage,
    average_seatings,
    channel_imbalance,
    channel_mean,
    delay_of_phase,
    divider_response,
    excess_phase,
    field_target,
    flat_target,
    group_delay_s,
    impulse_facts,
    impulse_response_of,
    interpolated,
    level_at,
    level_between,
    read_response,
    smooth,
    windowed,
)
from blindtest.errors import BlindtestError, Fault
from blindtest.report.bench_facts import (
    BenchFacts,
    ChannelCurve,
    DelayCurve,
    HarmonicFacts,
    ImpedanceFacts,
    ImpulseTrace,
    SourceChange,
    TargetFacts,
)
from blindtest.steps.unit.files import UnitFiles

__all__ = ["bench_facts"]

AUDIBLE_HZ = (20.0, 20_000.0)
ALIGN_HZ = (300.0, 3000.0)
REFERENCE_HZ = 1000.0
FIELDS = ("flat", "diffuse", "free")
_WIDER = (0.7, 1.05)
_FEWEST_POINTS = 10
_DELAY_OCTAVES = 1 / 24
"""Over which a group delay is averaged: else the noise of a second of capture hides it."""
_DELAY_POINTS = 24
"""Per octave."""


def bench_facts(
    unit: str,
    files: UnitFiles,
    *,
    mean: Literal["level", "power"],
    smoothing: float | None,
    target: str,
    source_ohms: Sequence[float],
) -> BenchFacts:
    """Return what the files tell; what can't be told for want of something is added to `files.notes`.

    Raises
    ------
    BlindtestError
        The target can't be read, or shares no frequencies with the unit.
    """
    averages = _averages(files, mean)
    impulses = tuple(trace for name, one in _numbered(files.impulses) for trace in _traces(name, one))
    channels = tuple(_channel(name, average, smoothing) for name, average in averages.items())
    return BenchFacts(
        unit=unit,
        channels=channels,
        power_mean=mean == "power",
        smoothing=_octaves(smoothing),
        target=_against(target, averages, smoothing, files),
        imbalance=_imbalance(averages, files),
        harmonics=tuple(HarmonicFacts(file=name, levels=levels) for name, levels in files.harmonics),
        impedances=tuple(_impedance(name, one, source_ohms, files) for name, one in files.impedances),
        impulses=impulses,
        delays=tuple(trace.delay for trace in impulses) or tuple(_phase_delays(files)),
    )


def _octaves(fraction: float | None) -> str:
    if fraction is None:
        return ""
    return "1 octave" if fraction == 1 else f"1/{1 / fraction:.3g} octave"


def _averages(files: UnitFiles, mean: Literal["level", "power"]) -> dict[str, SeatingAverage]:
    """Return the average of each channel: of the response files, else of the impulse responses."""
    seatings: dict[str, list[Response]] = {}
    for curve in files.curves:
        seatings.setdefault(curve.channel, []).append(curve.response)
    if not files.curves:
        for _, impulse in files.impulses:
            response = impulse_response_of(windowed(impulse))
            for place, channel in enumerate(response.channels):
                column = response.magnitude[:, place : place + 1]
                one = Response(frequency=response.frequency, magnitude=column, channels=(channel,))
                seatings.setdefault(channel, []).append(one)
    made = {}
    for channel in ("left", "right", "both"):
        if channel in seatings:
            try:
                made[channel] = average_seatings(seatings[channel], mean=mean)
            except BlindtestError as error:
                files.faults += error.faults
    return made


def _channel(name: str, average: SeatingAverage, smoothing: float | None) -> ChannelCurve:
    shown = average.response if smoothing is None else smooth(average.response, smoothing)
    return ChannelCurve(
        channel=name,
        frequency=shown.frequency,
        level_db=shown.magnitude[:, 0],
        spread_db=average.spread[:, 0] if average.seatings > 1 else None,
        range_db=average.range[:, 0],
        seatings=average.seatings,
    )


def _against(
    target: str, averages: dict[str, SeatingAverage], smoothing: float | None, files: UnitFiles
) -> TargetFacts | None:
    if not target:
        return None
    if not averages:
        files.notes.append("nothing to hold against the target: no response in the folder")
        return None
    wanted, name = _target(target)
    columns = [channel_mean(average.response) for average in averages.values()]
    response = columns[0] if len(columns) == 1 else average_seatings(columns).response
    if smoothing is not None:
        response = smooth(response, smoothing)
    low = max(AUDIBLE_HZ[0], float(response.frequency[0]), float(wanted.frequency[0]))
    high = min(AUDIBLE_HZ[1], float(response.frequency[-1]), float(wanted.frequency[-1]))
    aligned = (max(low, ALIGN_HZ[0]), min(high, ALIGN_HZ[1]))
    if not (low < high and aligned[0] < aligned[1]):
        raise BlindtestError(
            Fault(
                problem="the target and the unit share no frequencies to align them by",
                file=target,
                got=f"{wanted.frequency[0]:g} to {wanted.frequency[-1]:g} Hz",
                allowed="some of 300 Hz to 3 kHz",
                remedy="name a target that covers the unit's range",
            )
        )
    own = response.frequency[(response.frequency > low) & (response.frequency < high)]
    grid = np.concatenate([[low], own, [high]])
    wanted = channel_mean(wanted)
    level = interpolated(response, grid)[:, 0] - level_between(response.frequency, response.magnitude[:, 0], *aligned)
    goal = interpolated(wanted, grid)[:, 0] - level_between(wanted.frequency, wanted.magnitude[:, 0], *aligned)
    # Every octave counts alike, whatever grid the file is on.
    even = np.geomspace(low, high, 1000)
    error = np.interp(np.log(even), np.log(grid), level - goal)
    worst = int(np.argmax(np.abs(level - goal)))
    return TargetFacts(
        name=name,
        frequency=grid,
        level_db=level,
        target_db=goal,
        aligned_hz=aligned,
        band_hz=(low, high),
        rms_db=float(np.sqrt(np.mean(error**2))),
        worst_db=float((level - goal)[worst]),
        worst_hz=float(grid[worst]),
    )


def _target(target: str) -> tuple[Response, str]:
    path = Path(target)
    if target in FIELDS and not path.exists():
        if target == "flat":
            return flat_target(), "flat"
        return field_target(target), f"{target} field (ISO 11904-1)"
    return read_response(path), path.name


def _imbalance(averages: dict[str, SeatingAverage], files: UnitFiles) -> Imbalance | None:
    if not {"left", "right"} <= averages.keys():
        return None
    try:
        return channel_imbalance(averages["left"], averages["right"])
    except BlindtestError as error:
        files.faults += error.faults
        return None


def _impedance(name: str, impedance: Impedance, source_ohms: Sequence[float], files: UnitFiles) -> ImpedanceFacts:
    hertz = impedance.frequency
    inside = (hertz >= AUDIBLE_HZ[0]) & (hertz <= AUDIBLE_HZ[1])
    shown = np.flatnonzero(inside) if inside.any() else np.arange(len(hertz))
    ohm = impedance.magnitude[shown]
    least, greatest = int(np.argmin(ohm)), int(np.argmax(ohm))
    if impedance.phase is None:
        files.notes.append(
            f"{name}: no phase of the impedance: rebuilt as minimum phase, good to 0.2 dB up to 10 kHz behind a source"
        )
    return ImpedanceFacts(
        file=name,
        impedance=impedance,
        least_ohm=float(ohm[least]),
        least_hz=float(hertz[shown][least]),
        greatest_ohm=float(ohm[greatest]),
        greatest_hz=float(hertz[shown][greatest]),
        changes=tuple(_change(impedance, one, shown) for one in source_ohms),
    )


def _change(
    impedance: Impedance, source_ohm: float, shown: "np.ndarray[tuple[int], np.dtype[np.intp]]"
) -> SourceChange:
    divided = divider_response(impedance, source_ohm)
    level = divided.magnitude[:, 0]
    at = float(level_at(divided.frequency, level, [REFERENCE_HZ])[0])
    relative = level - at
    highest, lowest = shown[int(np.argmax(relative[shown]))], shown[int(np.argmin(relative[shown]))]
    return SourceChange(
        source_ohm=source_ohm,
        response=divided,
        relative_db=relative,
        loss_db=-at,
        highest_db=float(relative[highest]),
        highest_hz=float(divided.frequency[highest]),
        lowest_db=float(relative[lowest]),
        lowest_hz=float(divided.frequency[lowest]),
    )


def _numbered(impulses: Sequence[tuple[str, ImpulseResponse]]) -> Iterator[tuple[str, ImpulseResponse]]:
    """Yield impulse responses by names that tell those of one file apart."""
    counts = Counter(name for name, _ in impulses)
    seen: Counter[str] = Counter()
    for name, impulse in impulses:
        seen[name] += 1
        yield (name if counts[name] == 1 else f"{name} ({seen[name]} of {counts[name]})"), impulse


def _traces(name: str, impulse: ImpulseResponse) -> list[ImpulseTrace]:
    kept = windowed(impulse)
    low = max(AUDIBLE_HZ[0], impulse.rate / len(kept.frames))
    high = min(AUDIBLE_HZ[1], 0.45 * impulse.rate)
    traces = []
    for facts, captured, samples in zip(impulse_facts(impulse), impulse.frames.T, kept.frames.T, strict=True):
        grid = np.geomspace(low, high, max(2, round(np.log2(high / low) * _DELAY_POINTS)))
        # A little wider than what is told, since the phase bends at its band's ends.
        wider = (_WIDER[0] * low, min(_WIDER[1] * high, 0.48 * impulse.rate))
        excess = excess_phase(samples, impulse.rate, band_hz=wider)
        delay = group_delay_s(samples, impulse.rate, grid, octaves=_DELAY_OCTAVES) - excess.delay_s
        traces.append(
            ImpulseTrace(
                file=name,
                facts=facts,
                samples=captured,
                rate=impulse.rate,
                delay=DelayCurve(
                    file=name,
                    channel=facts.channel,
                    frequency=grid,
                    delay_s=delay,
                    excess_s=excess.group_delay_s(grid),
                    mean_s=excess.delay_s + facts.peak_s - float(np.argmax(np.abs(samples))) / impulse.rate,
                    from_phase=False,
                ),
                turned=excess.inverted,
            )
        )
    return traces


def _phase_delays(files: UnitFiles) -> Iterator[DelayCurve]:
    """Give the delays that the phases of response files tell, where no impulse response tells them better."""
    coarse = []
    for curve in files.curves:
        own = curve.response
        if own.phase is None:
            continue
        inside = (own.frequency >= AUDIBLE_HZ[0]) & (own.frequency <= AUDIBLE_HZ[1])
        if inside.sum() < _FEWEST_POINTS:
            continue
        found = delay_of_phase(own.frequency, own.magnitude[:, 0], own.phase[:, 0])
        if found is None:
            coarse.append(curve.file)
            continue
        yield DelayCurve(
            file=curve.file,
            channel=curve.channel,
            frequency=found.frequency[inside],
            delay_s=found.delay_s[inside],
            excess_s=found.excess_s[inside],
            mean_s=found.mean_s,
            from_phase=True,
        )
    if coarse:
        files.notes.append(
            f"{', '.join(dict.fromkeys(coarse))}: the phase turns too far between two frequencies to tell delays: "
            "export more points, or the impulse response"
        )
