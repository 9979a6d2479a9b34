"""Spectra of what was played and what came back: the chain's transfer function, its response, where it ends.

The transfer function is the H1 estimator: cross-spectrum over spectrum of what was played (Bendat & Piersol, Random
Data, from memory), which noise in what came back does not bias.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from blindtest.audio.filtering import quick_length

__all__ = ["BANDS_HZ", "Spectra", "band_powers", "cutoff", "predicted", "spectra"]

_Floats = NDArray[np.float64]
BANDS_HZ: tuple[float, ...] = tuple(float(1000 * 10 ** (k / 10)) for k in range(-17, 14))
"""Midband frequencies of third octaves, 20 Hz to 20 kHz, base ten (IEC 61260-1, from memory)."""
_SEGMENT = 8192
_TAPS = 4096
"""Of the impulse response that predicts, half of them before the delay."""
_FROM_HZ = 12_000.0
"""Where the end of a chain's response is looked for."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Spectra:
    """Mean powers per bin, one-sided, so that they add up to the mean square: (bins, channels)."""

    given: _Floats
    back: _Floats
    cross: NDArray[np.complex128]
    frequency: _Floats
    """(bins,) Hz"""


def spectra(given: _Floats, back: _Floats, rate: int) -> Spectra:
    """Return the spectra of two sounds that lie one under the other, (n, channels) each."""
    size = min(_SEGMENT, 1 << (len(given).bit_length() - 1))
    window = np.hanning(size)[:, np.newaxis]
    shape = (size // 2 + 1, given.shape[1])
    one, two, cross = np.zeros(shape), np.zeros(shape), np.zeros(shape, dtype=np.complex128)
    starts = range(0, len(given) - size + 1, size // 2)
    for start in starts:
        x = np.fft.rfft(given[start : start + size] * window, axis=0)
        y = np.fft.rfft(back[start : start + size] * window, axis=0)
        one += np.abs(x) ** 2
        two += np.abs(y) ** 2
        cross += np.conj(x) * y
    scale = 2 / (size * float(np.sum(window**2)) * len(starts))
    return Spectra(
        given=scale * one,
        back=scale * two,
        cross=scale * cross,
        frequency=np.asarray(np.fft.rfftfreq(size, 1 / rate), dtype=np.float64),
    )


def predicted(given: _Floats, found: Spectra) -> _Floats:
    """Return what a linear chain of these spectra makes of `given`: (n, channels), with no delay of its own."""
    size = 2 * (len(found.frequency) - 1)
    transfer = found.cross / (found.given + 1e-10 * found.given.max(axis=0) + 1e-300)
    response = np.fft.irfft(transfer, size, axis=0)
    half = min(_TAPS, size) // 2
    taps = np.concatenate([response[-half:], response[:half]]) * np.hanning(2 * half + 1)[: 2 * half, np.newaxis]
    whole = quick_length(len(given) + 2 * half)
    out = np.fft.irfft(np.fft.rfft(given, whole, axis=0) * np.fft.rfft(taps, whole, axis=0), whole, axis=0)
    return np.asarray(out[half : half + len(given)])


def band_powers(found: Spectra, rest: _Floats) -> tuple[_Floats, _Floats, _Floats]:
    """Return powers in the third octaves of `BANDS_HZ`: played, recorded, of the noise at rest; all channels together.

    rest : (channels,) power of the noise, which is taken as white, since how it is coloured half a second can't tell
    """
    white = float(rest.sum()) / max(1, len(found.frequency) - 1)
    played, recorded, noise = (np.zeros(len(BANDS_HZ)) for _ in range(3))
    for k, middle in enumerate(BANDS_HZ):
        inside = (found.frequency >= middle * 10**-0.05) & (found.frequency < middle * 10**0.05)
        played[k] = found.given[inside].sum()
        recorded[k] = found.back[inside].sum()
        noise[k] = white * np.count_nonzero(inside)
    return played, recorded, noise


def cutoff(found: Spectra, rest: _Floats) -> float | None:
    """Return the frequency from 12 kHz on above which hardly anything came back of what was played, Hz; None for none.

    Told only where what was played there stands above the noise by 20 dB. Of one thing a resampler is sure to
    leave a trace: nothing above half its lower rate comes through.
    """
    inside = found.frequency >= _FROM_HZ
    played, came = found.given[inside].sum(axis=1), found.back[inside].sum(axis=1)
    cross = np.abs(found.cross[inside]).sum(axis=1)
    gain = float(np.abs(found.cross).sum()) / max(float(found.given.sum()), 1e-300)
    white = float(rest.sum()) / max(1, len(found.frequency) - 1)
    told = played * gain**2 > 100 * (white + 1e-18)
    ends = told & (cross < 0.1 * gain * played) & (came < 0.1 * gain**2 * played)
    # The highest bins are left out: every converter ends somewhere below half the rate.
    kept = found.frequency[inside] < 0.98 * found.frequency[-1]
    if not np.any(ends & kept):
        return None
    first = int(np.flatnonzero(ends & kept)[0])
    above = slice(first, None)
    told_above = int(np.count_nonzero((told & kept)[above]))
    share = int(np.count_nonzero((ends & kept)[above])) / max(1, told_above)
    return float(found.frequency[inside][first]) if share > 0.9 else None
