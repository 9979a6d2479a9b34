"""From programme to stimulus: a draft at its own level, then the samples at the loudness its clip is played at.

Heard means: the file through the playback unit, less the rig's field curve. A draft is measured once, so that the
loudness of a clip can be chosen; a stimulus is measured again on the very samples that are written, and the gain is
corrected until they are as loud as they shall be.
"""

import hashlib
import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from blindtest.audio import (
    a_weighted_level,
    apply_firs,
    from_db,
    integrated_loudness,
    noise_length,
    quantised,
    rms_level,
    samples_to_frames,
    true_peak,
)

from .programme import CLIP, Programme

__all__ = ["Draft", "Filters", "Finished", "Measure", "Unsettled", "dither_noise", "drafts", "finished"]

TOLERANCE_LU = 0.002
"""Of each written file's loudness; any two then agree within 0.004 LU, where 0.01 is asked for."""
ROUNDS = 6
GROUP_BYTES = 256 << 20
"""Of the results of one call of the filters; more conditions than fit are taken in groups."""
ONE_KHZ_BAND = (1000.0 * 2 ** (-1 / 6), 1000.0 * 2 ** (1 / 6))
"""Third octave around 1 kHz, by which a recording's level there is read against the clip's."""

Measure = str
"""'heard', 'file' or '1khz'."""


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Filters:
    """What a clip's stimuli are made with, at the clip's rate."""

    programme: Mapping[str, Path]
    """Condition to the programme it is made from: `CLIP` or a recording."""
    firs: Mapping[str, NDArray[np.float64] | None]
    """Condition to its filter (taps,); None is the unit impulse."""
    heard: NDArray[np.float64] | None
    """The way from the file to what is heard (taps,); None: what is heard is the file."""
    level_at_1khz: Mapping[str, float]
    """Condition to its curve's level at 1 kHz in dB."""


@dataclass(slots=True, eq=False, kw_only=True)
class Draft:
    """A condition of a clip before its gain."""

    condition: str
    rate: int
    shift: int
    frames: NDArray[np.float64] | None
    """(n, 2); None where it was dropped to save memory."""
    reference: float
    """What is matched, LUFS: -inf for silence."""
    heard: float
    """Loudness as heard, LUFS."""
    true_peak: float
    """dBTP."""


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Finished:
    """A stimulus as it will be written: samples (n, 2) of 24 bits, and its levels before and after the gain."""

    samples: NDArray[np.int32]
    gain_db: float
    facts: dict[str, float]
    """The numbers of a match table's row, by its names."""


class Unsettled(ArithmeticError):
    """No gain gives the loudness asked for: the absolute gate lets less and less of the clip through."""


