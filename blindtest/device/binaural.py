"""Binaural impulse responses: two loudspeakers in a room, as they arrive at two ears.

Four paths, each from a loudspeaker to an ear: frames (n, 2, 2) are [sample, ear, loudspeaker], left first. What the
four have in common is a delay, of which nothing is heard and which is taken out alike for all; what they differ by is
the interaural time and level, the crosstalk and the room, and none of it is touched.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from blindtest.audio import Clip, read_clip, resampled
from blindtest.device.impulse import longest_flat
from blindtest.errors import BlindtestError, Fault, Missing

from .sofa_file import read_sofa_file

__all__ = [
    "PATHS",
    "BinauralResponse",
    "LoudspeakerFacts",
    "at_rate_binaural",
    "binaural_level_db",
    "ear_levels_db",
    "loudspeaker_facts",
    "read_binaural",
]

Floats = NDArray[np.float64]

PATHS = ("left_to_left", "left_to_right", "right_to_left", "right_to_right")
"""From which loudspeaker to which ear; the order of the channels in a file of four."""
ONSET_DB = -20.0
"""Below its peak: where a path begins. ISO 3382-1 begins an impulse response where it rises out of the background, at
more than 20 dB below its maximum."""
LEAD_S = 0.005
"""Kept ahead of the first arrival; common practice."""
TAIL_S = 0.01
"""Over which the end is faded."""
LONGEST_S = 5.0
SHORTEST_FRAMES = 64
DEAD_DB = -60.0
FLAT_TOP = 3
QUIET_DB = -40.0
"""A background higher than this re the peak is remarked upon: it is heard as a tail; our rule."""
DIRECT_S = 0.0025
"""Behind its onset a path is its direct sound so long: no wall of a usual room has answered yet; common practice."""
LARGEST_ITD_S = 0.001
"""Between the ears of a head, with some room: a sphere of 8.75 cm gives 0.66 ms at 90 degrees (Woodworth's formula)."""
FINE = 16
"""Steps within a sample in which an interaural time is read."""
THIRD = 2.0 ** (1 / 6)
FLOOR_DB = -100.0


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class BinauralResponse:
    """Four impulse responses (n, ear, loudspeaker), rate in Hz, the first arrival at frame `onset`."""

    frames: Floats
    rate: int
    onset: int
    common_delay_s: float = 0.0
    """From the file's beginning to the first arrival at any ear: what was taken out, alike for all paths."""
    remarks: tuple[str, ...] = ()
    sources: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        view = np.asarray(self.frames, dtype=np.float64).view()
        view.flags.writeable = False
        object.__setattr__(self, "frames", view)
        if view.ndim != 3 or view.shape[1:] != (2, 2):
            raise ValueError(f"frames must be (n, 2 ears, 2 loudspeakers), got {view.shape}")
        if not 0 <= self.onset < len(view):
            raise ValueError(f"the onset lies outside {len(view)} frames: {self.onset}")


@dataclass(frozen=True, slots=True, kw_only=True)
class LoudspeakerFacts:
    """What one of the loudspeakers is at the ears."""

    side: str
    """'left' or 'right'."""
    interaural_ms: float
    """By how much its direct sound comes later to the far ear."""
    crosstalk_db: float
    """Level at the far ear re the near one, of the direct sound."""
    whole_crosstalk_db: float
    """The same of all that arrives."""
    length_s: float
    """From the first arrival until all but a millionth (-60 dB) of the energy has passed, at the near ear."""


def read_binaural(
    files: Sequence[str | Path], *, measurements: tuple[int, int] | None = None, after_s: float | None = None
) -> BinauralResponse:
    """Return the response in one file of four channels, in four of one channel in the order of `PATHS`, or in SOFA.

    Parameters
    ----------
    measurements : which measurement of a SOFA file is the left and which the right loudspeaker, counted from 1; left
        out, the two that it holds, by their azimuth
    after_s : seconds kept behind the last path's peak; all if left out

    Raises
    ------
    BlindtestError
        Can't be read; other channels; rates or lengths that differ; clipped, silent, too short or too long; a SOFA
        file in which left and right aren't told.
    Missing
        A SOFA file without the library `sofar`.
    """
    paths = [Path(file) for file in files]
    try:
        if len(paths) == 1 and paths[0].suffix.casefold() == ".sofa":
            frames, rate, remarks = _sofa(paths[0], measurements)
        else:
            frames, rate, remarks = _waves(paths)
        _refuse(frames, rate)
    except Missing:
        raise
    except BlindtestError as error:
        raise BlindtestError(*(fault.in_file(str(paths[0])) for fault in error.faults)) from None
    return _cut(frames, rate, after_s, remarks, tuple(str(path) for path in paths))


def at_rate_binaural(response: BinauralResponse, rate: int) -> BinauralResponse:
    """Return the response at another rate, levels and all delays between the paths kept."""
    if rate == response.rate:
        return response
    count = len(response.frames)
    clip = resampled(Clip(frames=response.frames.reshape(count, 4), rate=response.rate), rate)
    frames = clip.frames.reshape(-1, 2, 2) * (response.rate / rate)
    onset = min(round(response.onset * rate / response.rate), len(frames) - 1)
    remark = f"resampled from {response.rate} to {rate} Hz"
    return replace(response, frames=frames, rate=rate, onset=onset, remarks=(*response.remarks, remark))


def loudspeaker_facts(response: BinauralResponse) -> tuple[LoudspeakerFacts, LoudspeakerFacts]:
    """Return what the left and the right loudspeaker are at the ears."""
    return _facts(response, 0), _facts(response, 1)


def binaural_level_db(response: BinauralResponse, frequency: Floats) -> Floats:
    """Return the power mean of all four paths (bins,) in dB at `frequency` (bins,) Hz, over 1/3 octave.

    It is never under -100 dB re its highest value.
    """
    power = np.mean([_third_octaves(response, ear, side, frequency) for ear in (0, 1) for side in (0, 1)], axis=0)
    return _decibels(power)


def ear_levels_db(response: BinauralResponse, frequency: Floats) -> Floats:
    """Return the level (bins, ear, loudspeaker) of each path in dB, over 1/3 octave, as `binaural_level_db`."""
    powers = [[_third_octaves(response, ear, side, frequency) for side in (0, 1)] for ear in (0, 1)]
    return _decibels(np.moveaxis(np.array(powers), -1, 0))


def _decibels(power: Floats) -> Floats:
    highest = float(power.max())
    level: Floats = 10.0 * np.log10(np.maximum(power, highest * 10.0 ** (FLOOR_DB / 10.0)))
    return level


def _third_octaves(response: BinauralResponse, ear: int, side: int, frequency: Floats) -> Floats:
    samples = response.frames[:, ear, side]
    size = 1 << int(np.ceil(np.log2(4 * len(samples))))
    power = np.abs(np.fft.rfft(samples, size)) ** 2
    bins = np.arange(len(power)) * (response.rate / size)
    area = np.concatenate([[0.0], np.cumsum(0.5 * (power[1:] + power[:-1]) * np.diff(bins))])
    at = np.clip(frequency, bins[1], bins[-1] / THIRD)
    low, high = at / THIRD, at * THIRD
    mean: Floats = (np.interp(high, bins, area) - np.interp(low, bins, area)) / (high - low)
    return mean


def _facts(response: BinauralResponse, side: int) -> LoudspeakerFacts:
    near, far = response.frames[:, side, side], response.frames[:, 1 - side, side]
    first, last = _onset(near), _onset(far)
    reach = round((DIRECT_S + LARGEST_ITD_S) * response.rate)
    begin = max(0, min(first, last) - round(0.001 * response.rate))
    heard = [path[begin : max(first, last) + reach] for path in (near, far)]
    direct = [path[max(0, at - 8) : at + round(DIRECT_S * response.rate)] for path, at in ((near, first), (far, last))]
    energy = near[first:] ** 2
    left = np.cumsum(energy[::-1])[::-1]
    return LoudspeakerFacts(
        side=("left", "right")[side],
        interaural_ms=1e3 * _later(heard[1], heard[0]) / response.rate,
        crosstalk_db=_ratio_db(direct[1], direct[0]),
        whole_crosstalk_db=_ratio_db(far, near),
        length_s=float(np.flatnonzero(left > 1e-6 * left[0])[-1] + 1) / response.rate,
    )


def _later(later: Floats, earlier: Floats) -> float:
    """Return by how many samples one path lies behind another, by the strongest cross-correlation, to 1/16 sample."""
    size = 1 << int(np.ceil(np.log2(2 * len(later))))
    crossed = np.fft.rfft(later, size) * np.conj(np.fft.rfft(earlier, size))
    fine = np.zeros(FINE * size // 2 + 1, dtype=np.complex128)
    fine[: len(crossed)] = crossed
    correlation = np.abs(np.fft.irfft(fine, FINE * size))
    place = int(np.argmax(correlation))
    return (place if place < FINE * size // 2 else place - FINE * size) / FINE


def _ratio_db(one: Floats, other: Floats) -> float:
    return float(10.0 * np.log10(np.sum(one**2) / np.sum(other**2)))


def _onset(path: Floats) -> int:
    size = np.abs(path)
    return int(np.flatnonzero(size >= size.max() * 10.0 ** (ONSET_DB / 20.0))[0])


def _cut(
    frames: Floats, rate: int, after_s: float | None, remarks: tuple[str, ...], sources: tuple[str, ...]
) -> BinauralResponse:
    """Return the response from a little ahead of the first arrival, faded in ahead of it and out at its end."""
    flat = frames.reshape(len(frames), 4)
    onset = min(_onset(path) for path in flat.T)
    first = max(0, onset - round(LEAD_S * rate))
    last = len(frames)
    if after_s is not None:
        last = min(last, int(np.argmax(np.abs(flat), axis=0).max()) + max(1, round(after_s * rate)))
    cut = frames[first:last].copy()
    rise = (onset - first) // 2
    if rise > 1:
        cut[:rise] *= (0.5 - 0.5 * np.cos(np.pi * np.arange(rise) / rise))[:, None, None]
    fall = min(round(TAIL_S * rate), (last - onset) // 4)
    if fall > 1:
        cut[-fall:] *= (0.5 + 0.5 * np.cos(np.pi * (np.arange(fall) + 1) / fall))[:, None, None]
    tail = flat[-max(1, len(flat) // 10) :]
    noise = 20.0 * np.log10(max(float(np.sqrt(np.mean(tail**2))), 1e-12) / float(np.abs(flat).max()))
    if noise > QUIET_DB:
        remarks = (
            *remarks,
            f"its last tenth lies {-noise:.0f} dB under its peak: noise, or cut before it had died away",
        )
    for side, name in enumerate(("left", "right")):
        if np.sum(frames[:, 1 - side, side] ** 2) > np.sum(frames[:, side, side] ** 2):
            remarks = (*remarks, f"the {name} loudspeaker is louder at the other ear: are two paths exchanged?")
    return BinauralResponse(
        frames=cut, rate=rate, onset=onset - first, common_delay_s=onset / rate, remarks=remarks, sources=sources
    )


def _waves(paths: Sequence[Path]) -> tuple[Floats, int, tuple[str, ...]]:
    clips = [read_clip(path) for path in paths]
    wanted = 4 if len(clips) == 1 else 1
    for path, clip in zip(paths, clips, strict=True):
        if clip.channels != wanted:
            raise BlindtestError(
                Fault(
                    problem="no binaural impulse response of two loudspeakers",
                    file=str(path),
                    got=f"{clip.channels} channels",
                    allowed="one file of 4 channels, or four files of one: " + ", ".join(PATHS),
                    remedy="export left to left ear, left to right ear, right to left ear, right to right ear",
                )
            )
    for what, values in (("sample rates", [c.rate for c in clips]), ("lengths", [len(c.frames) for c in clips])):
        if len(set(values)) > 1:
            raise BlindtestError(
                Fault(
                    problem=f"the four paths have different {what}",
                    got=", ".join(str(value) for value in values),
                    allowed="the same for all: their delays against each other are part of the measurement",
                    remedy="export all four from one measurement",
                )
            )
    frames = np.concatenate([clip.frames for clip in clips], axis=1)
    return _by_ear(frames), clips[0].rate, ()


def _by_ear(frames: Floats) -> Floats:
    """Return frames (n, 4) in the order of `PATHS` as (n, ear, loudspeaker)."""
    return np.ascontiguousarray(frames.reshape(-1, 2, 2).transpose(0, 2, 1))


def _sofa(path: Path, measurements: tuple[int, int] | None) -> tuple[Floats, int, tuple[str, ...]]:
    found = read_sofa_file(path, instead="the four paths")
    held, samples, rate = found.held, found.samples, found.rate
    if samples.ndim not in (3, 4) or samples.shape[1] != 2 or rate != round(rate):
        raise BlindtestError(
            Fault(
                problem="not two ears at a whole sample rate",
                got=f"{samples.shape} at {rate:g} Hz",
                allowed="measurements x 2 receivers x samples (FIR), or with two emitters behind the receivers (FIR-E)",
                remedy="export both ears",
            )
        )
    if samples.ndim == 4 and samples.shape[2] == 2 and samples.shape[0] == 1:
        left, right = _sides(held, "EmitterPosition")
        return np.stack([samples[0, :, left, :].T, samples[0, :, right, :].T], axis=2), round(rate), ()
    if samples.ndim == 4:
        samples = samples[:, :, 0, :]
    left, right = _chosen(held, len(samples), found.places, measurements)
    return np.stack([samples[left].T, samples[right].T], axis=2), round(rate), ()


def _sides(held: Any, name: str) -> tuple[int, int]:
    """Return which of two positions lies to the left and which to the right."""
    places = np.squeeze(np.asarray(getattr(held, name), dtype=np.float64))
    if places.shape != (2, 3):
        return 0, 1
    kind = str(getattr(held, f"{name}_Type", "cartesian"))
    # AES69: cartesian y points to the left; spherical azimuth counts from the front to the left.
    sideways = np.sin(np.deg2rad(places[:, 0])) if kind.startswith("spherical") else places[:, 1]
    if np.sign(sideways[0]) == np.sign(sideways[1]):
        raise BlindtestError(
            Fault(
                problem="left and right can't be told by the positions of the two loudspeakers",
                got=f"{_place(places[0])} and {_place(places[1])}",
                allowed="one on each side",
                remedy="say which is which: measurements = [1, 2], the left one first",
            )
        )
    return (0, 1) if sideways[0] > 0 else (1, 0)


def _place(values: Floats) -> str:
    return "(" + ", ".join(f"{value:g}" for value in values) + ")"


def _chosen(held: Any, count: int, places: Floats, measurements: tuple[int, int] | None) -> tuple[int, int]:
    if measurements is None:
        if count == 2:
            return _sides(held, "SourcePosition")
        shown = "; ".join(f"{number}: {_place(place)}" for number, place in enumerate(places[:6], 1))
        raise BlindtestError(
            Fault(
                problem="the file doesn't hold two measurements, one of each loudspeaker",
                got=f"{count}: {shown}" + (" ..." if len(places) > 6 else ""),
                remedy="say which two are meant: measurements = [1, 2], the left loudspeaker first",
            )
        )
    left, right = (number - 1 for number in measurements)
    if left == right or not (0 <= left < count and 0 <= right < count):
        raise BlindtestError(
            Fault(
                problem="the file holds no such two measurements",
                key="measurements",
                got=list(measurements),
                allowed=f"two different numbers from 1 to {count}",
            )
        )
    return left, right


def _refuse(frames: Floats, rate: int) -> None:
    count, faults = len(frames), []
    if count < SHORTEST_FRAMES or count > LONGEST_S * rate:
        faults.append(
            Fault(
                problem="no length of a binaural impulse response",
                got=f"{count} samples at {rate} Hz",
                allowed=f"{SHORTEST_FRAMES} samples to {LONGEST_S:g} s",
                remedy="export the impulse responses, not the sweeps; cut what is silent",
            )
        )
    paths: Mapping[str, Floats] = {
        name: frames[:, ear, side] for name, (side, ear) in zip(PATHS, ((0, 0), (0, 1), (1, 0), (1, 1)), strict=True)
    }
    highest = float(np.abs(frames).max(initial=0.0))
    for name, samples in paths.items():
        peak = float(np.abs(samples).max(initial=0.0))
        words = name.replace("_", " ") + " ear"
        if peak == 0.0 or peak < highest * 10.0 ** (DEAD_DB / 20.0):
            faults.append(
                Fault(
                    problem=f"the path {words} is dead",
                    allowed=f"within {-DEAD_DB:g} dB of the others: both ears hear both loudspeakers",
                    remedy="look at cables and inputs; four channels are needed, not the two of a headphone",
                )
            )
        elif (run := longest_flat(samples, peak)) >= FLAT_TOP:
            faults.append(
                Fault(
                    problem=f"the path {words} is clipped",
                    got=f"{run} samples in a row at its peak",
                    remedy="measure again at a lower level",
                )
            )
    if faults:
        raise BlindtestError(*faults)
