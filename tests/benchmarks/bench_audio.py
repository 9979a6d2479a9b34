"""Figures of the audio room: filtering, loudness and true peak held against other people's code.

    python tests/benchmarks/bench_audio.py [--rounds 7] [--seconds 60]

Every figure is a ratio of two times taken in the same run, one thread, contenders alternating; the best time of each
is used (the medians' ratio is printed beside it). References: scipy's oaconvolve, called once per condition;
libebur128 (integrated loudness and true peak) through ctypes; pyloudnorm (integrated loudness). Exit code 1 if a
figure that was measured misses its goal.
"""

import argparse
import ctypes
import ctypes.util
import os
import statistics
import sys
import time
from collections.abc import Callable

os.environ["OMP_NUM_THREADS"] = "1"  # read by numpy's libraries when they are loaded
os.environ["OPENBLAS_NUM_THREADS"] = "1"
os.environ["MKL_NUM_THREADS"] = "1"

import numpy as np
from numpy.typing import NDArray
from scipy.signal import oaconvolve

from blindtest.audio import apply_firs, integrated_loudness, true_peak

RATE = 48_000
TAPS = 16_384
DEVICES = 6

Frames = NDArray[np.float64]


def programme(seconds: float) -> Frames:
    """Return stereo pink noise with a 4 Hz beat, peak 0.9: full-band, so a hard case for a true-peak meter."""
    rng = np.random.default_rng(20260101)
    count = int(seconds * RATE)
    spectrum = np.fft.rfft(rng.standard_normal((count, 2)), axis=0)
    spectrum /= np.sqrt(np.maximum(1.0, np.arange(len(spectrum))))[:, None]
    frames = np.fft.irfft(spectrum, count, axis=0)
    frames *= (0.6 + 0.4 * np.cos(2 * np.pi * 4 * np.arange(count) / RATE))[:, None]
    return np.ascontiguousarray(frames * (0.9 / np.abs(frames).max()))


def filters() -> list[Frames]:
    """Return six decaying noises of 16384 taps."""
    rng = np.random.default_rng(20260102)
    return [rng.standard_normal(TAPS) * np.exp(-np.arange(TAPS) / 600.0) for _ in range(DEVICES)]


def alternating(
    ours: Callable[[], object], theirs: Callable[[], object], rounds: int
) -> tuple[list[float], list[float]]:
    """Return the times of both in s, one call of each before the clock starts."""
    times: tuple[list[float], list[float]] = ([], [])
    for turn in range(rounds + 1):
        for call, taken in zip((ours, theirs), times, strict=True):
            began = time.perf_counter()
            call()
            if turn:
                taken.append(time.perf_counter() - began)
    return times


def libebur128() -> ctypes.CDLL | None:
    """Return the library, or None where it isn't installed."""
    for name in ("libebur128.so.1", ctypes.util.find_library("ebur128")):
        if name:
            try:
                library = ctypes.CDLL(name)
            except OSError:
                continue
            library.ebur128_init.restype = ctypes.c_void_p
            library.ebur128_init.argtypes = [ctypes.c_uint, ctypes.c_ulong, ctypes.c_int]
            library.ebur128_add_frames_double.argtypes = [ctypes.c_void_p, ctypes.c_void_p, ctypes.c_size_t]
            library.ebur128_loudness_global.argtypes = [ctypes.c_void_p, ctypes.POINTER(ctypes.c_double)]
            library.ebur128_true_peak.argtypes = [ctypes.c_void_p, ctypes.c_uint, ctypes.POINTER(ctypes.c_double)]
            library.ebur128_destroy.argtypes = [ctypes.POINTER(ctypes.c_void_p)]
            return library
    return None


