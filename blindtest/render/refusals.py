"""What rendering refuses: silence, a loudness past the ceiling, a loudness under the gate."""

import math
from collections.abc import Iterable
from pathlib import Path

from blindtest.errors import BlindtestError, Fault

from .drafts import Draft
from .programme import ClipSource

__all__ = ["ceiling_fault", "gate_fault", "refuse_silence", "tenths_below"]


def refuse_silence(clip: ClipSource, drafts: Iterable[Draft]) -> None:
    """Refuse a clip that a condition leaves silent: there is no loudness to match."""
    faults = [
        Fault(
            key=f"clip.{clip.id}",
            file=str(clip.path),
            problem=f"silent in condition {draft.condition!r}: there is no loudness to match",
            remedy="choose another part of the clip, or another file",
        )
        for draft in drafts
        if not math.isfinite(draft.reference)
    ]
    if faults:
        raise BlindtestError.of(faults)


def ceiling_fault(
    clip: ClipSource, condition: str, asked: float, reachable: float, ceiling_dbtp: float, *, fixed: Path
) -> Fault:
    """Return what is wrong where a condition can't reach the loudness asked for (LUFS) under the ceiling.

    fixed : the file that says how loud the clip is, where the study doesn't
    """
    given = clip.loudness_lufs is not None
    at_most = tenths_below(reachable)
    return Fault(
        file="" if given else str(fixed),
        key=f"clip.{clip.id}.loudness_lufs" if given else f"loudness_lufs.{clip.id}",
        problem=f"on clip {clip.id!r} condition {condition!r} would pass {ceiling_dbtp:g} dBTP",
        got=asked,
        allowed=f"up to {at_most:.1f} LUFS, which all conditions of this clip reach",
        remedy=f"set loudness_lufs = {at_most:.1f} for this clip; its stimuli then are a new version of the study",
    )


def gate_fault(clip: str, condition: str, asked: float) -> Fault:
    """Return what is wrong where a condition is too soft for its loudness to be measured."""
    return Fault(
        key=f"clip.{clip}.loudness_lufs",
        problem=f"on clip {clip!r} condition {condition!r} falls under the gate of -70 LUFS",
        got=asked,
        allowed="a loudness well above -70 LUFS",
        remedy="ask for more loudness",
    )


def tenths_below(level: float) -> float:
    """Return a level rounded down to a tenth."""
    return math.floor(level * 10.0) / 10.0
