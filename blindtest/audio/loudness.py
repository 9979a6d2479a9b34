"""How loud, and how high: ITU-R BS.1770-5 loudness and true peak, EBU Tech 3342 loudness range, plain levels.

Frames are (n, channels) float64, full scale = 1. Unless `weights` say otherwise, columns mean: one, a single front
channel; two, left and right; three, L R C; five, L R C Ls Rs; six, L R C LFE Ls Rs (the order of a WAV file). A mono
clip counts as *one* channel, as the standard says: the same samples played to both ears are 3.01 LU louder. What a
file says of its channels is read by `channel_places`; `place_weights` makes weights of it.

Loudness is in LUFS (the same as LKFS). Silence is -inf, not an error, and so is what has no value at all.

The K-weighting is computed for every sample rate from the analogue parameters behind the standard's 48 kHz table,
with the numerator of the high-pass scaled so that the response at 48 kHz is kept at every rate (within 0.008 dB from
44.1 to 192 kHz, 20 Hz to 20 kHz; without that factor the error is 0.04 dB at 192 kHz).
"""

import math
from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import ArrayLike, NDArray

__all__ = [
    "WEIGHTED_CHANNELS",
    "a_weighted_level",
    "integrated_loudness",
    "k_weighting",
    "loudness_range",
    "momentary_loudness",
    "place_weights",
    "rms_level",
    "short_term_loudness",
]

ABSOLUTE_GATE = -70.0
"""LUFS; ITU-R BS.1770-5, annex 1, and EBU Tech 3342."""
RELATIVE_GATE = -10.0
"""LU under the loudness of what passed the absolute gate; ITU-R BS.1770-5, annex 1."""
RANGE_GATE = -20.0
"""LU, the relative gate of the loudness range; EBU Tech 3342."""
RANGE_PERCENTILES = (0.10, 0.95)
"""EBU Tech 3342."""
HOPS_PER_SECOND = 10
"""Gating blocks of 400 ms overlap by 75 %: a new one starts every 100 ms; ITU-R BS.1770-5, annex 1."""
MOMENTARY_HOPS = 4
"""400 ms, the gating block and the momentary window; EBU Tech 3341."""
SHORT_TERM_HOPS = 30
"""3 s; EBU Tech 3341."""

_OFFSET = -0.691  # ITU-R BS.1770-5, annex 1: K-weighting has 0.691 dB at 997 Hz
_SURROUND = 1.41  # ITU-R BS.1770-5, annex 1, table 3: 60 to 120 degrees of azimuth
_CHANNEL_WEIGHTS = {
    1: (1.0,),
    2: (1.0, 1.0),
    3: (1.0, 1.0, 1.0),
    5: (1.0, 1.0, 1.0, _SURROUND, _SURROUND),
    6: (1.0, 1.0, 1.0, 0.0, _SURROUND, _SURROUND),
}
WEIGHTED_CHANNELS = tuple(_CHANNEL_WEIGHTS)
"""How many there may be, as above: of others the standard gives no weights without their places."""
CHUNK_HOPS = 10  # 1 s at a time through the filter stays in a processor's cache and bounds the memory


def k_weighting(rate: float) -> NDArray[np.float64]:
    """Return the K-weighting filter at `rate` Hz as second-order sections (2, 6): b0 b1 b2 1 a1 a2.

    Source: the tables of ITU-R BS.1770-5, annex 1, hold at 48 kHz and are met to 1e-14; other rates by the bilinear
    transform of the same analogue filters, the high-pass scaled by a0(48 kHz)/a0(rate).
    """
    if not rate >= 4000:
        raise ValueError(f"K-weighting needs a rate of at least 4000 Hz, got {rate}")
    k, q = math.tan(math.pi * 1681.974450955533 / rate), 0.7071752369554196
    high = 10.0 ** (3.999843853973347 / 20.0)
    band = high**0.4996667741545416
    a0 = 1.0 + k / q + k * k
    shelf = [
        (high + band * k / q + k * k) / a0,
        2.0 * (k * k - high) / a0,
        (high - band * k / q + k * k) / a0,
        1.0,
        2.0 * (k * k - 1.0) / a0,
        (1.0 - k / q + k * k) / a0,
    ]
    k, q = math.tan(math.pi * 38.13547087602444 / rate), 0.5003270373238773
    k48 = math.tan(math.pi * 38.13547087602444 / 48_000.0)
    a0 = 1.0 + k / q + k * k
    g = (1.0 + k48 / q + k48 * k48) / a0
    high_pass = [g, -2.0 * g, g, 1.0, 2.0 * (k * k - 1.0) / a0, (1.0 - k / q + k * k) / a0]
    return np.array([shelf, high_pass])


