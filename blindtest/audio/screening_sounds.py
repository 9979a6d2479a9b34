"""Sounds that tell headphones from loudspeakers and left from right, made of random numbers that are handed in.

Each function returns (n, 2) frames, left first, full scale 1. What sounds in an interval is made alike whichever
interval holds the answer: equal lengths, equal ramps, fresh noise each time.

Sources. Tones: Woods, Siegel, Traer and McDermott 2017 (Headphone screening to facilitate web-based auditory
experiments, Atten Percept Psychophys 79, 2064-2072): three tones of 200 Hz, one of them 6 dB softer, one of them in
antiphase between the channels. Dichotic pitch: Milne, Bianco, Poole, Zhao, Oxenham, Billig and Chait 2021 (An online
headphone screening test based on dichotic pitch, Behav Res Methods 53, 1551-1562), after Cramer and Huggins 1958:
three intervals of white Gaussian noise of 1 s, in one of them a band of 600 Hz +-6 % in opposite phase at the right
ear. From memory: the tones' length of 1 s with ramps of 100 ms, 500 ms between them, the
silence of 1 s between the noises, and their ramps.
"""

from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = [
    "DICHOTIC_BAND_HZ",
    "INTERVALS",
    "antiphase_tones",
    "channel_burst",
    "dichotic_noises",
    "gaussian",
    "gaussian_length",
    "screening_noise",
]

INTERVALS = 3
TONE_HZ = 200.0
SOFTER_DB = -6.0
DICHOTIC_BAND_HZ = (564.0, 636.0)
"""600 Hz +-6 %."""
TONE_PEAK = 0.0808
"""Peak of the tones that are not softer: about -23 LUFS in both channels."""
NOISE_RMS = 0.0351
"""Root mean square of each channel of the noise, re full scale: about -23 LUFS in both channels, at 44.1 and 48 kHz."""
SOUND_S = 1.0
BURST_S = 0.6
TONE_RAMP_S = 0.1
NOISE_RAMP_S = 0.03
TONE_GAP_S = 0.5
NOISE_GAP_S = 1.0
_WIDEST = 4.5
"""Noise is limited there, in multiples of its root mean square: 1 sample in 150,000."""
_WORD = 4


