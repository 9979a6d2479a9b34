"""Measured phase taken apart: minimum phase, delay, and the excess that is left.

phi = phi_min + phi_delay + phi_excess. The minimum phase follows from the level (Oppenheim and Schafer); the delay is
the mean group delay of the rest from 2 to 8 kHz; the excess is what an all-pass would have to do. Its group delay is
-d(phi_excess)/dw. Only what was measured as phase has an excess; a response without phase has none to render.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from blindtest.errors import BlindtestError, Fault

from .fir import minimum_phase_impulse
from .impulse import ImpulseResponse, common_rate

__all__ = ["ExcessPhase", "excess_band", "excess_phase", "mean_excess_phase"]

Floats = NDArray[np.float64]
Complex = NDArray[np.complex128]

DELAY_BAND_HZ = (2000.0, 8000.0)
TRANSFORM = 1 << 18
FLOOR_DB = 80.0
POLARITY_BAND_HZ = (300.0, 3000.0)
CLEAR = 0.8
"""Mean cosine over the lowest octave from which on it tells the polarity; our rule."""
REACH = 0.49
"""Share of the sample rate up to which a phase is read."""
LOST_DB = -60.0
"""What a filter of the excess phase may leave outside its length, re its energy; our rule."""


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class ExcessPhase:
    """What is left of a measured phase beside minimum phase and delay, inside a band."""

    frequency: Floats
    """(bins,) Hz, equal steps from 0."""
    phase: Floats
    """(bins,) rad, unwrapped; below the band in proportion to the frequency, above it led to a whole
    number of half turns at half the rate."""
    delay_s: float
    """Mean group delay from 2 to 8 kHz that was taken out, from the beginning of the file."""
    inverted: bool
    """Whether the polarity was turned, which was taken out too."""
    band_hz: tuple[float, float]
    rate: int

    def __post_init__(self) -> None:
        for name in ("frequency", "phase"):
            view = np.asarray(getattr(self, name), dtype=np.float64).view()
            view.flags.writeable = False
            object.__setattr__(self, name, view)

    def group_delay_s(self, frequency: ArrayLike) -> Floats:
        """Return the excess group delay (points,) in s at `frequency` (points,) Hz inside the band."""
        slope = -np.gradient(self.phase, self.frequency) / (2 * np.pi)
        delay: Floats = np.interp(np.asarray(frequency, dtype=np.float64), self.frequency, slope)
        return delay

    def phase_at(self, frequency: ArrayLike) -> Floats:
        """Return the excess phase (points,) in rad at `frequency` (points,) Hz; its end is held."""
        phase: Floats = np.interp(np.asarray(frequency, dtype=np.float64), self.frequency, self.phase)
        return phase

    def fir(self, rate: int, taps: int) -> Floats:
        """Return the all-pass (taps,) odd that has this phase; its middle tap is at time 0.

        Raises
        ------
        BlindtestError
            More than a millionth of its energy lies outside: the excess rings longer than the filter.
        """
        if taps % 2 == 0:
            raise ValueError(f"an odd number of taps has a middle, got {taps}")
        size = max(TRANSFORM, 1 << int(np.ceil(np.log2(8 * taps))))
        bins = np.arange(size // 2 + 1) * (rate / size)
        phase = self.phase_at(bins)
        kept, lost = _centred(phase, size, taps)
        last = int(np.searchsorted(bins, self.band_hz[1], side="right")) - 1
        if lost > LOST_DB and rate < self.rate and 8 <= last < len(bins) - 8:
            # It was led to a multiple of pi at half of the rate it was measured at, which isn't half of this one.
            phase[last:] = _led_out(phase, last)
            kept, lost = _centred(phase, size, taps)
        if lost > LOST_DB:
            raise BlindtestError(
                Fault(
                    problem="the excess phase rings longer than a filter may be",
                    got=f"{lost:.0f} dB outside {taps / rate:.2f} s",
                    allowed=f"{LOST_DB:g} dB",
                    remedy="window the impulse response shorter, or trust a narrower band",
                )
            )
        fade = max(2, taps // 20)
        ends = np.ones(taps)
        ends[:fade] = 0.5 - 0.5 * np.cos(np.pi * (np.arange(fade) + 0.5) / fade)
        ends[-fade:] = ends[:fade][::-1]
        return kept * ends


def excess_phase(samples: ArrayLike, rate: int, *, band_hz: tuple[float, float] = (20.0, 20_000.0)) -> ExcessPhase:
    """Return the excess phase of one channel (n,) of an impulse response.

    Inside `band_hz` it is as measured; what lies outside isn't trusted. The result tells nothing of the delay of the
    capture nor of its polarity: both are taken out and named.
    """
    own = np.asarray(samples, dtype=np.float64)
    low, high = band_hz[0], min(band_hz[1], REACH * rate)
    if own.ndim != 1 or not len(own) or not np.any(own):
        raise ValueError("an impulse response of one channel is needed, not silent")
    if not 0 < low < high:
        raise ValueError(f"the band must rise and lie below half the rate, got {band_hz}")
    size = max(TRANSFORM, 1 << int(np.ceil(np.log2(8 * len(own)))))
    peak = int(np.argmax(np.abs(own)))
    padded = np.zeros(size)
    padded[: len(own)] = own
    spectrum = np.fft.rfft(np.roll(padded, -peak))
    level = 20 * np.log10(np.maximum(np.abs(spectrum), 1e-300))
    minimum = np.fft.rfft(minimum_phase_impulse(np.maximum(level, level.max() - FLOOR_DB)))
    frequency: Floats = np.arange(len(spectrum), dtype=np.float64) * (rate / size)
    turn = spectrum / minimum
    phase = np.unwrap(np.angle(turn))
    delay = _mean_delay(frequency, phase, high)
    phase = phase + 2 * np.pi * frequency * delay
    inverted = _inverted(frequency, phase, low, high)
    if inverted:
        phase = phase - np.pi
    inside = (frequency >= low) & (frequency <= high)
    first = int(np.argmax(inside))
    phase = phase - 2 * np.pi * np.round(phase[first] / (2 * np.pi))
    last = int(np.flatnonzero(inside)[-1])
    # Below the band to 0 at 0 Hz: a constant group delay, which a fade of the phase would not be.
    phase[:first] = phase[first] * frequency[:first] / frequency[first]
    phase[last:] = _led_out(phase, last)
    return ExcessPhase(
        frequency=frequency,
        phase=phase,
        delay_s=peak / rate + delay,
        inverted=inverted,
        band_hz=(low, high),
        rate=rate,
    )


def excess_band(band_hz: tuple[float, float], rate: int) -> tuple[float, float]:
    """Return the part of a band, Hz, in which captures at `rate` Hz have a phase.

    Raises
    ------
    BlindtestError
        There is none.
    """
    low, high = band_hz[0], min(band_hz[1], REACH * rate)
    if low >= high:
        raise BlindtestError(
            Fault(
                problem="the impulse responses hold nothing of the trusted band",
                got=f"{rate} Hz, which ends at {REACH * rate:g} Hz",
                allowed=f"{band_hz[0]:g} to {band_hz[1]:g} Hz",
                remedy="export them at the rate they were captured at",
            )
        )
    return low, high


def mean_excess_phase(
    impulses: Sequence[ImpulseResponse], *, band_hz: tuple[float, float] = (20.0, 20_000.0)
) -> ExcessPhase:
    """Return the mean of the excess phases of all seatings and channels: both ears get the same, as with the level.

    Raises
    ------
    BlindtestError
        Different sample rates, or none that reaches into the band.
    """
    rate = common_rate(impulses)
    excess_band(band_hz, rate)
    parts = [excess_phase(samples, rate, band_hz=band_hz) for impulse in impulses for samples in impulse.frames.T]
    size = max(len(part.frequency) for part in parts)
    grid = next(part.frequency for part in parts if len(part.frequency) == size)
    return ExcessPhase(
        frequency=grid,
        phase=np.mean([part.phase_at(grid) for part in parts], axis=0),
        delay_s=float(np.mean([part.delay_s for part in parts])),
        inverted=all(part.inverted for part in parts),
        band_hz=parts[0].band_hz,
        rate=rate,
    )


def _centred(phase: Floats, size: int, taps: int) -> tuple[Floats, float]:
    """Return the all-pass (taps,) of a phase (size/2 + 1,), and the energy in dB that lies outside of it."""
    impulse = np.fft.irfft(np.exp(1j * phase), size)
    half = taps // 2
    kept = np.concatenate([impulse[-half:], impulse[: half + 1]])
    return kept, 10 * np.log10(max(1 - float(np.sum(kept**2)) / float(np.sum(impulse**2)), 1e-30))


def _inverted(frequency: Floats, phase: Floats, low: float, high: float) -> bool:
    """Return whether a phase without its delay is that of a device turned round.

    Every all-pass begins at 0 at 0 Hz (that of a crossover goes through half a turn where it crosses over), so the
    lowest octave tells, if it is clear; else what is nearer to 0 at middle frequencies.
    """
    lowest = (frequency >= low) & (frequency <= min(2 * low, high))
    told = float(np.mean(np.cos(phase[lowest]))) if lowest.any() else 0.0
    if abs(told) >= CLEAR:
        return told < 0
    middle = (frequency >= POLARITY_BAND_HZ[0]) & (frequency <= min(POLARITY_BAND_HZ[1], high))
    return bool(np.mean(np.cos(phase[middle])) < 0)


def _led_out(phase: Floats, last: int) -> Floats:
    """Return the phase from bin `last` on: its slope fades out, and half the rate is reached at a multiple of pi.

    Anything else would be a jump there, and ring for as long as the filter is.
    """
    count = len(phase) - last
    x = np.arange(count) / max(1, count - 1)
    slope = (phase[last] - phase[last - 8]) / 8 * (count - 1)
    faded = phase[last] + slope * (x - x**2 / 2)
    end = np.pi * np.round(faded[-1] / np.pi)
    led: Floats = faded + (end - faded[-1]) * (3 * x**2 - 2 * x**3)
    return led


def _mean_delay(frequency: Floats, phase: Floats, high: float) -> float:
    """Return the mean group delay in s of an unwrapped phase from 2 to 8 kHz (or the highest two octaves below)."""
    top = min(DELAY_BAND_HZ[1], high)
    low = min(DELAY_BAND_HZ[0], top / 4)
    inside = (frequency >= low) & (frequency <= top)
    rise = phase[inside][-1] - phase[inside][0]
    return float(-rise / (2 * np.pi * (frequency[inside][-1] - frequency[inside][0])))