def k_weighting_response(frequency: ArrayLike, rate: float) -> NDArray[np.complex128]:
    """Return the complex response of the K-weighting filter of `rate` Hz at each `frequency` in Hz, its shape."""
    delay = np.exp(-2j * np.pi / rate * np.asarray(frequency, dtype=np.float64))
    response: NDArray[np.complex128] = np.ones_like(delay)
    for b0, b1, b2, a0, a1, a2 in k_weighting(rate):
        response *= (b0 + delay * (b1 + delay * b2)) / (a0 + delay * (a1 + delay * a2))
    return response


def integrated_loudness(
    frames: ArrayLike, rate: int, *, full_scale: float = 1.0, weights: ArrayLike | None = None
) -> float:
    """Return the gated loudness of a whole programme in LUFS.

    -inf where there is no value: silence, nothing above the absolute gate of -70 LUFS, or fewer frames than one
    gating block of 400 ms. A last block that is not whole is dropped. Source: ITU-R BS.1770-5, annex 1.

    Parameters
    ----------
    frames : (n, channels) array_like, full scale = 1
        1, 2, 3, 5 or 6 columns (see the module), any number with `weights`; finite.
    rate : int, Hz
    full_scale : float
        The value of full scale: 2^23 for the whole numbers of a file of 24 bits.
    weights : (channels,) array_like
        What each channel's energy counts; by the number of columns if left out.
    """
    return _gated(_block_powers(frames, rate, MOMENTARY_HOPS, weights) / full_scale**2)


def gated_loudness(energy: NDArray[np.float64], edges: NDArray[np.int64]) -> float:
    """Return the integrated loudness, LUFS, of K-weighted energies (hops,) between successive `edges` in frames.

    The energies are summed over channels by their weights. -inf as from `integrated_loudness`.
    """
    return _gated(_powers(energy, edges, MOMENTARY_HOPS))


def _gated(power: NDArray[np.float64]) -> float:
    power = power[power > _power_of(ABSOLUTE_GATE)]
    if len(power) == 0:
        return -math.inf
    power = power[power > np.mean(power) * 10.0 ** (RELATIVE_GATE / 10.0)]
    return float(loudness_of(np.mean(power)))


def momentary_loudness(frames: ArrayLike, rate: int) -> NDArray[np.float64]:
    """Return the ungated loudness (blocks,) LUFS of every 400 ms, one each 100 ms; block i begins at i/10 s.

    Empty for fewer frames than one block; -inf where a block is silent. Source: EBU Tech 3341, which asks a meter for a
    new value at least 10 times a second: that is this step. The highest of them may be lower than `loudest_momentary`:
    of a lone sound that begins between two blocks, by 10 lg(400/350) = 0.58 dB.
    """
    return loudness_of(_block_powers(frames, rate, MOMENTARY_HOPS))


def short_term_loudness(frames: ArrayLike, rate: int) -> NDArray[np.float64]:
    """Return the ungated loudness (blocks,) LUFS of every 3 s, one each 100 ms; block i begins at i/10 s.

    Empty for fewer frames than one block; -inf where a block is silent. Source: EBU Tech 3341.
    """
    return loudness_of(_block_powers(frames, rate, SHORT_TERM_HOPS))


def loudness_range(frames: ArrayLike, rate: int, *, weights: ArrayLike | None = None) -> float:
    """Return the loudness range in LU: the spread of short-term loudness, windows of 3 s every 0.1 s.

    nan where there is no value: under 3 s, or nothing above -70 LUFS. EBU advises against using it for programmes
    under a minute. Source: EBU Tech 3342 (gates at -70 LUFS and 20 LU under the mean, 95th minus 10th percentile).
    `weights` are those of `integrated_loudness`.
    """
    power = _block_powers(frames, rate, SHORT_TERM_HOPS, weights)
    power = power[power > _power_of(ABSOLUTE_GATE)]
    if len(power) == 0:
        return math.nan
    power = np.sort(power[power > np.mean(power) * 10.0 ** (RANGE_GATE / 10.0)])
    # The percentile is the nearest value, not an interpolated one, as in the code printed in Tech 3342.
    low, high = (power[int(q * (len(power) - 1) + 0.5)] for q in RANGE_PERCENTILES)
    return float(loudness_of(high) - loudness_of(low))


