"""Impulse responses: reading them from WAV and SOFA (AES69), what is wrong with them, windowing, their response.

Frames are (n, channels) float64 at a rate in Hz; one channel, or left and right.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from blindtest.audio import Clip, read_clip, resampled
from blindtest.errors import BlindtestError, Fault, Missing

from .response import Response
from .sofa_file import read_sofa_file

__all__ = [
    "ImpulseFacts",
    "ImpulseResponse",
    "at_rate",
    "common_rate",
    "impulse_facts",
    "impulse_response_of",
    "longest_flat",
    "read_impulse_responses",
    "windowed",
]

Floats = NDArray[np.float64]

LONGEST_S = 20.0
SHORTEST_FRAMES = 64
FLAT_TOP = 3
"""So many equal samples in a row at the highest magnitude are a clipped capture."""
DEAD_DB = -60.0
"""A channel this far under the other holds nothing."""
LEAD_S = 0.005
"""Kept ahead of the peak by default; pre-ringing earlier than this is cut, and its energy reported."""
FADE = 0.25
"""Share of the window's end that is faded."""
POINTS_PER_OCTAVE = 48
TRANSFORM = 1 << 18


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class ImpulseResponse:
    """A measured impulse response: frames (n, channels), rate in Hz."""

    frames: Floats
    rate: int
    channels: tuple[str, ...] = ("both",)
    remarks: tuple[str, ...] = ()
    sources: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        view = np.asarray(self.frames, dtype=np.float64).view()
        view.flags.writeable = False
        object.__setattr__(self, "frames", view)
        if view.ndim != 2 or view.shape[1] != len(self.channels):
            raise ValueError(f"frames must be (n, {len(self.channels)}), got {view.shape}")


@dataclass(frozen=True, slots=True, kw_only=True)
class ImpulseFacts:
    """What one channel of an impulse response shows before anything is made of it."""

    channel: str
    peak_s: float
    """Where its peak lies, from the file's beginning."""
    pre_ringing_db: float
    """Energy earlier than 0.5 ms ahead of the peak, re all of it; -inf where there is none."""
    length_s: float
    """From the peak until all but a millionth (-60 dB) of the energy has passed."""
    noise_db: float
    """Mean level of the last tenth re the peak."""
    inverted: bool
    """Whether the peak points down."""


def read_impulse_responses(path: str | Path) -> tuple[ImpulseResponse, ...]:
    """Return the impulse responses in a file: one of a WAV or FLAC, one for each measurement of a SOFA file.

    Raises
    ------
    BlindtestError
        Can't be read, clipped, too short or too long, a channel without signal, more than two channels.
    Missing
        A SOFA file without the library `sofar`, which the extra `sofa` installs.
    """
    path = Path(path)
    try:
        found = _sofa(path) if path.suffix.casefold() == ".sofa" else (_wave(path),)
        for one in found:
            _refuse(one)
    except Missing:
        raise
    except BlindtestError as error:
        raise BlindtestError(*(fault.in_file(str(path)) for fault in error.faults)) from None
    return found


