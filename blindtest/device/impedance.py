"""Impedance curves, and what a source of some impedance makes of them: the voltage divider.

H = Z / (Z + Rs) with the complex Z: by magnitudes alone the result is off by up to half a decibel. Where only |Z| was
measured its phase is rebuilt, since the impedance of a two-terminal network is minimum phase (Bode 1945, "Network
Analysis and Feedback Amplifier Design").
"""

import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike, NDArray

from blindtest.errors import BlindtestError

from .fir import minimum_phase_impulse
from .lines import read_bytes, refused
from .named_table import NamedTable, in_radians, named_table
from .repeated_points import merged_points
from .response import Response, channel_mean, level_at

if TYPE_CHECKING:
    from pandas import DataFrame

__all__ = [
    "REBUILT_TO_HZ",
    "Impedance",
    "divider_response",
    "names_impedance",
    "parse_impedance",
    "read_impedance",
]

Floats = NDArray[np.float64]
Complex = NDArray[np.complex128]

EXPORT = "export a row per frequency, with frequency in Hz, impedance in ohm and, if measured, its phase in degrees"
TOO_FEW = "too few rows for an impedance curve"
LARGEST_OHM = 1e7
REBUILT_TO_HZ = 10_000.0
"""A divider with rebuilt phase is good to 0.1 or 0.2 dB up to here (computed for voice-coil models)."""
_STEEPEST = 1.0
"""Exponent of the frequency at most, where |Z| goes on above the measured range: an inductance."""
_TRANSFORM = 1 << 19
_OHMS = re.compile(r"imp[e\u00e9]d|ohms?\b|[\u03c9\u2126]|^\|z\||^z(?![a-z])")
_PHASES = re.compile(r"phase|deg|\u00b0|^arg|angle|^phi(?![a-z])|^[\u03c6\u03d5]")
"""phi may be written as a letter, and degrees as a sign."""
_DECIBELS = re.compile(r"(?<![^\W\d_])db")
_LAST_OCTAVES = 1 / 3


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Impedance:
    """A measured impedance: frequency (bins,) Hz ascending, magnitude (bins,) ohm, phase (bins,) rad or None."""

    frequency: Floats
    magnitude: Floats
    phase: Floats | None = None
    remarks: tuple[str, ...] = ()
    sources: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        for name in ("frequency", "magnitude", "phase"):
            value = getattr(self, name)
            if value is not None:
                view = np.asarray(value, dtype=np.float64).view()
                view.flags.writeable = False
                object.__setattr__(self, name, view)
                if view.shape != self.frequency.shape or view.ndim != 1:
                    raise ValueError(f"{name} must be (bins,), got {view.shape}")
        if not np.all(np.diff(self.frequency) > 0) or not np.all(self.frequency > 0):
            raise ValueError("frequency must be positive and strictly ascending")
        if not np.all(np.isfinite(self.magnitude)) or not np.all(self.magnitude > 0):
            raise ValueError("an impedance must be above 0 ohm at every frequency")

    @property
    def complex_ohm(self) -> Complex:
        """Z (bins,) in ohm; its phase rebuilt from |Z| where it wasn't measured."""
        phase = self.phase if self.phase is not None else _rebuilt_phase(self.frequency, self.magnitude)
        ohm: Complex = self.magnitude * np.exp(1j * phase)
        return ohm

    def at(self, hertz: float) -> float:
        """Return |Z| in ohm at a frequency in Hz; ends held."""
        return float(10 ** (level_at(self.frequency, 20 * np.log10(self.magnitude), [hertz])[0] / 20))


def names_impedance(header: Sequence[str]) -> tuple[str, ...]:
    """Return the names in a header that are those of an impedance."""
    return tuple(cell for cell in header if _OHMS.search(cell.casefold().strip()))


def read_impedance(path: str | Path) -> Impedance:
    """Return the impedance in a text file: columns named frequency, impedance (ohm, kohm or dB) and perhaps phase.

    Decibels are taken re 1 ohm, or re 1 kohm where the header says so. Points that repeat are averaged in dB, and a row
    at 0 Hz, which a linear grid begins with, is left out; the remarks say so.

    Raises
    ------
    BlindtestError
        With file and line: unreadable, an impedance of zero or below, frequencies out of order.
    """
    path = Path(path)
    try:
        read = parse_impedance(read_bytes(path))
    except BlindtestError as error:
        raise BlindtestError(*(fault.in_file(str(path)) for fault in error.faults)) from None
    return Impedance(
        frequency=read.frequency, magnitude=read.magnitude, phase=read.phase, remarks=read.remarks, sources=(str(path),)
    )


