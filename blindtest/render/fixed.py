"""What the first rendering fixed, so that a device added later moves no old stimulus: `stimuli/fixed.toml`.

It holds the heard loudness of each clip, the length of filters at each rate, and the common curve outside the trusted
band for each playback it was made for. It only ever grows: a value once written stays.
"""

import json
import math
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from pathlib import Path

import numpy as np

from blindtest.errors import BlindtestError, Fault

from .curves import CommonCurve

__all__ = ["FIXED_NAME", "Fixed", "Outside", "fixed_text", "read_fixed"]

FIXED_NAME = "fixed.toml"
FORMAT = 1
_LARGEST = 1 << 20
_REMEDY = (
    "restore the file; or, for a new version of the study, move it away: "
    "then everything is fixed anew and all stimuli are made again"
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Outside:
    """The common curve as stored: level_db (bins,) over frequency_hz (bins,)."""

    frequency_hz: tuple[float, ...]
    level_db: tuple[float, ...]
    untouched: bool

    @classmethod
    def of(cls, curve: CommonCurve) -> "Outside":
        """Return `curve` as plain numbers."""
        return cls(
            frequency_hz=tuple(map(float, curve.frequency)),
            level_db=tuple(map(float, curve.level_db)),
            untouched=curve.untouched,
        )

    def curve(self) -> CommonCurve:
        """Return the curve as arrays."""
        return CommonCurve(
            frequency=np.array(self.frequency_hz), level_db=np.array(self.level_db), untouched=self.untouched
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Fixed:
    """What was fixed so far."""

    common_loudness_lufs: float | None = None
    """Chosen once for all clips that reach it."""
    loudness_lufs: Mapping[str, float] = field(default_factory=dict)
    """Heard loudness by clip, of those chosen here; a loudness in the study file goes before it."""
    taps: Mapping[int, int] = field(default_factory=dict)
    """Filter length by rate in Hz."""
    outside: Mapping[str, Outside] = field(default_factory=dict)
    """Common curve by the hash of the playback and the band that it was made for."""

    def to_dict(self) -> dict[str, object]:
        """Return what JSON can hold."""
        return {
            "common_loudness_lufs": self.common_loudness_lufs,
            "loudness_lufs": dict(self.loudness_lufs),
            "taps": {str(rate): taps for rate, taps in self.taps.items()},
            "outside": [
                {
                    "playback": playback,
                    "untouched": one.untouched,
                    "frequency_hz": list(one.frequency_hz),
                    "level_db": list(one.level_db),
                }
                for playback, one in sorted(self.outside.items())
            ],
        }


def read_fixed(folder: Path) -> Fixed:
    """Return what `folder` has fixed; nothing if there is no such file.

    Raises
    ------
    BlindtestError
        The file can't be read as what `fixed_text` writes.
    """
    path = folder / FIXED_NAME
    try:
        data = path.read_bytes()
    except FileNotFoundError:
        return Fixed()
    except OSError as reason:
        raise _refused(path, f"can't be read ({reason.strerror})") from reason
    try:
        if len(data) > _LARGEST:
            raise ValueError(f"{len(data)} bytes are more than any that was written here")
        return _from_table(tomllib.loads(data.decode("utf-8")))
    except (ValueError, TypeError, KeyError, RecursionError) as reason:
        raise _refused(path, f"not what a rendering wrote ({reason})") from reason


def _refused(path: Path, problem: str) -> BlindtestError:
    return BlindtestError(Fault(file=str(path), problem=problem, remedy=_REMEDY))


def _from_table(table: Mapping[str, object]) -> Fixed:
    if table.get("format") != FORMAT:
        raise ValueError(f"format {table.get('format')!r}, this version reads {FORMAT}")
    common = table.get("common_loudness_lufs")
    outside = {}
    for entry in _list(table.get("outside", [])):
        one = _table(entry)
        frequency = tuple(_number(value) for value in _list(one["frequency_hz"]))
        level = tuple(_number(value) for value in _list(one["level_db"]))
        if len(frequency) != len(level) or len(frequency) < 2 or not _ascending(frequency):
            raise ValueError("the common curve needs as many levels as ascending frequencies")
        outside[str(one["playback"])] = Outside(
            frequency_hz=frequency, level_db=level, untouched=bool(one["untouched"])
        )
    return Fixed(
        common_loudness_lufs=None if common is None else _number(common),
        loudness_lufs={clip: _number(value) for clip, value in _table(table.get("loudness_lufs", {})).items()},
        taps={int(rate): _taps(value) for rate, value in _table(table.get("taps", {})).items()},
        outside=outside,
    )


def _table(value: object) -> Mapping[str, object]:
    if not isinstance(value, Mapping):
        raise TypeError(f"a table was expected, got {value!r}")
    return value


def _list(value: object) -> Sequence[object]:
    if not isinstance(value, list):
        raise TypeError(f"a list was expected, got {value!r}")
    return value


def _number(value: object) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        raise TypeError(f"a finite number was expected, got {value!r}")
    return float(value)


def _taps(value: object) -> int:
    if isinstance(value, bool) or not isinstance(value, int) or not 1 <= value <= 1 << 24:
        raise TypeError(f"a filter length was expected, got {value!r}")
    return value


def _ascending(values: Sequence[float]) -> bool:
    return values[0] > 0 and all(low < high for low, high in pairwise(values))


def fixed_text(fixed: Fixed) -> str:
    """Return `fixed` as the text of a TOML file; the same text for the same values."""
    lines = [
        "# What the first rendering fixed. A device added later is rendered by the same numbers, so that no",
        "# stimulus made before changes. Keep this file; without it the next rendering fixes everything anew.",
        f"format = {FORMAT}",
    ]
    if fixed.common_loudness_lufs is not None:
        lines.append(f"common_loudness_lufs = {fixed.common_loudness_lufs!r}")
    lines += ["", "[loudness_lufs]  # as heard, by clip"]
    lines += [f"{_quoted(clip)} = {value!r}" for clip, value in sorted(fixed.loudness_lufs.items())]
    lines += ["", "[taps]  # filter length, by rate in Hz"]
    lines += [f"{rate} = {taps}" for rate, taps in sorted(fixed.taps.items())]
    for playback, one in sorted(fixed.outside.items()):
        lines += [
            "",
            "[[outside]]  # the curve that all conditions share outside the trusted band",
            f"playback = {_quoted(playback)}  # hash of the playback and band it was made for",
            f"untouched = {str(one.untouched).lower()}",
            f"frequency_hz = [{', '.join(map(repr, one.frequency_hz))}]",
            f"level_db = [{', '.join(map(repr, one.level_db))}]",
        ]
    return "\n".join(lines) + "\n"


def _quoted(text: str) -> str:
    # A JSON string is a TOML string as long as it doesn't spell characters in halves.
    return json.dumps(text, ensure_ascii=False)
