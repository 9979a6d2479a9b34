"""The delay of a chain: whole, from stretch to stretch of a sound, and where both ends have clocks of their own.

The delay is the peak of the chain's impulse response, found by cross-correlation whitened by the sound's own spectrum:
sounds of different spectra give the same delay, with a fraction of a sample by band-limited interpolation.
"""

import numpy as np
from numpy.typing import NDArray

from blindtest.audio.filtering import quick_length

__all__ = ["cut", "delay", "delays", "joined", "line_of", "other_rate", "warped"]

_Floats = NDArray[np.float64]
_PART_S = 0.25
_FAR_S = 0.05
"""How far a delay may jump within a sound and still be found."""
_FLOOR = 1e-4
"""Where a spectrum is this far below its mean, it is not whitened any further: there is only noise."""
_JUMP = 0.75
"""Samples: rounded, another delay."""
_SLOW = 2e-6
"""Slopes below this are none: half a sample in five seconds."""
_RATES = (44_100, 48_000, 88_200, 96_000, 176_400, 192_000)
_STRETCH_S = 2.0


def delay(given: _Floats, back: _Floats, low: int, high: int, *, fine: bool = False) -> float:
    """Return by how many samples `back` is later than `given`, from `low` to `high`; `fine`: with a fraction.

    given : (n, channels); back : (m, channels), of which [low, high + n) is looked at
    """
    size = quick_length(len(given) + len(back))
    spectrum = np.fft.rfft(given, size, axis=0)
    cross = np.sum(np.conj(spectrum) * np.fft.rfft(back, size, axis=0), axis=1)
    power = np.sum(np.abs(spectrum) ** 2, axis=1)
    white = cross / (power + _FLOOR * power.mean() + 1e-300)
    response = np.abs(np.fft.irfft(white, size))
    at = low + int(np.argmax(response[low : high + 1]))
    return at + _fraction(white, at, size) if fine else float(at)


def _fraction(white: NDArray[np.complex128], at: int, size: int) -> float:
    """Return where about `at`, from -1/2 to 1/2, the response has its peak: in eighths, then by a parabola."""
    omega = 2j * np.pi * np.arange(len(white)) / size
    turned, step = white * np.exp(omega * (at - 0.625)), np.exp(omega / 8)
    values = np.empty(11)
    for k in range(11):
        values[k] = abs(float(np.real(turned).sum()))
        turned = turned * step
    best = 1 + int(np.argmax(values[1:-1]))
    before, peak, after = values[best - 1 : best + 2]
    bend = before - 2 * peak + after
    return -0.625 + (best + (float((before - after) / (2 * bend)) if bend < 0 else 0.0)) / 8


def delays(given: _Floats, back: _Floats, rate: int, lag: int) -> tuple[_Floats, _Floats]:
    """Return the delays of quarter seconds of a sound, about `lag`, and their middles in frames; quiet ones left out.

    (parts,) float64 each, in samples
    """
    part, far = round(_PART_S * rate), round(_FAR_S * rate)
    loud = float(np.mean(given**2))
    found, places = [], []
    for start in range(0, max(1, len(given) - part + 1), part):
        piece = given[start : start + part]
        if np.mean(piece**2) < 1e-4 * loud:
            continue
        first = max(0, start + lag - far)
        around = back[first : start + lag + len(piece) + far]
        highest = len(around) - len(piece)
        if highest < 1:
            continue
        found.append(delay(piece, around, 0, highest, fine=True) + first - start)
        places.append(start + len(piece) / 2)
    return np.asarray(found, dtype=np.float64), np.asarray(places, dtype=np.float64)


def line_of(lags: _Floats, places: _Floats) -> tuple[float, int]:
    """Return the slope of delays over places, samples per sample (0 where there is none), and how often they jump.

    The slope is the median of those of all pairs (Theil-Sen) where nothing jumps, else of those between neighbours, of
    which a jump is one.
    """
    if len(lags) < 3:
        return 0.0, int(np.count_nonzero(np.abs(np.diff(lags)) >= _JUMP))
    slope = float(np.median(np.diff(lags) / np.diff(places)))
    jumps = _jumps(lags, places, slope)
    if not len(jumps):
        first, second = np.triu_indices(len(lags), 1)
        slope = float(np.median((lags[second] - lags[first]) / (places[second] - places[first])))
    if abs(slope) < _SLOW:
        slope = 0.0
    return slope, len(jumps)


def _jumps(lags: _Floats, places: _Floats, slope: float) -> NDArray[np.intp]:
    """Return after which places delays leave their line by a sample or more."""
    return np.flatnonzero(np.abs(np.diff(lags) - slope * np.diff(places)) >= _JUMP)


def joined(back: _Floats, lags: _Floats, places: _Floats, slope: float, count: int) -> _Floats:
    """Return (count, channels) frames of `back` as they would lie without jumps: each stretch at its own delay.

    Where a stretch ends is known to a quarter of a second only; what lies between is left as a fault.
    """
    middle = count / 2
    flat = lags - slope * (places - middle)
    ends = [*_jumps(lags, places, slope), len(lags) - 1]
    pieces, start, first = [], 0, 0
    for end in ends:
        stop = count if end == len(lags) - 1 else round((places[end] + places[end + 1]) / 2)
        lag = round(float(np.median(flat[first : end + 1])))
        pieces.append(cut(back, start + lag, stop - start))
        start, first = stop, end + 1
    return np.concatenate(pieces)


def cut(back: _Floats, first: int, count: int) -> _Floats:
    """Return (count, channels) frames of `back` from `first` on, silence where there are none."""
    out = np.zeros((count, back.shape[1]))
    piece = back[max(0, first) : max(0, first + count)]
    at = max(0, -first)
    out[at : at + len(piece)] = piece
    return out


def warped(given: _Floats, slope: float) -> _Floats:
    """Return a sound as a recorder hears it whose delay grows by `slope`, about the sound's middle.

    Four times as many samples by FFT, straight lines between them: 10 kHz at 48 kHz keeps its level to 0.03 dB.
    """
    if slope == 0.0:
        return given
    n, more = len(given), 4
    finer = np.fft.irfft(np.fft.rfft(given, axis=0), more * n, axis=0) * more
    middle = n / 2
    at = (np.arange(n) - middle) / (1 + slope) + middle
    return np.stack([np.interp(at * more, np.arange(more * n), channel) for channel in finer.T], axis=1)


def other_rate(given: _Floats, back: _Floats, rate: int) -> float | None:
    """Return the rate of playing over that of recording, of common rates, at which `back` is `given`; None for none.

    The first two seconds are compared, at each ratio in turn.
    """
    n = min(len(given), round(_STRETCH_S * rate))
    mono, heard = given[:n].sum(axis=1), back.sum(axis=1)
    best, likeness = None, 0.5
    ratios = sorted({a / b for a in _RATES for b in _RATES if 0.2 < a / b < 5 and a != b})
    for ratio in ratios:
        stretched = np.interp(np.arange(0, n - 1, ratio), np.arange(n), mono)
        size = quick_length(len(stretched) + len(heard))
        correlation = np.fft.irfft(np.conj(np.fft.rfft(stretched, size)) * np.fft.rfft(heard, size), size)
        at = int(np.argmax(np.abs(correlation)))
        piece = heard[at : at + len(stretched)] if at < len(heard) else heard[:0]
        norm = float(np.sqrt(np.sum(stretched[: len(piece)] ** 2) * np.sum(piece**2)))
        if norm > 0 and abs(correlation[at]) / norm > likeness:
            best, likeness = float(ratio), abs(float(correlation[at])) / norm
    return best