def parse_impedance(data: bytes) -> Impedance:
    """Return the impedance in the bytes of a text file; see `read_impedance`. Faults name lines, not the file."""
    text = named_table(data, EXPORT)
    frequency, hertz = text.frequency_column()
    magnitude, phase, remarks = _columns(text, frequency)
    used = [frequency, magnitude, *([] if phase is None else [phase])]
    rows, more = text.numbers(used, hertz)
    lines = [line for line, _ in rows]
    table = np.array([row for _, row in rows])
    if np.isnan(table).any():
        raise refused("a number is missing", line=lines[int(np.argmax(np.isnan(table).any(axis=1)))], remedy=EXPORT)
    if not lines:
        raise refused(TOO_FEW, line=text.line, got=0, allowed="3 or more", remedy=EXPORT)
    name = text.header[magnitude].casefold()
    ohm = table[:, 1] * 1.0
    if _DECIBELS.search(name):
        ohm = 10 ** (ohm / 20)
        remarks.append("the impedance is in dB: taken re 1 ohm, unless its name says kohm")
    if "kohm" in name or "kω" in name:
        ohm *= 1000.0
    wrong = ~((ohm > 0) & (ohm < LARGEST_OHM))
    if wrong.any():
        at = int(np.argmax(wrong))
        problem = "an impedance of zero" if ohm[at] == 0 else "no possible impedance"
        allowed = f"above 0 and below {LARGEST_OHM:g} ohm"
        raise refused(problem, line=lines[at], got=float(ohm[at]), allowed=allowed, remedy="measure it again")
    hz = table[:, 0]
    if hz[0] > hz[-1]:
        hz, ohm, table, lines = hz[::-1], ohm[::-1], table[::-1], lines[::-1]
        remarks.append("descending frequencies turned round")
    steps = np.diff(hz)
    if np.any(steps < 0):
        at = int(np.argmax(steps < 0)) + 1
        raise refused("frequencies out of order", line=lines[at], got=float(hz[at]), remedy=EXPORT)
    angle = None
    if phase is not None:
        angle = table[:, 2] if in_radians(text.header[phase]) else np.deg2rad(table[:, 2])
        if np.any(np.abs(angle) > np.pi / 2 + 1e-6):
            # The real part of a passive impedance is never negative.
            at = int(np.argmax(np.abs(angle) > np.pi / 2 + 1e-6))
            got, allowed = float(table[at, 2]), "-90 to 90 degrees"
            raise refused("no phase of a passive impedance", line=lines[at], got=got, allowed=allowed, remedy=EXPORT)
    turns = np.zeros((len(hz), 0)) if angle is None else angle[:, None]
    hz, levels, turns, repeated = merged_points(hz, 20 * np.log10(ohm)[:, None], turns, np.array(lines))
    if repeated:
        ohm, angle = 10 ** (levels[:, 0] / 20), None if angle is None else turns[:, 0]
    remarks += repeated
    if len(hz) < 3:
        raise refused(TOO_FEW, line=lines[-1], got=len(hz), allowed="3 or more")
    return Impedance(frequency=hz, magnitude=ohm, phase=angle, remarks=(*text.remarks, *more, *remarks))


