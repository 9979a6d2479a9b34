"""`blindtest measure` on the folder of one unit: everything that its files tell, in numbers, words and figures."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from math import isfinite
from pathlib import Path
from typing import Any, Literal

import numpy as np

from blindtest.device import interpolated
from blindtest.device.response import Response
from blindtest.errors import BlindtestError, Fault, WrongUse
from blindtest.report.bench_facts import BenchFacts, ChannelCurve, DelayCurve, ImpedanceFacts, ImpulseTrace
from blindtest.steps.unit_drive import DriveAsked, DriveShown, drive_shown
from blindtest.steps.unit_facts import bench_facts
from blindtest.steps.unit_files import SortedFile, sorted_files

__all__ = ["SOURCE_OHMS", "SPOTS_HZ", "UnitMeasured", "default_figures_folder", "draw_unit", "measure_unit"]

SOURCE_OHMS = (0.1, 10.0, 120.0)
SPOTS_HZ = (20.0, 50.0, 100.0, 200.0, 500.0, 1000.0, 2000.0, 3000.0, 5000.0, 8000.0, 10_000.0, 16_000.0)
SPREAD_BAND_HZ = (100.0, 8000.0)

Progress = Callable[[int, int, str], None]


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class UnitMeasured:
    """What `blindtest measure` tells of a unit's folder."""

    folder: str
    files: tuple[SortedFile, ...]
    faults: tuple[Fault, ...]
    notes: tuple[str, ...]
    facts: BenchFacts
    drive: DriveShown | None
    figures: tuple[tuple[str, str, str], ...] = ()
    """Name, title and text alternative of each figure."""
    figures_folder: str = ""
    details: dict[str, Any] = field(default_factory=dict)

    def to_dict(self) -> dict[str, Any]:
        """Return what JSON can hold."""
        facts = self.facts
        return {
            "unit": self.folder,
            "files": [one.to_dict() for one in self.files],
            "faults": [fault.to_dict() for fault in self.faults],
            "notes": list(self.notes),
            "mean": "power" if facts.power_mean else "level",
            "smoothing": facts.smoothing or None,
            "channels": [channel_dict(one) for one in facts.channels],
            "imbalance": imbalance_dict(facts),
            "target": target_dict(facts),
            "harmonics": harmonics_dicts(facts),
            "impedance": [_impedance_dict(one) for one in facts.impedances],
            "impulse_responses": [_impulse_dict(one) for one in facts.impulses],
            "phase_delays": [_delay_dict(one) for one in facts.delays if one.from_phase],
            "drive": None if self.drive is None else self.drive.to_dict(),
            "figures_folder": self.figures_folder or None,
            "figures": [{"name": name, "title": title, "text": text} for name, title, text in self.figures],
        }

    def text(self) -> str:
        """Return it in words."""
        from blindtest.steps.unit_lines import unit_lines

        return "\n".join(unit_lines(self))


def measure_unit(
    folder: Path,
    *,
    mean: Literal["level", "power"] = "level",
    smoothing: float | None = None,
    target: str = "",
    source_ohms: Sequence[float] = SOURCE_OHMS,
    drive: DriveAsked | None = None,
    progress: Progress = lambda done, total, what: None,
) -> UnitMeasured:
    """Return what the files in `folder` tell of one unit; files that can't be used are among its faults.

    Parameters
    ----------
    mean : of the seatings: of levels in dB, or of powers
    smoothing : fraction of an octave, 1/48 to 1
    target : a response file, or flat, diffuse, free
    source_ohms : output impedances to show behind the unit's impedance
    drive : sensitivity, level and amplifier

    Raises
    ------
    BlindtestError
        No such folder, nothing in it can be used, or the target can't.
    WrongUse
        Options out of range.
    """
    if smoothing is not None and not 1 / 48 - 1e-9 <= smoothing <= 1:
        raise WrongUse(Fault(problem="not in range", key="--smooth", got=smoothing, allowed="1/48 to 1 octave"))
    for ohm in source_ohms:
        if not (isfinite(ohm) and 0 <= ohm <= 1e5):
            raise WrongUse(Fault(problem="not in range", key="--source-ohm", got=ohm, allowed="0 to 100000 ohm"))
    asked = drive or DriveAsked()
    asked.sensitivity()  # wrong options before any work
    found = sorted_files(folder, progress=progress)
    if found.empty and not found.faults:
        raise BlindtestError(
            Fault(
                problem="no measurement in this folder",
                file=str(folder),
                got=f"{len(found.files)} file" + ("" if len(found.files) == 1 else "s"),
                allowed="responses, impulse responses, harmonics, impedance curves",
                remedy="put the unit's measurements there, as text or WAV",
            )
        )
    if found.empty:
        raise BlindtestError.of(found.faults)
    facts = bench_facts(
        folder.resolve().name, found, mean=mean, smoothing=smoothing, target=target, source_ohms=source_ohms
    )
    return UnitMeasured(
        folder=str(folder),
        files=tuple(found.files),
        faults=tuple(sorted(found.faults, key=lambda fault: (fault.file, fault.line or 0))),
        notes=tuple(found.notes),
        facts=facts,
        drive=drive_shown(asked, facts.impedances),
    )


