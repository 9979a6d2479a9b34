"""Devices of known second-order sections, and one that looks as the bench leaves it."""

import numpy as np
import pytest
from scipy.signal import freqz_sos

from blindtest.device import Response

RATE = 48_000


def peaking(hz, gain_db, q):
    """W3C Audio EQ Cookbook (Working Group Note 2021-06-08), peaking EQ: b0 b1 b2 a0 a1 a2."""
    amplitude = 10 ** (gain_db / 40)
    w0 = 2 * np.pi * hz / RATE
    alpha, cosine = np.sin(w0) / (2 * q), np.cos(w0)
    b = np.array([1 + alpha * amplitude, -2 * cosine, 1 - alpha * amplitude])
    a = np.array([1 + alpha / amplitude, -2 * cosine, 1 - alpha / amplitude])
    return np.concatenate((b, a)) / a[0]


class Sections:
    """A device of peaking sections at 48 kHz: minimum phase, poles and zeros known."""

    def __init__(self, *parameters):
        self.sos = np.array([peaking(*one) for one in parameters])

    def transfer(self, frequency):
        """Complex response, by scipy's own evaluation of second-order sections."""
        return freqz_sos(self.sos, np.asarray(frequency), fs=RATE)[1]

    def level(self, frequency):
        return 20 * np.log10(np.abs(self.transfer(frequency)))

    def response(self, low=2.0, high=24_000.0, points=20_000):
        frequency = np.geomspace(low, high, points)
        return Response(frequency=frequency, magnitude=self.level(frequency)[:, None])


@pytest.fixture(scope="session")
def sections():
    """`sections((hz, gain_db, q), ...)`: a device of known second-order sections."""
    return Sections


@pytest.fixture(scope="session")
def flat():
    return Response(frequency=np.array([2.0, 24_000.0]), magnitude=np.zeros((2, 1)))


@pytest.fixture(scope="session")
def messy():
    """An invented headphone as a sweep's transform leaves it: every 2.9 Hz, two ears, noise, ripple, leak, a notch."""
    rng = np.random.default_rng(20260412)
    frequency = np.arange(4, 6827) * (24_000 / 8192)
    s = 1j * frequency
    transfer = Sections((95, 5, 0.8), (210, -3, 1.2), (3000, 9, 1.4), (5600, -7, 3), (8300, 7, 5)).transfer(frequency)
    transfer = transfer / (1 + 28 / s) ** 2 * (1 + s / 14_000) ** -2  # a leak in the bass, a falling treble
    transfer = transfer * (1 - 0.94 / (1 + ((frequency - 6900) / 90) ** 2))  # a cancellation: 24 dB
    octaves = np.log2(frequency)
    ripple = 0.7 * np.sin(14 * np.pi * octaves + 1) + 0.5 * np.sin(34 * np.pi * octaves)
    level = 94 + 20 * np.log10(np.abs(transfer)) + ripple
    ears = [level + side + rng.normal(0, 0.4, len(level)) for side in (0.6, -0.6)]
    return Response(frequency=frequency, magnitude=np.stack(ears, axis=1), channels=("left", "right"))


@pytest.fixture(scope="session")
def house_target():
    """An invented target: more bass, a rise about 3 kHz, a falling treble."""
    frequency = [20, 60, 105, 200, 500, 1000, 2000, 3000, 4500, 6000, 8000, 10_000, 16_000, 20_000]
    level = [5, 4.8, 3, 0.6, 0, 0, 3, 7, 5, 3, 1, -1, -5, -8]
    return Response(frequency=np.array(frequency, dtype=float), magnitude=np.array(level, dtype=float)[:, None])
