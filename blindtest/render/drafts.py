"""From programme to stimulus: a draft at its own level, then the samples at the loudness its clip is played at.

Heard means: the file through the playback unit, less the rig's field curve. A draft is measured once, so that the
loudness of a clip can be chosen; a stimulus is measured again on the very samples that are written, and the gain is
corrected until they are as loud as they shall be.
"""

import hashlib
import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from blindtest.audio import (
    KeptSpectra,
    Levels,
    Meter,
    apply_and_sum,
    from_db,
    gated_loudness,
    hop_edges,
    integrated_loudness,
    noise_length,
    quantised,
    triangular_dither,
    true_peak,
)

from .distortion import DistortionStage, distorted
from .phase_stage import read_ahead
from .programme import CLIP, Programme

__all__ = [
    "Draft", "Filters", "Finished", "Measure", "Unsettled", "dither", "dither_seed", "drafts", "energies_loudness",
    "finished", "settled",
]  # fmt: skip

TOLERANCE_LU = 0.002
"""Of each written file's loudness; any two then agree within 0.004 LU, where 0.01 is asked for."""
ROUNDS = 6
GROUP_BYTES = 256 << 20
"""Of the results of one call of the filters; more conditions than fit are taken in groups."""
FULL_SCALE = 2.0**23
"""Of the whole numbers in a file of 24 bits."""
ONE_KHZ_BAND = (1000.0 * 2 ** (-1 / 6), 1000.0 * 2 ** (1 / 6))
"""Third octave around 1 kHz, by which a recording's level there is read against the clip's."""

Measure = str
"""'heard', 'file' or '1khz'."""


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Filters:
    """What a clip's stimuli are made with, at the clip's rate."""

    programme: Mapping[str, Path]
    """Condition to the programme it is made from: `CLIP` or a recording."""
    distortion: Mapping[str, DistortionStage]
    """Condition to the stage that adds harmonics ahead of its filter, where it has one."""
    ahead: Mapping[str, int]
    """Condition to the frames that its filter reads ahead, where it isn't minimum phase."""
    firs: Mapping[str, NDArray[np.float64] | None]
    """Condition to its filter (taps,); None is the unit impulse."""
    weighted: Mapping[str, NDArray[np.float64] | None]
    """Condition to its filter, the way from the file to what is heard, and the K-weighting in one; None as above."""
    meter: Meter
    """Measures a file as it is heard."""
    level_at_1khz: Mapping[str, float]
    """Condition to its curve's level at 1 kHz in dB; empty unless that is what is matched."""
    kept: KeptSpectra
    """What these filters come to, from one clip to the next."""


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
    by_programme: dict[tuple[Path, DistortionStage | None, int, int], list[str]] = {}
    for condition in conditions:
        fir = filters.firs[condition]
        length, ahead = 0 if fir is None else len(fir), filters.ahead.get(condition, 0)
        place = (filters.programme[condition], filters.distortion.get(condition), ahead, length)
        by_programme.setdefault(place, []).append(condition)
    for (path, distortion, ahead, _), members in by_programme.items():
        programme = read_ahead(distorted(programmes[path], distortion), ahead)
        size = max(1, GROUP_BYTES // (programme.frames.nbytes * 2))
        for first in range(0, len(members), size):
            group = members[first : first + size]
            for condition, (frames, energies) in zip(group, _filtered(programme, filters, group), strict=True):
                heard_loudness = energies_loudness(energies, len(frames), programme.rate)
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
) -> list[tuple[NDArray[np.float64], NDArray[np.float64]]]:
    """Return each condition's frames, and the K-weighted energies (hops,) of what is heard of them."""
    if filters.firs[conditions[0]] is None:
        # A convolution with the unit impulse is the samples themselves, and these are exact.
        return [(programme.frames, filters.meter.energies(programme.frames))] * len(conditions)
    edges = hop_edges(len(programme.frames), programme.rate)
    firs = [fir for condition in conditions if (fir := filters.firs[condition]) is not None]
    weighted = [fir for condition in conditions if (fir := filters.weighted[condition]) is not None]
    results, sums = apply_and_sum(programme.frames, firs, weighted, edges, before=programme.before, kept=filters.kept)
    filtered = []
    for frames, parts, fir in zip(results, sums, weighted, strict=True):
        energies = parts.sum(axis=1)
        if len(programme.before):
            # What is heard of a file begins out of silence, and the sum above knows what came before. Behind the
            # filter's length they are alike.
            first = min(int(np.searchsorted(edges, len(fir))), len(energies))
            energies[:first] = filters.meter.energies(frames[: edges[first]])
        filtered.append((frames, energies))
    return filtered