def impulse_facts(impulse: ImpulseResponse) -> tuple[ImpulseFacts, ...]:
    """Return the facts of each channel."""
    facts = []
    for name, samples in zip(impulse.channels, impulse.frames.T, strict=True):
        peak = int(np.argmax(np.abs(samples)))
        energy = samples**2
        ahead = float(energy[: max(0, peak - round(0.0005 * impulse.rate))].sum())
        left = np.cumsum(energy[peak:][::-1])[::-1]
        over = np.flatnonzero(left > 1e-6 * left[0])
        tail = samples[-max(1, len(samples) // 10) :]
        noise = float(np.sqrt(np.mean(tail**2))) / float(np.abs(samples[peak]))
        facts.append(
            ImpulseFacts(
                channel=name,
                peak_s=peak / impulse.rate,
                pre_ringing_db=_db(ahead / float(energy.sum())) / 2,
                length_s=float(over[-1] + 1) / impulse.rate,
                noise_db=_db(noise),
                inverted=bool(samples[peak] < 0),
            )
        )
    return tuple(facts)


def windowed(impulse: ImpulseResponse, *, before_s: float = LEAD_S, after_s: float | None = None) -> ImpulseResponse:
    """Return the impulse response from `before_s` ahead of its first peak to `after_s` behind it, both ends faded.

    One window for all channels, so that their delay against each other stays. Without `after_s` to the end. The half
    cosine at the end takes a quarter of it, that at the beginning all of `before_s`.
    """
    peaks = np.argmax(np.abs(impulse.frames), axis=0)
    first = max(0, int(peaks.min()) - round(before_s * impulse.rate))
    last = len(impulse.frames)
    if after_s is not None:
        last = min(last, int(peaks.max()) + round(after_s * impulse.rate))
    cut = impulse.frames[first:last].copy()
    rise = int(peaks.min()) - first
    if rise > 1:
        cut[:rise] *= (0.5 - 0.5 * np.cos(np.pi * np.arange(rise) / rise))[:, None]
    fall = round(FADE * (last - int(peaks.max())))
    if fall > 1:
        cut[-fall:] *= (0.5 + 0.5 * np.cos(np.pi * (np.arange(fall) + 1) / fall))[:, None]
    return replace(impulse, frames=cut)


def at_rate(impulse: ImpulseResponse, rate: int) -> ImpulseResponse:
    """Return the impulse response at another rate: resampled, and rescaled by the ratio so that its level stays."""
    if rate == impulse.rate:
        return impulse
    clip = resampled(Clip(frames=impulse.frames, rate=impulse.rate), rate)
    remark = f"resampled from {impulse.rate} to {rate} Hz"
    return replace(impulse, frames=clip.frames * (impulse.rate / rate), rate=rate, remarks=(*impulse.remarks, remark))


def impulse_response_of(impulse: ImpulseResponse) -> Response:
    """Return the response of an impulse response, 48 points an octave up to 0.45 of the rate, with its phase.

    The lowest frequency is that of one period in its length. Phase is that behind the earliest peak: the delay of the
    capture is taken out, alike for all channels.
    """
    count = len(impulse.frames)
    size = max(TRANSFORM, 1 << int(np.ceil(np.log2(4 * count))))
    peak = int(np.argmax(np.abs(impulse.frames), axis=0).min())
    spectrum = np.fft.rfft(np.roll(_padded(impulse.frames, size), -peak, axis=0), axis=0)
    low, high = impulse.rate / count, 0.45 * impulse.rate
    steps = int(np.floor(np.log2(high / low) * POINTS_PER_OCTAVE))
    frequency = low * 2.0 ** (np.arange(steps + 1) / POINTS_PER_OCTAVE)
    bins = np.arange(len(spectrum)) * (impulse.rate / size)
    read = np.stack(
        [
            np.interp(frequency, bins, column.real) + 1j * np.interp(frequency, bins, column.imag)
            for column in spectrum.T
        ],
        axis=1,
    )
    floor = 1e-10 * float(np.abs(read).max())
    return Response(
        frequency=frequency,
        magnitude=20 * np.log10(np.maximum(np.abs(read), floor)),
        phase=np.angle(read),
        channels=impulse.channels,
        remarks=impulse.remarks,
        sources=impulse.sources,
    )


def _padded(frames: Floats, size: int) -> Floats:
    padded = np.zeros((size, frames.shape[1]))
    padded[: len(frames)] = frames
    return padded


def _db(ratio: float) -> float:
    return float(20 * np.log10(ratio)) if ratio > 0 else -float("inf")


def _channels(count: int) -> tuple[str, ...]:
    return ("both",) if count == 1 else ("left", "right")


def _wave(path: Path) -> ImpulseResponse:
    clip = read_clip(path)
    if clip.channels > 2:
        raise BlindtestError(
            Fault(
                problem="an impulse response of more than two channels",
                got=clip.channels,
                allowed="one, or left and right",
                remedy="write one file per pair; both loudspeakers at both ears are a unit's binaural = { file = ... }",
            )
        )
    return ImpulseResponse(frames=clip.frames, rate=clip.rate, channels=_channels(clip.channels), sources=(str(path),))


def _sofa(path: Path) -> tuple[ImpulseResponse, ...]:
    found = read_sofa_file(path, instead="the impulse response")
    samples, rate = found.samples, found.rate
    if samples.ndim == 4:
        samples = samples[:, :, 0, :] if samples.shape[2] == 1 else _own_emitters(samples)
    if samples.ndim != 3 or samples.shape[1] not in (1, 2) or rate != round(rate):
        raise BlindtestError(
            Fault(
                problem="not one or two receivers at a whole sample rate",
                got=f"{samples.shape} at {rate:g} Hz",
                allowed="measurements x receivers x samples (FIR)",
                remedy="export the ears that were measured",
            )
        )
    return tuple(
        ImpulseResponse(
            frames=one.T,
            rate=round(rate),
            channels=_channels(samples.shape[1]),
            sources=(f"{path}#{number}",),
        )
        for number, one in enumerate(samples, 1)
    )


def _own_emitters(samples: Floats) -> Floats:
    """Of receivers x emitters keep each ear's own: what a headphone's left driver does at the left ear."""
    ears = min(samples.shape[1], samples.shape[2])
    return np.stack([samples[:, ear, ear, :] for ear in range(ears)], axis=1)


def _refuse(impulse: ImpulseResponse) -> None:
    count, faults = len(impulse.frames), []
    if count < SHORTEST_FRAMES or count > LONGEST_S * impulse.rate:
        faults.append(
            Fault(
                problem="no length of an impulse response",
                got=f"{count} samples",
                allowed=f"{SHORTEST_FRAMES} samples to {LONGEST_S:g} s",
                remedy="export the impulse response, not the sweep",
            )
        )
    highest = np.abs(impulse.frames).max(axis=0, initial=0.0)
    for side, samples, peak in zip(impulse.channels, impulse.frames.T, highest, strict=True):
        name = "only" if side == "both" else side
        if not np.all(np.isfinite(samples)):
            faults.append(
                Fault(problem=f"the {name} channel holds samples that are no numbers", remedy="export it again")
            )
        elif peak == 0 or peak < highest.max() * 10 ** (DEAD_DB / 20):
            faults.append(
                Fault(problem=f"the {name} channel is dead", got=_level(peak), remedy="look at cables and inputs")
            )
        elif (runs := longest_flat(samples, float(peak))) >= FLAT_TOP:
            faults.append(
                Fault(
                    problem=f"the {name} channel is clipped",
                    got=f"{runs} samples in a row at {_level(peak)}",
                    remedy="measure again at a lower level",
                )
            )
    if faults:
        raise BlindtestError(*faults)


def _level(peak: float) -> str:
    return f"{_db(float(peak)):.1f} dBFS"


def longest_flat(samples: Floats, peak: float) -> int:
    """Return the longest run of samples (n,) that stand at the peak: a clipped recording has one."""
    at = np.concatenate([[0], (np.abs(samples) >= peak * (1 - 1e-6)).astype(int), [0]])
    edges = np.flatnonzero(np.diff(at))
    return int((edges[1::2] - edges[::2]).max(initial=0))


def common_rate(impulses: Sequence[ImpulseResponse]) -> int:
    """Return the rate of all; refused where they differ: one resampled beside one that isn't would be told apart."""
    rates = sorted({one.rate for one in impulses})
    if len(rates) > 1:
        raise BlindtestError(
            Fault(
                problem="impulse responses of different sample rates",
                got=", ".join(f"{rate} Hz" for rate in rates),
                allowed="one rate",
                remedy="export all at one rate",
            )
        )
    return rates[0]
