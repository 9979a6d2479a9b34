"""What can be said of a file by itself: loudness of audio, a summary of a response."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from math import isfinite
from pathlib import Path
from typing import Any

from blindtest.errors import BlindtestError, Fault
from blindtest.steps.unit.dicts import SPOTS_HZ

__all__ = ["AudioMeasured", "Measured", "ResponseMeasured", "measure"]

AUDIO = (".wav", ".flac", ".ogg", ".oga", ".mp3", ".aiff", ".aif", ".opus", ".w64", ".rf64", ".caf")
SHORTEST_RANGE_S = 60.0
"""EBU Tech 3342: the loudness range is not meant for programmes under a minute."""

Progress = Callable[[int, int, str], None]


@dataclass(frozen=True, slots=True, kw_only=True)
class AudioMeasured:
    """Level of an audio file: LUFS, LU, dBTP; None where there is no value."""

    file: str
    rate_hz: int
    channels: int
    places: tuple[str, ...] | None
    """Where the channels belong by what the file says; None where it leaves that open."""
    duration_s: float
    integrated_lufs: float | None
    momentary_max_lufs: float | None
    short_term_max_lufs: float | None
    loudness_range_lu: float | None
    true_peak_dbtp: float | None

    def to_dict(self) -> dict[str, Any]:
        """Return what JSON can hold."""
        return {name: getattr(self, name) for name in self.__dataclass_fields__}

    def text(self) -> str:
        """Return it in words."""
        parts = [
            f"{self.file}: {self.duration_s:.2f} s, {self.rate_hz} Hz, {self.channels} channel"
            + ("s" if self.channels > 1 else "")
            + (f" ({', '.join(self.places)})" if self.places and self.places != ("L", "R") else ""),
            f"  integrated {_value(self.integrated_lufs, 'LUFS')}, loudest 400 ms "
            f"{_value(self.momentary_max_lufs, 'LUFS')}, loudest 3 s {_value(self.short_term_max_lufs, 'LUFS')}",
            f"  loudness range {_value(self.loudness_range_lu, 'LU')}, true peak {_value(self.true_peak_dbtp, 'dBTP')}",
        ]
        if self.duration_s < SHORTEST_RANGE_S:
            parts.append("  (the loudness range is meant for programmes of a minute and more, EBU Tech 3342)")
        return "\n".join(parts)


@dataclass(frozen=True, slots=True, kw_only=True)
class ResponseMeasured:
    """Summary of a response file."""

    file: str
    points: int
    lowest_hz: float
    highest_hz: float
    channels: tuple[str, ...]
    has_phase: bool
    levels: tuple[tuple[float, tuple[float, ...]], ...]
    """(frequency, level per channel in dB) at round frequencies within the measured range."""
    imbalance_db: float | None
    """Greatest difference between left and right from 100 Hz to 8 kHz; None with one channel."""
    remarks: tuple[str, ...]

    def to_dict(self) -> dict[str, Any]:
        """Return what JSON can hold."""
        return {name: getattr(self, name) for name in self.__dataclass_fields__}

    def text(self) -> str:
        """Return it in words."""
        lines = [
            f"{self.file}: {self.points} points, {self.lowest_hz:g} Hz to {self.highest_hz:g} Hz, "
            f"{' and '.join(self.channels)}{', with phase' if self.has_phase else ''}"
        ]
        lines += [f"  {hz:7g} Hz  " + "  ".join(f"{level:8.2f} dB" for level in levels) for hz, levels in self.levels]
        if self.imbalance_db is not None:
            lines.append(f"  left and right differ by up to {self.imbalance_db:.2f} dB between 100 Hz and 8 kHz")
        lines += [f"  {remark}" for remark in self.remarks]
        return "\n".join(lines)


@dataclass(frozen=True, slots=True, kw_only=True)
class Measured:
    """What `blindtest measure` prints."""

    files: tuple[AudioMeasured | ResponseMeasured, ...]

    def to_dict(self) -> dict[str, Any]:
        """Return what JSON can hold."""
        return {
            "audio": [each.to_dict() for each in self.files if isinstance(each, AudioMeasured)],
            "responses": [each.to_dict() for each in self.files if isinstance(each, ResponseMeasured)],
        }

    def text(self) -> str:
        """Return it in words."""
        return "\n".join(each.text() for each in self.files)


def measure(paths: Sequence[Path], *, progress: Progress = lambda done, total, what: None) -> Measured:
    """Return what can be said of audio and response files.

    Raises
    ------
    BlindtestError
        All files that can't be read, each with its reason.
    """
    found: list[AudioMeasured | ResponseMeasured] = []
    faults: list[Fault] = []
    for done, path in enumerate(paths):
        progress(done, len(paths), path.name)
        try:
            found.append(_audio(path) if path.suffix.lower() in AUDIO else _response(path))
        except BlindtestError as error:
            faults += error.faults
    if faults:
        raise BlindtestError.of(faults)
    progress(len(paths), len(paths), "")
    return Measured(files=tuple(found))


def _audio(path: Path) -> AudioMeasured:
    from blindtest.audio import (
        WEIGHTED_CHANNELS,
        channel_places,
        integrated_loudness,
        loudest_momentary,
        loudest_short_term,
        loudness_range,
        place_weights,
        read_clip,
        true_peak,
    )

    clip = read_clip(path)
    frames, rate = clip.frames, clip.rate
    places = channel_places(path, clip.channels)
    if places is None and clip.channels not in WEIGHTED_CHANNELS:
        raise BlindtestError(
            Fault(
                file=str(path),
                problem="no loudness is defined for this number of channels without their places",
                got=clip.channels,
                allowed="1, 2, 3 (L R C), 5 (L R C Ls Rs) or 6 (L R C LFE Ls Rs)",
                remedy="mix it down, or export the channels in that order, or with a mask that names their places",
            )
        )
    weights = None if places is None else place_weights(places)
    return AudioMeasured(
        file=str(path),
        rate_hz=rate,
        channels=clip.channels,
        places=places,
        duration_s=clip.duration,
        integrated_lufs=_finite(integrated_loudness(frames, rate, weights=weights)),
        momentary_max_lufs=_finite(loudest_momentary(frames, rate, weights=weights)),
        short_term_max_lufs=_finite(loudest_short_term(frames, rate, weights=weights)),
        loudness_range_lu=_finite(loudness_range(frames, rate, weights=weights)) if clip.duration >= 3 else None,
        true_peak_dbtp=_finite(true_peak(frames, rate)),
    )


def _response(path: Path) -> ResponseMeasured:
    import numpy as np

    from blindtest.device import interpolated, read_response

    response = read_response(path)
    low, high = float(response.frequency[0]), float(response.frequency[-1])
    spots = tuple(hz for hz in SPOTS_HZ if low <= hz <= high)
    levels = interpolated(response, np.array(spots)) if spots else np.empty((0, len(response.channels)))
    imbalance = None
    if len(response.channels) == 2:
        inside = (response.frequency >= 100) & (response.frequency <= 8000)
        if inside.any():
            imbalance = float(np.max(np.abs(np.diff(response.magnitude[inside], axis=1))))
    return ResponseMeasured(
        file=str(path),
        points=len(response.frequency),
        lowest_hz=low,
        highest_hz=high,
        channels=response.channels,
        has_phase=response.phase is not None,
        levels=tuple((hz, tuple(float(level) for level in row)) for hz, row in zip(spots, levels, strict=True)),
        imbalance_db=imbalance,
        remarks=response.remarks,
    )


def _finite(value: float) -> float | None:
    return float(value) if isfinite(value) else None


def _value(value: float | None, unit: str) -> str:
    return f"{value:.2f} {unit}" if value is not None else f"no value in {unit}"