def energies_loudness(energies: NDArray[np.float64], count: int, rate: int) -> float:
    """Return the loudness of K-weighted energies (hops,) of `count` frames in LUFS, however low it is."""
    edges = hop_edges(count, rate)
    level = gated_loudness(energies, edges)
    highest = float(energies.max(initial=0.0))
    if level > -math.inf or highest == 0.0:
        return level
    return gated_loudness(energies * (rate / highest), edges) - 10.0 * math.log10(rate / highest)


def loudness(frames: NDArray[np.float64], rate: int) -> float:
    """Return the integrated loudness in LUFS, also of what is recorded so low that the absolute gate shuts it out."""
    level = integrated_loudness(frames, rate)
    if level > -math.inf:
        return level
    peak = float(np.abs(frames).max(initial=0.0))
    return -math.inf if peak == 0.0 else integrated_loudness(frames / peak, rate) + 20.0 * math.log10(peak)


def _clip_loudness(programme: Programme, filters: Filters) -> float:
    return energies_loudness(filters.meter.energies(programme.frames), len(programme.frames), programme.rate)


def _band_level(programme: Programme) -> float:
    frequency = np.fft.rfftfreq(len(programme.frames), 1.0 / programme.rate)
    inside = (frequency >= ONE_KHZ_BAND[0]) & (frequency < ONE_KHZ_BAND[1])
    power = sum(
        float(np.sum(np.square(np.abs(np.fft.rfft(programme.frames[:, channel])[inside]))))
        for channel in range(programme.frames.shape[1])
    )
    return 10.0 * math.log10(power) if power > 0.0 else -math.inf


def dither(key: str, frames: int, channels: int) -> NDArray[np.float64]:
    """Return the triangular dither (frames, channels), in steps, that is made of the SHAKE-256 of `key`."""
    noise = hashlib.shake_256(dither_seed(key)).digest(noise_length(frames, channels))
    return np.asfortranarray(triangular_dither(noise, (frames, channels)))  # channel by channel, as drafts are


def dither_seed(key: str) -> bytes:
    """Return what the dither of `key` is the SHAKE-256 of."""
    return f"blindtest dither\0{key}".encode()


def finished(draft: Draft, *, noise: NDArray[np.float64], target: float, match: Measure, meter: Meter) -> Finished:
    """Return the samples of `draft` at `target` LUFS, dithered by `noise` (n, 2), in steps.

    The loudness is read from the samples as they will stand in the file, and the gain corrected until it is within
    0.002 LU of the target: the gates of BS.1770 make loudness slightly non-additive.

    Raises
    ------
    Unsettled
        So near the absolute gate of -70 LUFS that no gain gives the loudness.
    ValueError
        A sample would pass full scale: the caller has to look at the true peak first.
    """
    frames = draft.frames
    assert frames is not None
    samples = np.empty((0, 2), dtype=np.int32)

    def measured(gain: float) -> Levels:
        nonlocal samples
        samples = quantised(frames, noise, gain=float(from_db(gain)))
        return meter.levels(samples, full_scale=FULL_SCALE)

    gain, facts = settled(draft, target=target, match=match, measured=measured)
    return Finished(samples=samples, gain_db=gain, facts=facts)


def settled(
    draft: Draft, *, target: float, match: Measure, measured: Callable[[float], Levels]
) -> tuple[float, dict[str, float]]:
    """Return the gain in dB that brings `draft` to `target` LUFS, and the numbers of its row in a match table.

    `measured` makes the samples with a gain and returns their levels; the last ones it made are those that stay.

    Raises
    ------
    Unsettled
        So near the absolute gate of -70 LUFS that no gain gives the loudness.
    """
    gain = target - draft.reference
    for _ in range(ROUNDS):
        levels = measured(gain)
        if match == "1khz":
            break
        after = levels.heard if match == "heard" else levels.file
        if abs(target - after) <= TOLERANCE_LU:
            break
        if not math.isfinite(after):
            raise Unsettled(after)
        gain += target - after
    else:
        raise Unsettled(after)
    if not math.isfinite(levels.heard) or not math.isfinite(levels.file):
        raise Unsettled(min(levels.heard, levels.file))
    return gain, {
        "heard_before": draft.heard,
        "heard_after": levels.heard,
        # What a gain adds was missing before: exactly for levels, and for loudness unless a block lies at the gate.
        "file_before": levels.file - gain,
        "file_after": levels.file,
        "a_weighted_before": levels.a_weighted - gain,
        "a_weighted_after": levels.a_weighted,
        "rms_before": levels.rms - gain,
        "rms_after": levels.rms,
        "gain_db": gain,
        # Rounding and dither, at most 1.5 steps of 2^-23, move it by less than 0.0001 dB at any level in use.
        "true_peak_after": draft.true_peak + gain,
    }