def measured_by(library: ctypes.CDLL, frames: Frames) -> tuple[float, float]:
    """Return integrated loudness and true peak (dB) by libebur128 (modes I and true peak, nothing else)."""
    integrated, true_peak_mode = 5, 49  # EBUR128_MODE_I and EBUR128_MODE_TRUE_PEAK of ebur128.h, version 1.2
    state = ctypes.c_void_p(library.ebur128_init(frames.shape[1], RATE, integrated | true_peak_mode))
    value = ctypes.c_double()
    library.ebur128_add_frames_double(state, frames.ctypes.data, len(frames))
    library.ebur128_loudness_global(state, ctypes.byref(value))
    loudness, highest = value.value, 0.0
    for channel in range(frames.shape[1]):
        library.ebur128_true_peak(state, channel, ctypes.byref(value))
        highest = max(highest, value.value)
    library.ebur128_destroy(ctypes.byref(state))
    return loudness, float(20 * np.log10(highest))


class Figures:
    """Prints one line a figure and remembers whether all goals were met."""

    def __init__(self) -> None:
        self.met = True

    def share(self, what: str, times: tuple[list[float], list[float]], goal: float) -> None:
        """Print our time as a share of theirs; the goal is an upper bound."""
        ours, theirs = times
        ratio, middle = min(ours) / min(theirs), statistics.median(ours) / statistics.median(theirs)
        self._say(what, ours, theirs, f"{ratio:.2f} of their time", f"{middle:.2f}", f"<= {goal}", ratio <= goal)

    def speed(self, what: str, times: tuple[list[float], list[float]], goal: float) -> None:
        """Print how many times as fast ours is; the goal is a lower bound."""
        ours, theirs = times
        ratio, middle = min(theirs) / min(ours), statistics.median(theirs) / statistics.median(ours)
        self._say(what, ours, theirs, f"{ratio:.2f} times as fast", f"{middle:.2f}", f">= {goal}", ratio >= goal)

    def _say(
        self, what: str, ours: list[float], theirs: list[float], ratio: str, middle: str, goal: str, met: bool
    ) -> None:
        self.met &= met
        print(
            f"{what}: {1e3 * min(ours):.0f} ms against {1e3 * min(theirs):.0f} ms, {ratio} (medians {middle}); "
            f"goal {goal}: {'met' if met else 'MISSED'}"
        )


def main() -> int:
    """Measure, print, and return the exit code."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--rounds", type=int, default=7)
    parser.add_argument("--seconds", type=float, default=60.0)
    options = parser.parse_args()
    frames, firs, figures = programme(options.seconds), filters(), Figures()
    print(f"{options.seconds:g} s stereo at {RATE} Hz, one thread, best of {options.rounds}, alternating")

    figures.share(
        f"apply_firs, {DEVICES} filters x {TAPS} taps, against oaconvolve per condition",
        alternating(
            lambda: apply_firs(frames, firs),
            lambda: [oaconvolve(frames, fir[:, None], axes=0)[: len(frames)] for fir in firs],
            options.rounds,
        ),
        0.4,
    )

    library = libebur128()
    if library is None:
        print("integrated loudness + true peak against libebur128: not measured: libebur128 missing")
    else:
        figures.speed(
            "integrated loudness + true peak against libebur128",
            alternating(
                lambda: (integrated_loudness(frames, RATE), true_peak(frames, RATE)),
                lambda: measured_by(library, frames),
                options.rounds,
            ),
            1.5,
        )
        ours = integrated_loudness(frames, RATE), true_peak(frames, RATE)
        theirs = measured_by(library, frames)
        print(
            f"  the values: {ours[0]:.4f} and {theirs[0]:.4f} LUFS, {ours[1]:.3f} and {theirs[1]:.3f} dBTP "
            "(theirs from a shorter interpolator)"
        )

    try:
        import pyloudnorm
    except ImportError:
        print("integrated loudness against pyloudnorm: not measured: pyloudnorm missing")
    else:
        meter = pyloudnorm.Meter(RATE)
        figures.speed(
            "integrated loudness against pyloudnorm",
            alternating(
                lambda: integrated_loudness(frames, RATE), lambda: meter.integrated_loudness(frames), options.rounds
            ),
            2.0,
        )
    return 0 if figures.met else 1


if __name__ == "__main__":
    sys.exit(main())