def default_figures_folder(folder: Path) -> Path:
    """Return where figures go if nothing is said: beside the unit's folder."""
    whole = folder.resolve()
    return (
        whole.parent / f"{whole.name}-figures"
        if folder.name in ("", "..")
        else folder.parent / f"{folder.name}-figures"
    )


def draw_unit(measured: UnitMeasured, place: Path) -> UnitMeasured:
    """Write the figures to `place`, and return the result that says so."""
    from dataclasses import replace

    from blindtest.report.bench_gallery import bench_figures
    from blindtest.steps.figure_files import write_figures

    drawn = bench_figures(measured.facts)
    write_figures(drawn, place)
    return replace(
        measured,
        figures=tuple((one.name, one.title, one.description) for one in drawn),
        figures_folder=str(place),
    )


def channel_dict(one: ChannelCurve) -> dict[str, Any]:
    """Return a channel's average at round frequencies."""
    spots = [hz for hz in SPOTS_HZ if one.frequency[0] <= hz <= one.frequency[-1]]
    columns = [one.level_db, one.range_db, *([] if one.spread_db is None else [one.spread_db])]
    response = Response(
        frequency=one.frequency,
        magnitude=np.stack(columns, axis=1),
        channels=tuple(str(k) for k in range(len(columns))),
    )
    rows = interpolated(response, np.array(spots)) if spots else np.empty((0, len(columns)))
    return {
        "channel": one.channel,
        "seatings": one.seatings,
        "points": len(one.frequency),
        "lowest_hz": float(one.frequency[0]),
        "highest_hz": float(one.frequency[-1]),
        "levels": [
            {
                "frequency_hz": hz,
                "level_db": float(row[0]),
                "spread_db": None if one.spread_db is None else float(row[2]),
                "range_db": None if one.seatings < 2 else float(row[1]),
            }
            for hz, row in zip(spots, rows, strict=True)
        ],
        **_spread_dict(one),
    }


def _spread_dict(one: ChannelCurve) -> dict[str, Any]:
    inside = (one.frequency >= SPREAD_BAND_HZ[0]) & (one.frequency <= SPREAD_BAND_HZ[1])
    if one.spread_db is None or not inside.any():
        return {"median_spread_db": None, "largest_spread_db": None, "largest_spread_hz": None}
    place = np.flatnonzero(inside)[int(np.argmax(one.spread_db[inside]))]
    return {
        "median_spread_db": float(np.median(one.spread_db[inside])),
        "largest_spread_db": float(one.spread_db[place]),
        "largest_spread_hz": float(one.frequency[place]),
    }


def imbalance_dict(facts: BenchFacts) -> dict[str, Any] | None:
    """Return the largest difference between left and right from 100 Hz to 8 kHz, and their mean difference."""
    one = facts.imbalance
    if one is None:
        return None
    inside = (one.frequency >= SPREAD_BAND_HZ[0]) & (one.frequency <= SPREAD_BAND_HZ[1])
    shown = np.flatnonzero(inside) if inside.any() else np.arange(len(one.frequency))
    place = shown[int(np.argmax(np.abs(one.difference_db[shown])))]
    return {
        "largest_db": float(one.difference_db[place]),
        "largest_hz": float(one.frequency[place]),
        "mean_db": float(np.mean(one.difference_db[shown])),
        "standard_error_db": None if one.spread_db is None else float(one.spread_db[place]),
    }


