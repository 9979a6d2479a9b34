"""Group delay of an impulse response: when each frequency arrives.

tau(w) = Re(FFT(n x[n]) / FFT(x[n])) in samples, which needs no unwrapping of the phase (Oppenheim and Schafer,
"Discrete-Time Signal Processing", from memory).
"""

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = ["group_delay_s"]

TRANSFORM = 1 << 17
FLOOR_DB = -80.0
"""Under this, re the highest bin, a phase means nothing: NaN."""


def group_delay_s(samples: ArrayLike, rate: int, frequency: ArrayLike, *, octaves: float = 0.0) -> NDArray[np.float64]:
    """Return the group delay (points,) in s from the first of the samples (n,), at `frequency` (points,) Hz.

    NaN where the level lies more than 80 dB under the highest: a delay of nothing. With `octaves` each delay is the
    mean over a band so wide, weighted by the power: the noise of a long capture then stays small in it.
    """
    own = np.asarray(samples, dtype=np.float64)
    if own.ndim != 1 or not len(own) or not np.any(own):
        raise ValueError("an impulse response of one channel is needed, not silent")
    size = max(TRANSFORM, 1 << int(np.ceil(np.log2(4 * len(own)))))
    peak = int(np.argmax(np.abs(own)))
    # Times counted from the peak: smaller numbers, less lost in their difference.
    times = np.arange(len(own)) - peak
    spectrum, weighted = np.fft.rfft(own, size), np.fft.rfft(times * own, size)
    level = np.abs(spectrum)
    loud = level > level.max() * 10 ** (FLOOR_DB / 20)
    bins = np.arange(len(spectrum)) * (rate / size)
    hertz = np.asarray(frequency, dtype=np.float64)
    if octaves > 0:
        first = np.clip(np.ceil(hertz * 2 ** (-octaves / 2) * size / rate).astype(int), 1, len(spectrum) - 1)
        last = np.clip(np.floor(hertz * 2 ** (octaves / 2) * size / rate).astype(int), first, len(spectrum) - 1)
        power = np.where(loud, level**2, 0.0)
        late = np.where(loud, np.real(weighted * np.conj(spectrum)), 0.0)
        sums = [np.concatenate([[0.0], np.cumsum(one)]) for one in (late, power)]
        above, below = (one[last + 1] - one[first] for one in sums)
        mean = np.full(hertz.shape, np.nan)
        np.divide(above, below, out=mean, where=below > 0)
        banded: NDArray[np.float64] = (mean + peak) / rate
        return banded
    delay = np.full(len(spectrum), np.nan)
    delay[loud] = np.real(weighted[loud] / spectrum[loud])
    read: NDArray[np.float64] = np.interp(hertz, bins, delay)
    return (read + peak) / rate