def drafts(
    programmes: Mapping[Path, Programme], filters: Filters, conditions: Sequence[str], match: Measure
) -> Iterator[Draft]:
    """Yield the draft of each condition, filtered and measured; one forward transform a group and programme."""
    clip_loudness = _clip_loudness(programmes[CLIP], filters) if match == "1khz" else math.nan
    by_programme: dict[tuple[Path, int], list[str]] = {}
    for condition in conditions:
        fir = filters.firs[condition]
        by_programme.setdefault((filters.programme[condition], 0 if fir is None else len(fir)), []).append(condition)
    for (path, _), members in by_programme.items():
        programme = programmes[path]
        size = max(1, GROUP_BYTES // (programme.frames.nbytes * 2))
        for first in range(0, len(members), size):
            group = members[first : first + size]
            for condition, (frames, heard) in zip(group, _filtered(programme, filters, group), strict=True):
                heard_loudness = loudness(frames if heard is None else heard, programme.rate)
                reference = heard_loudness
                if match == "file":
                    reference = loudness(frames, programme.rate)
                elif match == "1khz":
                    reference = clip_loudness + filters.level_at_1khz[condition]
                    if path != CLIP:
                        reference += _band_level(programme) - _band_level(programmes[CLIP])
                yield Draft(
                    condition=condition,
                    rate=programme.rate,
                    shift=programme.shift,
                    frames=frames,
                    reference=reference,
                    heard=heard_loudness,
                    true_peak=true_peak(frames, programme.rate),
                )


def _filtered(
    programme: Programme, filters: Filters, conditions: Sequence[str]
) -> list[tuple[NDArray[np.float64], NDArray[np.float64] | None]]:
    """Return each condition's frames, and what is heard of them where that is something else."""
    firs: list[NDArray[np.float64]] = []
    for condition in conditions:
        fir = filters.firs[condition]
        if fir is not None:
            firs.append(fir)
        if filters.heard is not None:
            firs.append(filters.heard if fir is None else _chained(fir, filters.heard))
    results = iter(apply_firs(programme.frames, firs, before=programme.before))
    # A convolution with the unit impulse is the samples themselves, and these are exact.
    return [
        (
            programme.frames if filters.firs[condition] is None else next(results),
            None if filters.heard is None else next(results),
        )
        for condition in conditions
    ]


def _chained(first: NDArray[np.float64], second: NDArray[np.float64]) -> NDArray[np.float64]:
    length = len(first) + len(second)
    whole = np.fft.irfft(np.fft.rfft(first, length) * np.fft.rfft(second, length), length)
    return whole[: max(len(first), len(second))]


def loudness(frames: NDArray[np.float64], rate: int) -> float:
    """Return the integrated loudness in LUFS, also of what is recorded so low that the absolute gate shuts it out."""
    level = integrated_loudness(frames, rate)
    if level > -math.inf:
        return level
    peak = float(np.abs(frames).max(initial=0.0))
    return -math.inf if peak == 0.0 else integrated_loudness(frames / peak, rate) + 20.0 * math.log10(peak)


def _clip_loudness(programme: Programme, filters: Filters) -> float:
    if filters.heard is None:
        return loudness(programme.frames, programme.rate)
    return loudness(apply_firs(programme.frames, [filters.heard], before=programme.before)[0], programme.rate)


def _band_level(programme: Programme) -> float:
    frequency = np.fft.rfftfreq(len(programme.frames), 1.0 / programme.rate)
    inside = (frequency >= ONE_KHZ_BAND[0]) & (frequency < ONE_KHZ_BAND[1])
    power = sum(
        float(np.sum(np.square(np.abs(np.fft.rfft(programme.frames[:, channel])[inside]))))
        for channel in range(programme.frames.shape[1])
    )
    return 10.0 * math.log10(power) if power > 0.0 else -math.inf


def dither_noise(key: str, frames: int, channels: int) -> bytes:
    """Return the uniform bytes that the dither of `frames` x `channels` samples is made of: SHAKE-256 of `key`."""
    return hashlib.shake_256(f"blindtest dither\0{key}".encode()).digest(noise_length(frames, channels))


def finished(
    draft: Draft, *, noise: bytes, target: float, match: Measure, heard_fir: NDArray[np.float64] | None
) -> Finished:
    """Return the samples of `draft` at `target` LUFS, dithered by `noise` (as many bytes as `dither_noise` gives).

    The loudness is read from the samples as they will stand in the file, and the gain corrected until it is within
    0.002 LU of the target: the gates of BS.1770 make loudness slightly non-additive, and what is heard of a file
    begins out of silence.

    Raises
    ------
    Unsettled
        So near the absolute gate of -70 LUFS that no gain gives the loudness.
    ValueError
        A sample would pass full scale: the caller has to look at the true peak first.
    """
    assert draft.frames is not None
    scaled = np.empty(draft.frames.shape)  # frame by frame in memory, as they go into the file
    gain = target - draft.reference
    for _ in range(ROUNDS):
        np.multiply(draft.frames, float(from_db(gain)), out=scaled)
        samples = quantised(scaled, noise)
        written = samples_to_frames(samples)
        heard = written if heard_fir is None else apply_firs(written, [heard_fir])[0]
        if match == "1khz":
            break
        heard_after = integrated_loudness(heard if match == "heard" else written, draft.rate)
        if abs(target - heard_after) <= TOLERANCE_LU:
            break
        if not math.isfinite(heard_after):
            raise Unsettled(heard_after)
        gain += target - heard_after
    else:
        raise Unsettled(heard_after)
    heard_after = integrated_loudness(heard, draft.rate) if match != "heard" else heard_after
    file_after = heard_after if heard_fir is None else integrated_loudness(written, draft.rate)
    if not math.isfinite(heard_after) or not math.isfinite(file_after):
        raise Unsettled(min(heard_after, file_after))
    a_weighted, rms = a_weighted_level(heard, draft.rate), rms_level(heard)
    facts = {
        "heard_before": draft.heard,
        "heard_after": heard_after,
        # What a gain adds was missing before: exactly for levels, and for loudness unless a block lies at the gate.
        "file_before": file_after - gain,
        "file_after": file_after,
        "a_weighted_before": a_weighted - gain,
        "a_weighted_after": a_weighted,
        "rms_before": rms - gain,
        "rms_after": rms,
        "gain_db": gain,
        # Rounding and dither, at most 1.5 steps of 2^-23, move it by less than 0.0001 dB at any level in use.
        "true_peak_after": draft.true_peak + gain,
    }
    return Finished(samples=samples, gain_db=gain, facts=facts)