def rms_level(frames: ArrayLike) -> float:
    """Return the RMS level in dB over all samples of all channels of (n, channels); 0 dB is an RMS of 1.

    So a sine that peaks at full scale reads -3.01 dB. Silence, or no frames, is -inf.
    """
    samples = framed(frames)
    return level_of(float(np.mean(np.square(samples)))) if samples.size else -math.inf


def a_weighted_level(frames: ArrayLike, rate: int) -> float:
    """Return the A-weighted RMS level in dB over all channels; 0 dB is an RMS of 1 at 1 kHz.

    The weighting is applied exactly, in the frequency domain, from the analogue poles (IEC 61672-1:2013, annex E,
    formula E.6 and the pole frequencies of E.4.1); the whole clip is held in memory. Silence, or no frames, is -inf.
    """
    samples = framed(frames)
    if samples.size == 0:
        return -math.inf
    from scipy.fft import next_fast_len

    length = next_fast_len(len(samples) + rate // 4, real=True)  # silence behind, for the filter's tail
    weight = a_weighting(np.arange(length // 2 + 1) * (rate / length)) ** 2
    weight[1 : (length + 1) // 2] *= 2.0  # each bin but 0 Hz and half the rate stands for two
    energy = 0.0
    for channel in range(samples.shape[1]):
        spectrum = np.fft.rfft(samples[:, channel], length)
        # Not by the linear algebra library: it shares so long a product out among threads, which wait in busy loops.
        for part in (spectrum.real, spectrum.imag):
            energy += float(np.einsum("f,f,f->", weight, part, part))
    return level_of(energy / length / samples.size)


def framed(frames: ArrayLike) -> NDArray[np.float64]:
    """Return frames as (n, channels) float64; ValueError where they have another shape."""
    samples = np.asarray(frames, dtype=np.float64)
    if samples.ndim != 2:
        raise ValueError(f"frames must be (n, channels), got shape {samples.shape}")
    return samples


def channel_weights(channels: int) -> NDArray[np.float64]:
    """Return what each channel's energy counts (channels,); ITU-R BS.1770-5, annex 1, table 3."""
    if channels not in _CHANNEL_WEIGHTS:
        raise ValueError(f"loudness is defined here for 1, 2, 3, 5 or 6 columns, got {channels}")
    return np.array(_CHANNEL_WEIGHTS[channels])


def place_weights(places: Sequence[str]) -> NDArray[np.float64]:
    """Return what the energy of channels at `places` counts (channels,); ITU-R BS.1770-5, annexes 1 and 3.

    LFE counts nothing, 60 to 120 degrees of azimuth count 1.41, all else 1. A mask has no azimuths: Ls and Rs are at
    the side (90 degrees); Lb and Rb are the surrounds of ITU-R BS.775 (100 to 120 degrees) where the file has none at
    the side, and else behind them (135 degrees, ITU-R BS.2051, system I).
    """
    beside = ("Ls", "Rs") if {"Ls", "Rs"} & set(places) else ("Lb", "Rb")
    return np.array([0.0 if place == "LFE" else _SURROUND if place in beside else 1.0 for place in places])


def weights_for(channels: int, weights: ArrayLike | None) -> NDArray[np.float64]:
    """Return `weights` (channels,), or those of so many columns where they are None."""
    if weights is None:
        return channel_weights(channels)
    own = np.asarray(weights, dtype=np.float64)
    if own.shape != (channels,) or not np.all(own >= 0.0):
        raise ValueError(f"need a weight of 0 or more for each of {channels} channels, got {own.tolist()}")
    return own


def hop_edges(count: int, rate: int) -> NDArray[np.int64]:
    """Return where the whole hops of 100 ms in `count` frames begin, and where the last one ends (hops + 1,)."""
    # Where the rate is no multiple of 10 Hz a hop is not a whole number of frames: hops then begin at the nearest.
    hops = count * HOPS_PER_SECOND // rate
    # The last of them is no later than `count`: what is a whole number already is no less than what was rounded to it.
    edges: NDArray[np.int64] = (np.arange(hops + 1) * rate + HOPS_PER_SECOND // 2) // HOPS_PER_SECOND
    return edges


def _block_powers(frames: ArrayLike, rate: int, hops: int, weights: ArrayLike | None = None) -> NDArray[np.float64]:
    """Return the channel-weighted mean square (blocks,) of every whole block of `hops` hops after K-weighting."""
    samples = np.asarray(frames)
    if samples.dtype != np.int32:  # whole numbers are made float64 where they are needed, a second at a time
        samples = framed(samples)
    counted = weights_for(samples.shape[1], weights)
    if not rate > 0:
        raise ValueError(f"the rate must be positive, got {rate}")
    edges = hop_edges(len(samples), rate)
    if len(edges) - 1 < hops:
        return np.empty(0)
    energies = _hop_energies(samples, edges, rate) @ counted
    if not np.all(np.isfinite(energies)):
        raise ValueError("frames must be finite")
    return _powers(energies, edges, hops)


def _powers(energy: NDArray[np.float64], edges: NDArray[np.int64], hops: int) -> NDArray[np.float64]:
    """Return the mean square (blocks,) of every block of `hops` hops, one starting with each hop."""
    if len(energy) < hops:
        return np.empty(0)
    powers: NDArray[np.float64] = sliding_window_view(energy, hops).sum(axis=-1) / (edges[hops:] - edges[:-hops])
    return powers


def _hop_energies(samples: NDArray[np.generic], edges: NDArray[np.int64], rate: int) -> NDArray[np.float64]:
    """Return the K-weighted sums of squares (hops, channels) between successive `edges` (frames)."""
    hops = Hops(rate, samples.shape[1])
    energies = [
        hops.next(samples[inside[0] : inside[-1]], inside)
        for first in range(0, len(edges) - 1, CHUNK_HOPS)
        if len(inside := edges[first : first + CHUNK_HOPS + 1])
    ]
    return np.concatenate(energies) if energies else np.zeros((0, samples.shape[1]))


class Hops:
    """K-weighted energies of hops, a chunk of them at a time; knows what came before."""

    def __init__(self, rate: int, channels: int) -> None:
        self._sections = k_weighting(rate)
        self._channels = channels
        self._kind: Any = np.complex128 if channels > 1 else np.float64
        # Two channels go through the filter as the real and the imaginary part of one: its coefficients are real, so
        # that they don't mix, and while one waits for its last value the processor works on the other.
        self._pairs = -(-channels // 2)
        self._state = np.zeros((len(self._sections), self._pairs, 2), dtype=self._kind)

    def next(self, chunk: NDArray[np.generic], inside: NDArray[np.int64]) -> NDArray[np.float64]:
        """Return the sums of squares (hops, channels) of `chunk` (n, channels) between successive `inside` (frames)."""
        energies = np.zeros((len(inside) - 1, 2 * self._pairs))
        for part, place in self._parts(chunk):
            energies[:, place::2] = np.add.reduceat(np.square(part), inside[:-1] - inside[0], axis=-1).T
        return energies[:, : self._channels]

    def squares(self, chunk: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the squares (n, channels) of `chunk` (n, channels), K-weighted."""
        squares = np.zeros((len(chunk), 2 * self._pairs))
        for part, place in self._parts(chunk):
            squares[:, place::2] = np.square(part).T
        return squares[:, : self._channels]

    def _parts(self, chunk: NDArray[np.generic]) -> Sequence[tuple[NDArray[np.float64], int]]:
        """Return `chunk` (n, channels), K-weighted: the first channel of each pair (pairs, n), and the second."""
        from scipy.signal import sosfilt

        paired = np.zeros((self._pairs, len(chunk)), dtype=self._kind)
        paired.real = chunk.T[0::2]
        if self._channels > 1:
            paired.imag[: self._channels // 2] = chunk.T[1::2]
        weighted, self._state = sosfilt(self._sections, paired, axis=-1, zi=self._state)
        return ((weighted.real, 0), (weighted.imag, 1)) if self._channels > 1 else ((weighted.real, 0),)


def loudness_of(power: ArrayLike) -> NDArray[np.float64]:
    with np.errstate(divide="ignore"):
        loudness: NDArray[np.float64] = _OFFSET + 10.0 * np.log10(power)
    return loudness


def _power_of(loudness: float) -> float:
    return float(10.0 ** ((loudness - _OFFSET) / 10.0))


def level_of(mean_square: float) -> float:
    """Return a mean square in dB; -inf for zero."""
    return 10.0 * math.log10(mean_square) if mean_square > 0.0 else -math.inf


def a_weighting(frequency: ArrayLike) -> NDArray[np.float64]:
    """Return the A-weighting as an amplitude ratio, 1 at 1 kHz."""

    def unscaled(f: NDArray[np.float64]) -> NDArray[np.float64]:
        square = f * f
        f1, f2, f3, f4 = (pole**2 for pole in (20.598997, 107.65265, 737.86223, 12194.217))
        ratio: NDArray[np.float64] = (
            f4 * square**2 / ((square + f1) * np.sqrt((square + f2) * (square + f3)) * (square + f4))
        )
        return ratio

    return unscaled(np.asarray(frequency, dtype=np.float64)) / unscaled(np.array(1000.0))