def target_dict(facts: BenchFacts) -> dict[str, Any] | None:
    """Return the difference from the target."""
    one = facts.target
    if one is None:
        return None
    error = Response(frequency=one.frequency, magnitude=(one.level_db - one.target_db)[:, None])
    spots = [hz for hz in SPOTS_HZ if one.frequency[0] <= hz <= one.frequency[-1]]
    levels = interpolated(error, np.array(spots))[:, 0] if spots else np.empty(0)
    return {
        "target": one.name,
        "aligned_hz": list(one.aligned_hz),
        "band_hz": list(one.band_hz),
        "rms_db": one.rms_db,
        "worst_db": one.worst_db,
        "worst_hz": one.worst_hz,
        "differences": [
            {"frequency_hz": hz, "difference_db": float(level)} for hz, level in zip(spots, levels, strict=True)
        ],
    }


def harmonics_dicts(facts: BenchFacts) -> list[dict[str, Any]]:
    """Return every table of harmonics, level by level."""
    return [
        {
            "file": one.file,
            "levels": [
                {
                    "level_db": level.level_db,
                    "orders": list(level.orders),
                    "rows": [
                        {
                            "frequency_hz": float(hz),
                            "harmonics_db": [float(db) if isfinite(db) else None for db in row],
                            "thd_percent": float(thd),
                            "thd_db": float(20 * np.log10(thd / 100)) if thd > 0 else None,
                        }
                        for hz, row, thd in zip(level.frequency, level.distortion_db, level.thd_percent, strict=True)
                    ],
                }
                for level in one.levels
            ],
        }
        for one in facts.harmonics
    ]


def _impedance_dict(one: ImpedanceFacts) -> dict[str, Any]:
    return {
        "file": one.file,
        "phase_measured": one.impedance.phase is not None,
        "least_ohm": one.least_ohm,
        "least_hz": one.least_hz,
        "greatest_ohm": one.greatest_ohm,
        "greatest_hz": one.greatest_hz,
        "at_1khz_ohm": one.impedance.at(1000.0),
        "sources": [
            {
                "source_ohm": change.source_ohm,
                "loss_db": change.loss_db,
                "highest_db": change.highest_db,
                "highest_hz": change.highest_hz,
                "lowest_db": change.lowest_db,
                "lowest_hz": change.lowest_hz,
            }
            for change in one.changes
        ],
    }


def excess_within(one: DelayCurve) -> tuple[float, float]:
    """Return the largest excess group delay in s from 100 Hz to 8 kHz (by magnitude), and its frequency in Hz."""
    inside = (one.frequency >= SPREAD_BAND_HZ[0]) & (one.frequency <= SPREAD_BAND_HZ[1])
    shown = np.flatnonzero(inside) if inside.any() else np.arange(len(one.frequency))
    place = shown[int(np.argmax(np.abs(one.excess_s[shown])))]
    return float(one.excess_s[place]), float(one.frequency[place])


def _delay_dict(one: DelayCurve) -> dict[str, Any]:
    excess, hertz = excess_within(one)
    return {
        "file": one.file,
        "channel": one.channel,
        "delay_ms": 1000 * one.mean_s,
        "largest_excess_ms": 1000 * excess,
        "largest_excess_hz": hertz,
    }


def _impulse_dict(one: ImpulseTrace) -> dict[str, Any]:
    excess, hertz = excess_within(one.delay)
    facts = one.facts
    return {
        "file": one.file,
        "channel": facts.channel,
        "rate_hz": one.rate,
        "peak_ms": 1000 * facts.peak_s,
        "pre_ringing_db": facts.pre_ringing_db if isfinite(facts.pre_ringing_db) else None,
        "length_ms": 1000 * facts.length_s,
        "noise_db": facts.noise_db if isfinite(facts.noise_db) else None,
        "inverted": facts.inverted,
        "delay_ms": 1000 * one.delay.mean_s,
        "largest_excess_ms": 1000 * excess,
        "largest_excess_hz": hertz,
    }