def divider_response(
    impedance: "Impedance | Response | DataFrame | tuple[ArrayLike, ArrayLike]", source_ohm: float
) -> Response:
    """Return the response of the voltage divider that a source of `source_ohm` makes with a load: Z / (Z + Rs).

    Parameters
    ----------
    impedance : Impedance; or a Response in dB re 1 ohm; or a DataFrame with frequency_hz, impedance_ohm and perhaps
        phase_deg; or a pair of frequency (bins,) in Hz and Z (bins,) in ohm: complex, or |Z|
    source_ohm : float, ohm, 0 or more

    Returns
    -------
    Response over the impedance's frequencies, 0 dB being the source's own voltage, with its phase. A remark says
    where the phase of the impedance was rebuilt.

    Raises
    ------
    ValueError
        A negative source impedance, an impedance of zero.
    """
    if not (np.isfinite(source_ohm) and source_ohm >= 0):
        raise ValueError(f"a source impedance is 0 ohm or more, got {source_ohm}")
    load = _impedance_of(impedance)
    ohm = load.complex_ohm
    divided = ohm / (ohm + source_ohm)
    remarks = load.remarks
    if load.phase is None and source_ohm > 0:
        remarks = (
            *remarks,
            "only the magnitude of the impedance is known: its phase was rebuilt as minimum phase, good to 0.2 dB up "
            f"to {REBUILT_TO_HZ:.0f} Hz",
        )
    return Response(
        frequency=load.frequency,
        magnitude=20 * np.log10(np.abs(divided))[:, None],
        phase=np.angle(divided)[:, None],
        remarks=remarks,
        sources=load.sources,
    )


def _impedance_of(given: "Impedance | Response | DataFrame | tuple[ArrayLike, ArrayLike]") -> Impedance:
    if isinstance(given, Impedance):
        return given
    if isinstance(given, Response):
        mean = channel_mean(given)
        return Impedance(
            frequency=mean.frequency,
            magnitude=10 ** (mean.magnitude[:, 0] / 20),
            phase=None if mean.phase is None else mean.phase[:, 0],
            sources=mean.sources,
        )
    if isinstance(given, tuple):
        frequency, ohm = np.asarray(given[0], dtype=np.float64), np.asarray(given[1])
        known = np.iscomplexobj(ohm)
        return Impedance(frequency=frequency, magnitude=np.abs(ohm), phase=np.angle(ohm) if known else None)
    known = "phase_deg" in given.columns
    return Impedance(
        frequency=given["frequency_hz"].to_numpy(dtype=np.float64),
        magnitude=given["impedance_ohm"].to_numpy(dtype=np.float64),
        phase=np.deg2rad(given["phase_deg"].to_numpy(dtype=np.float64)) if known else None,
    )


def _columns(text: NamedTable, frequency: int) -> tuple[int, int | None, list[str]]:
    lowered = [cell.casefold().strip() for cell in text.header]
    others = [k for k in range(len(lowered)) if k != frequency]
    phases = [k for k in others if _PHASES.search(lowered[k])]
    sizes = [
        k
        for k in others
        if k not in phases and ("ohm" in lowered[k] or "ω" in lowered[k] or re.search("imp[eé]d", lowered[k]))
    ]
    sizes = sizes or [k for k in others if k not in phases and lowered[k].startswith(("|z|", "z"))]
    if len(sizes) != 1 or len(phases) > 1:
        raise refused(
            "which column is the impedance can't be told",
            line=text.line,
            got=", ".join(text.header),
            allowed="one column such as Impedance (ohm), and at most one Phase (deg)",
            remedy=EXPORT,
        )
    used = {frequency, *sizes, *phases}
    left = [text.header[k] for k in others if k not in used]
    return sizes[0], phases[0] if phases else None, [f"columns left out: {', '.join(left)}"] if left else []


def _rebuilt_phase(frequency: Floats, magnitude: Floats) -> Floats:
    """Return the minimum phase (bins,) in rad that goes with |Z|.

    Below the measured range |Z| is held; above it goes on with its last slope, from that of a resistance to that of
    an inductance.
    """
    top = 8 * float(frequency[-1])
    hertz = np.arange(_TRANSFORM // 2 + 1) * (2 * top / _TRANSFORM)
    decibels = 20 * np.log10(magnitude)
    levels = level_at(frequency, decibels, np.maximum(hertz, frequency[0]))
    end = float(frequency[-1])
    start = end * 2**-_LAST_OCTAVES
    rise = float(decibels[-1] - level_at(frequency, decibels, [start])[0])
    slope = float(np.clip(rise / (20 * np.log10(end / start)), 0.0, _STEEPEST))
    above = hertz > end
    levels[above] = decibels[-1] + 20 * slope * np.log10(hertz[above] / end)
    spectrum = np.fft.rfft(minimum_phase_impulse(levels))
    phase: Floats = np.interp(frequency, hertz, np.unwrap(np.angle(spectrum)))
    return phase