def gaussian_length(count: int) -> int:
    """Return how many bytes `gaussian` takes for `count` numbers."""
    return 2 * _WORD * (-(-count // 2))


def gaussian(noise: bytes, count: int) -> NDArray[np.float64]:
    """Return `count` independent normal numbers (mean 0, variance 1), made of uniform random bytes.

    Two numbers of 32 bits make two normal ones (Box and Muller 1958).

    Raises
    ------
    ValueError
        Not as many bytes as `gaussian_length` says.
    """
    if len(noise) != gaussian_length(count):
        raise ValueError(f"{count} numbers take {gaussian_length(count)} bytes, got {len(noise)}")
    pairs = (np.frombuffer(noise, dtype="<u4").reshape(-1, 2) + 0.5) / 2**32
    radius, angle = np.sqrt(-2 * np.log(pairs[:, 0])), 2 * np.pi * pairs[:, 1]
    made: NDArray[np.float64] = np.stack([radius * np.cos(angle), radius * np.sin(angle)], axis=1).ravel()
    return made[:count]


def antiphase_tones(rate: int, *, softer: int, antiphase: int, phase: float = 0.0) -> NDArray[np.float64]:
    """Return three tones one after the other: which one is softest is what a listener is asked.

    Over headphones the one that is 6 dB softer is softest. In front of two loudspeakers the one in antiphase nearly
    cancels (by more than 20 dB at 200 Hz, measured by Woods et al.), so that it seems the softest.

    Parameters
    ----------
    rate : Hz
    softer, antiphase : the intervals, 0 to 2; two different ones
    phase : rad, at which the tones begin; all alike

    Returns
    -------
    (n, 2) float64
    """
    if softer == antiphase or not {softer, antiphase} <= set(range(INTERVALS)):
        raise ValueError(f"two different intervals of {INTERVALS} expected, got {softer} and {antiphase}")
    time = np.arange(round(SOUND_S * rate)) / rate
    tone = TONE_PEAK * np.sin(2 * np.pi * TONE_HZ * time + phase) * _ramps(len(time), round(TONE_RAMP_S * rate))
    made = []
    for interval in range(INTERVALS):
        level = 10 ** (SOFTER_DB / 20) if interval == softer else 1.0
        side = -1.0 if interval == antiphase else 1.0
        made.append(np.stack([level * tone, level * side * tone], axis=1))
    return _in_turn(made, round(TONE_GAP_S * rate))


def dichotic_noises(noise: ArrayLike, rate: int, *, target: int) -> NDArray[np.float64]:
    """Return three noises one after the other, in one of which two ears together hear a faint pitch.

    Neither channel tells which: in the target the right channel has the spectrum of the left in magnitude, bin by bin,
    before the ramps. Summed to one channel the band is missing from the target, 0.01 dB of the whole.

    Parameters
    ----------
    noise : (3, n) array_like
        Normal numbers, fresh ones for each interval; n samples make 1 s at `rate`.
    rate : Hz
    target : the interval with the pitch, 0 to 2

    Returns
    -------
    (m, 2) float64
    """
    intervals = np.asarray(noise, dtype=np.float64)
    length = round(SOUND_S * rate)
    if intervals.shape != (INTERVALS, length):
        raise ValueError(f"noise must be ({INTERVALS}, {length}) at {rate} Hz, got {intervals.shape}")
    if target not in range(INTERVALS):
        raise ValueError(f"the target must be an interval of {INTERVALS}, got {target}")
    ramps = _ramps(length, round(NOISE_RAMP_S * rate))[:, np.newaxis]
    made = []
    for interval, own in enumerate(intervals):
        left = _as_loud(own)
        right = _band_turned(left, rate) if interval == target else left
        made.append(np.stack([left, right], axis=1) * ramps)
    return _in_turn(made, round(NOISE_GAP_S * rate))


def channel_burst(noise: ArrayLike, rate: int, *, side: str) -> NDArray[np.float64]:
    """Return a burst of noise in the left channel, in the right one, or equally in both.

    In both it has half the power in each, so that what is asked is where it is, not how loud.

    Parameters
    ----------
    noise : (n,) array_like
        Normal numbers; n samples make 0.6 s at `rate`.
    rate : Hz
    side : 'left', 'right' or 'middle'
    """
    own = np.asarray(noise, dtype=np.float64)
    length = round(BURST_S * rate)
    if own.shape != (length,):
        raise ValueError(f"noise must be ({length},) at {rate} Hz, got {own.shape}")
    shares = {"left": (1.0, 0.0), "right": (0.0, 1.0), "middle": (0.5**0.5, 0.5**0.5)}[side]
    burst = _as_loud(own) * _ramps(length, round(NOISE_RAMP_S * rate))
    return np.stack([share * burst for share in shares], axis=1)


def screening_noise(noise: ArrayLike, rate: int) -> NDArray[np.float64]:
    """Return noise alike in both channels, as loud as in the tests, to set the volume by before them.

    Parameters
    ----------
    noise : (n,) array_like
        Normal numbers.
    rate : Hz
    """
    own = np.asarray(noise, dtype=np.float64)
    sound = _as_loud(own) * _ramps(len(own), round(NOISE_RAMP_S * rate))
    return np.stack([sound, sound], axis=1)


def _as_loud(noise: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return noise at the level of all noises here."""
    level = np.sqrt(np.mean(noise**2))
    limited: NDArray[np.float64] = np.clip(noise / level, -_WIDEST, _WIDEST) * NOISE_RMS
    return limited


def _band_turned(noise: NDArray[np.float64], rate: int) -> NDArray[np.float64]:
    """Return noise with the band of the dichotic pitch in opposite phase."""
    spectrum = np.fft.rfft(noise)
    frequency = np.arange(len(spectrum)) * (rate / len(noise))
    spectrum[(frequency >= DICHOTIC_BAND_HZ[0]) & (frequency <= DICHOTIC_BAND_HZ[1])] *= -1
    return np.fft.irfft(spectrum, len(noise))


def _ramps(length: int, ramp: int) -> NDArray[np.float64]:
    """Return 1 with raised-cosine ramps at both ends."""
    rise = 0.5 - 0.5 * np.cos(np.pi * (np.arange(ramp) + 0.5) / ramp)
    shape = np.ones(length)
    shape[:ramp], shape[length - ramp :] = rise, rise[::-1]
    return shape


def _in_turn(sounds: Sequence[NDArray[np.float64]], gap: int) -> NDArray[np.float64]:
    """Return sounds with silence between them, and as much before the first and after the last."""
    silence = np.zeros((gap, 2))
    return np.concatenate([silence, *(part for sound in sounds for part in (sound, silence))])
