"""What a patched chain, output to input, makes of a sound: played against recorded, frame by frame.

Levels are powers of what came back, less the noise of the chain at rest, over powers of what was played: no phase
enters them. What came back is then predicted by the chain's own transfer function, and where a few milliseconds of it
are not there, that is a dropout; where the prediction passes the greatest value that came back, something was clipped.
"""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from blindtest.audio.loop_delay import cut, delay, delays, joined, line_of, other_rate, warped
from blindtest.audio.loop_noise import RestNoise
from blindtest.audio.loop_spectra import band_powers, cutoff, predicted, spectra
from blindtest.audio.loudness import integrated_loudness

__all__ = ["Looped", "looped"]

_Floats = NDArray[np.float64]
_BLOCK_S = 0.0025
"""Blocks in which dropouts are looked for: one of 10 ms holds three of them whole."""
_REFINEMENTS = 2
_SURELY = 0.9
"""So alike, channels are not exchanged."""
_FLAT = 5
"""So many samples at the greatest value are flat tops."""
ALIKE_DB = -6.0
"""More than this unexplained: what came back is something else."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Looped:
    """One sound that went through the chain and came back."""

    came_back: bool
    """False: nothing above the noise, and all else is empty."""
    lag: float = 0.0
    """Delay in samples, with a fraction; at the middle of the sound."""
    drift_ppm: float = 0.0
    """How fast the delay grows: by how much the recording's clock is faster than the playing one's."""
    jumps: int = 0
    """Places where the delay changes by a sample or more: frames were lost or put in."""
    gain_db: tuple[float | None, ...] = ()
    """Power recorded over power played, of each channel; None where nothing was played in it or nothing came."""
    loudness_change_lu: float | None = None
    """Integrated loudness (ITU-R BS.1770) recorded less played; None where it has no value."""
    played_bands: tuple[float, ...] = ()
    recorded_bands: tuple[float, ...] = ()
    noise_bands: tuple[float, ...] = ()
    """Powers of all channels in the third octaves of `BANDS_HZ`: played, recorded, of the noise at rest."""
    cutoff_hz: float | None = None
    """Above it hardly anything came back of what was played; None where there is no such place."""
    residual_db: float = 0.0
    """What a linear chain can't explain of what came back, re all of it: noise, distortion, faults."""
    dropouts: int = 0
    first_dropout_s: float | None = None
    clipped: int = 0
    """Samples at flat tops."""
    inverted: tuple[int, ...] = ()
    """Channels (from 1) whose polarity is turned."""
    swapped: bool = False
    """Whether left came back as right."""
    missing: tuple[int, ...] = ()
    """Channels (from 1) that did not come back though something was played in them."""
    ratio: float | None = None
    """Where it came back faster or slower: rate of playing over rate of recording, of common rates."""
    exact: bool = False
    """Whether it came back bit for bit (in 32-bit floating point)."""

    @property
    def alike(self) -> bool:
        """Whether what came back is what was played, as far as a chain can keep it."""
        return self.came_back and self.ratio is None and self.residual_db < ALIKE_DB


def looped(played: ArrayLike, recorded: ArrayLike, rate: int, *, noise: RestNoise) -> Looped:
    """Return what became of a sound on its way through the chain.

    Parameters
    ----------
    played : (n, channels) array_like, full scale 1
    recorded : (m, channels) array_like, m >= n; its first frame was recorded as the first of `played` was played. What
        it has more than n is the longest delay that can be found
    rate : Hz, of both
    noise : of the same chain at rest

    Raises
    ------
    ValueError
        Shapes that don't fit, or a sound too short: a tenth of a second is needed.
    """
    given, back = np.asarray(played, dtype=np.float64), np.asarray(recorded, dtype=np.float64)
    fits = given.ndim == back.ndim == 2 and given.shape[1] == back.shape[1] == len(noise.power)
    if not fits or len(back) < len(given):
        raise ValueError(f"played {given.shape} and recorded {back.shape} don't fit each other, or the noise")
    if len(given) < rate // 10:
        raise ValueError(f"a tenth of a second at least, got {len(given)} frames at {rate} Hz")
    rest = np.asarray(noise.power)
    back = back - back.mean(axis=0)
    if np.all(np.mean(back**2, axis=0) < np.maximum(2 * rest, 1e-12)):
        return Looped(came_back=False)
    longest = len(back) - len(given)
    whole = delay(given, back, 0, longest)
    swapped = False
    straight = _likeness(given, back, whole)
    if given.shape[1] == 2 and straight < _SURELY:
        turned = np.ascontiguousarray(given[:, ::-1])
        crossed = delay(turned, back, 0, longest)
        if _likeness(turned, back, crossed) > 1.2 * straight:
            swapped, given, whole = True, turned, crossed
    lags, places = delays(given, back, rate, round(whole))
    slope, jumps = line_of(lags, places)
    slope, bent = _refined(given, back, rate, lags, places, slope)
    if len(lags):
        # Of a sound whose delay jumps it is the one at the beginning.
        flat = lags - slope * (places - len(given) / 2)
        whole = float(flat[0] if jumps else np.median(flat))
    here = joined(back, lags, places, slope, len(given)) if jumps else cut(back, round(whole), len(given))
    unchanged = cut(np.asarray(recorded, dtype=np.float64), round(whole), len(given))
    exact = not swapped and bool(np.array_equal(given.astype(np.float32), unchanged.astype(np.float32)))
    found = _compared(
        bent, here, rate, rest, lag=whole, drift_ppm=1e6 * slope, jumps=jumps, swapped=swapped, exact=exact
    )
    # Of something else nothing more is to be told than whether it is the same at another speed.
    if found.alike:
        return found
    return replace(found, ratio=other_rate(given, back, rate), cutoff_hz=None, swapped=False, inverted=(), clipped=0)


