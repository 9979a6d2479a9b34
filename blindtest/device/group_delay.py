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


def group_delay_s(samples: ArrayLike, rate: int, frequency: ArrayLike) -> NDArray[np.float64]:
    """Return the group delay (points,) in s from the first of the samples (n,), at `frequency` (points,) Hz.

    NaN where the level lies more than 80 dB under the highest: a delay of nothing.
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
    delay = np.full(len(spectrum), np.nan)
    delay[loud] = np.real(weighted[loud] / spectrum[loud])
    read: NDArray[np.float64] = np.interp(np.asarray(frequency, dtype=np.float64), bins, delay)
    return (read + peak) / rate
