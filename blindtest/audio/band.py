"""The level of a band of a programme of any length, a block at a time.

The band is taken out by a complex band-pass filter, of whose result every so-many-th value is kept (band-pass sampling:
Vaughan, Scott and White 1991, The theory of bandpass sampling). The bins of a transform of the whole that lie in the
band follow from what is kept (the chirp z-transform: Rabiner, Schafer and Rader 1969), in a fiftieth of the memory.
"""

import math

import numpy as np
from numpy.typing import NDArray

from blindtest.audio.tape import Frames

__all__ = ["band_level"]

STOP_DB = 140.0
"""How far down is what folds into the band, and how even the band is; our rule."""
SPARE = 2.0
"""What is kept is so many times as wide as the band; our rule."""
ROWS = 1 << 12
TOGETHER = 1 << 19
"""Of what is kept, and of bins, in one transform."""


def band_level(frames: Frames, rate: int, band_hz: tuple[float, float]) -> float:
    """Return the energy between two frequencies over all channels, in dB re a sum of squares of 1; -inf for silence.

    Parameters
    ----------
    frames : (n, channels) array or tape
        Taken as preceded and followed by silence.
    rate : int, Hz
    band_hz : (low, high)
        Under half the rate, and at most an eighth of it wide.
    """
    count, channels = frames.shape
    low, high = band_hz
    if count == 0:
        return -math.inf
    if not 0.0 < low < high <= rate / 2 or high - low > rate / 8:
        raise ValueError(f"a band under {rate / 2:g} Hz, at most {rate / 8:g} Hz wide, got {low:g} to {high:g} Hz")
    every = int(rate / (SPARE * (high - low)))
    fir = _band_pass(rate, band_hz, every)
    ahead = len(fir) - 1
    kept = -(-count // every) + ahead
    found = np.empty((channels, kept), dtype=np.complex64)
    for first in range(0, kept, ROWS):
        rows = min(ROWS, kept - first)
        for channel, piece in enumerate(_piece(frames, (first - ahead) * every, (rows + ahead) * every)):
            steps = piece.reshape(-1, every)
            made = sum(steps[place : place + rows] @ taps for place, taps in enumerate(fir))
            found[channel, first : first + rows] = made @ np.array([1.0, 1.0j])
    bins = math.ceil(low * count / rate), math.ceil(high * count / rate)
    # Both halves of a real sound's spectrum; the energy is the mean over all bins (Parseval).
    power = 2.0 / count * every**2 * sum(_power(one, bins, count / every) for one in found)
    return 10.0 * math.log10(power) if power > 0.0 else -math.inf


def _power(kept: NDArray[np.complex64], bins: tuple[int, int], length: float) -> float:
    """Return the sum of squares over bins, first to under the last, of a transform of `length` of what was kept."""
    from scipy.signal import zoom_fft

    turns = math.floor(bins[0] / length)  # of what is kept, a frequency is known but for whole turns
    total = 0.0
    for first in range(*bins, TOGETHER):
        count = min(TOGETHER, bins[1] - first)
        between = [first / length - turns, (first + count) / length - turns]
        at = between[0] + np.arange(count) / length
        spectrum = np.zeros(count, dtype=np.complex128)
        for start in range(0, len(kept), TOGETHER):
            own = zoom_fft(kept[start : start + TOGETHER], between, count, fs=1.0)
            spectrum += own * np.exp(-2j * np.pi * (at * start % 1.0))
        total += float(np.sum(np.square(spectrum.real) + np.square(spectrum.imag)))
    return total


def _band_pass(rate: int, band_hz: tuple[float, float], every: int) -> NDArray[np.float64]:
    """Return the filter (steps, every, 2), real and imaginary part, of 0 dB in the band."""
    from scipy.signal import firwin, kaiserord

    low, high = band_hz
    width = high - low
    edge = rate / every - width / 2  # from the middle of the band: from there on it folds into the band
    taps, beta = kaiserord(STOP_DB, (edge - width / 2) / (rate / 2))
    real = firwin(taps, (width / 2 + edge) / 2, window=("kaiser", beta), fs=rate)
    turned = real * np.exp(-2j * np.pi * (low + high) / 2 / rate * np.arange(taps))
    whole = np.zeros((-(-taps // every) * every, 2))
    whole[:taps] = np.stack([turned.real, turned.imag], axis=1)
    return whole.reshape(-1, every, 2)


def _piece(frames: Frames, first: int, count: int) -> NDArray[np.float64]:
    """Return (channels, count) from a frame on, silence where there is none."""
    piece = np.zeros((frames.shape[1], count))
    begin, end = max(0, first), min(frames.shape[0], first + count)
    if begin < end:
        piece[:, begin - first : end - first] = frames[begin:end].T
    return piece