def _refined(
    given: _Floats, back: _Floats, rate: int, lags: _Floats, places: _Floats, slope: float
) -> tuple[float, _Floats]:
    """Return the slope of the delays, told again from a sound that was bent by it already, and the sound so bent."""
    if slope == 0.0 or not len(lags):
        return slope, given
    middle = float(np.median(lags - slope * (places - len(given) / 2)))
    for _ in range(_REFINEMENTS):
        bent = warped(given, slope)
        more, where = delays(bent, back, rate, round(middle))
        slope += line_of(more, where)[0]
    return slope, warped(given, slope)


def _likeness(given: _Floats, back: _Floats, lag: float) -> float:
    here = cut(back, round(lag), len(given))
    norm = float(np.sqrt(np.sum(given**2) * np.sum(here**2)))
    return float(np.sum(np.abs(np.sum(given * here, axis=0)))) / norm if norm > 0 else 0.0


def _compared(
    given: _Floats,
    back: _Floats,
    rate: int,
    rest: _Floats,
    *,
    lag: float,
    drift_ppm: float,
    jumps: int,
    swapped: bool,
    exact: bool,
) -> Looped:
    """Return what two sounds that lie one under the other tell: (n, channels) each; rest: (channels,) noise power."""
    put_in, came = np.sum(given**2, axis=0), np.maximum(np.sum(back**2, axis=0) - len(back) * rest, 0.0)
    there = put_in > 1e-8 * put_in.max()
    missing = there & (came < 1e-4 * (came[there].sum() / put_in[there].sum()) * put_in)
    found = spectra(given, back, rate)
    expected = predicted(given, found)
    residual = back - expected
    unexplained = float(np.sum(residual**2) / np.sum(back**2))
    dropouts, first = _dropouts(expected, residual, rate, rest)
    inner = np.sum(given * back, axis=0)
    played_bands, recorded_bands, noise_bands = band_powers(found, rest)
    return Looped(
        came_back=True,
        lag=lag,
        drift_ppm=drift_ppm,
        jumps=jumps,
        gain_db=tuple(
            float(10 * np.log10(came[c] / put_in[c])) if there[c] and not missing[c] and came[c] > 0 else None
            for c in range(len(there))
        ),
        loudness_change_lu=_loudness_change(given, back, rate),
        played_bands=tuple(map(float, played_bands)),
        recorded_bands=tuple(map(float, recorded_bands)),
        noise_bands=tuple(map(float, noise_bands)),
        cutoff_hz=cutoff(found, rest),
        residual_db=float(10 * np.log10(unexplained)) if unexplained > 0 else -np.inf,
        dropouts=dropouts,
        first_dropout_s=first,
        clipped=_clipped(back, expected),
        inverted=tuple(int(c) + 1 for c in np.flatnonzero(there & ~missing & (inner < -0.3 * np.sqrt(put_in * came)))),
        swapped=swapped,
        missing=tuple(int(c) + 1 for c in np.flatnonzero(missing)),
        exact=exact,
    )


def _loudness_change(given: _Floats, back: _Floats, rate: int) -> float | None:
    before, after = integrated_loudness(given, rate), integrated_loudness(back, rate)
    return float(after - before) if np.isfinite(before) and np.isfinite(after) else None


def _dropouts(expected: _Floats, residual: _Floats, rate: int, rest: _Floats) -> tuple[int, float | None]:
    """Return in how many places blocks of what was expected are not there, and when the first begins, in s.

    Only blocks are judged that stand above the noise by 20 dB and are less than 40 dB below the sound's mean.
    """
    size = max(1, round(_BLOCK_S * rate))
    count = len(expected) // size
    powers = [
        np.mean(sound[: count * size].reshape(count, size, -1) ** 2, axis=1).sum(axis=1)
        for sound in (expected, residual)
    ]
    loud = powers[0] > max(100 * float(rest.sum()), 1e-4 * float(np.mean(powers[0])))
    gone = loud & (powers[1] > 0.5 * powers[0])
    # Blocks too soft to be judged don't part a dropout in two; what lies within 20 ms is one.
    at = np.flatnonzero(gone)
    if not len(at):
        return 0, None
    return 1 + int(np.count_nonzero(np.diff(at) * size > 0.02 * rate)), float(at[0] * size / rate)


def _clipped(back: _Floats, expected: _Floats) -> int:
    """Return how many samples lie at the greatest value that came back where more was expected; few are chance."""
    total = 0
    for channel, wanted in zip(back.T, expected.T, strict=True):
        top = float(np.max(np.abs(channel)))
        total += int(np.count_nonzero((np.abs(channel) >= top * (1 - 3e-4)) & (np.abs(wanted) > 1.02 * top)))
    return total if total >= _FLAT else 0
