"""`blindtest measure` on the folder of one unit: everything that its files tell, in numbers, words and figures."""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from math import isfinite
from pathlib import Path
from typing import Any, Literal

from blindtest.errors import BlindtestError, Fault, WrongUse
from blindtest.report.bench_facts import BenchFacts
from blindtest.steps.unit.dicts import (
    channel_dict,
    delay_dict,
    harmonics_dicts,
    imbalance_dict,
    impedance_dict,
    impulse_dict,
    target_dict,
)
from blindtest.steps.unit.drive import DriveAsked, DriveShown, drive_shown
from blindtest.steps.unit.facts import bench_facts
from blindtest.steps.unit.files import SortedFile
from blindtest.steps.unit.lines import unit_lines
from blindtest.steps.unit.sorting import sorted_files

__all__ = ["SOURCE_OHMS", "UnitMeasured", "default_figures_folder", "draw_unit", "measure_unit"]

SOURCE_OHMS = (0.1, 10.0, 120.0)
_MOST_REMARKS = 12

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
            "impedance": [impedance_dict(one) for one in facts.impedances],
            "impulse_responses": [impulse_dict(one) for one in facts.impulses],
            "phase_delays": [delay_dict(one) for one in facts.delays if one.from_phase],
            "drive": None if self.drive is None else self.drive.to_dict(),
            "figures_folder": self.figures_folder or None,
            "figures": [{"name": name, "title": title, "text": text} for name, title, text in self.figures],
        }

    def text(self) -> str:
        """Return it in words."""
        return "\n".join(self._lines())

    def _lines(self) -> Iterator[str]:
        yield f"{self.folder}: {len(self.files)} file" + ("s" if len(self.files) != 1 else "")
        for one in self.files:
            yield f"  {one.file}: {one.taken_for}" + (f" ({one.why})" if one.why else "")
            for remark in one.remarks[:_MOST_REMARKS]:
                yield f"    {remark}"
        if self.notes:
            yield ""
            yield from (f"Note: {note}" for note in self.notes)
        yield from unit_lines(self.facts)
        if self.drive is not None:
            yield ""
            yield from self.drive.lines()
        if self.figures:
            yield ""
            yield f"Figures (SVG, PNG, text alternative, data) in {self.figures_folder}:"
            yield from (f"  {name}: {title}" for name, title, _ in self.figures)


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
