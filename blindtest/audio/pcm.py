"""Samples as whole numbers: dither, quantising, and a WAV file that holds nothing but samples.

`wav_bytes` writes the 44-byte header of a plain PCM file and then the samples: no other chunk, no date, no name of a
program, so that two files of equally many frames differ in their samples only.

The dither is triangular (TPDF), 2 steps wide from end to end: with it, the error's mean and variance no longer depend
on the signal (Lipshitz, Wanamaker and Vanderkooy 1992, Quantization and dither: a theoretical survey).
"""

import struct

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = ["noise_length", "quantised", "samples_to_frames", "wav_bytes", "wav_samples"]

BITS = 24
HEADER_LENGTH = 44
_NOISE_BYTES = 4  # two uniform numbers of 16 bits make one triangular one


def noise_length(frames: int, channels: int) -> int:
    """Return how many bytes of noise `quantised` takes for `frames` x `channels` samples."""
    return frames * channels * _NOISE_BYTES


def quantised(frames: ArrayLike, noise: bytes | ArrayLike, *, bits: int = BITS) -> NDArray[np.int32]:
    """Return the samples (n, channels) as integers of `bits` bits, dithered by `noise` and rounded.

    Parameters
    ----------
    frames : (n, channels) array_like, full scale = 1
    noise : bytes or (n, channels) array_like
        Uniform random bytes, `noise_length(n, channels)` of them, from which the triangular dither is made; or the
        dither itself, in steps.
    bits : int, 8 to 32

    Raises
    ------
    ValueError
        A sample would pass full scale: nothing is ever clipped.
    """
    samples = np.asarray(frames, dtype=np.float64)
    if samples.ndim != 2:
        raise ValueError(f"frames must be (n, channels), got shape {samples.shape}")
    if not 8 <= bits <= 32:
        raise ValueError(f"bits must be 8 to 32, got {bits}")
    scale = 2.0 ** (bits - 1)
    stepped = np.rint(samples * scale + _dither(noise, samples.shape))
    if samples.size and not (stepped.min() >= -scale and stepped.max() <= scale - 1.0):
        raise ValueError(f"samples reach {np.abs(samples).max():.6f} of full scale, more than {bits} bits hold")
    return stepped.astype(np.int32)


def _dither(noise: bytes | ArrayLike, shape: tuple[int, ...]) -> NDArray[np.float64]:
    if not isinstance(noise, bytes | bytearray | memoryview):
        given = np.asarray(noise, dtype=np.float64)
        if given.shape != shape:
            raise ValueError(f"dither must have the shape {shape}, got {given.shape}")
        return given
    expected = noise_length(shape[0], shape[1])
    if len(noise) != expected:
        raise ValueError(f"{shape} samples take {expected} bytes of noise, got {len(noise)}")
    pairs = np.frombuffer(noise, dtype="<u2").reshape(*shape, 2).astype(np.int32)
    steps: NDArray[np.float64] = (pairs[..., 0] - pairs[..., 1]) / 65536.0
    return steps


def samples_to_frames(samples: ArrayLike, *, bits: int = BITS) -> NDArray[np.float64]:
    """Return integer samples (n, channels) as float64 frames, full scale = 1; exact."""
    frames: NDArray[np.float64] = np.asarray(samples, dtype=np.float64) / 2.0 ** (bits - 1)
    return frames


def wav_bytes(samples: ArrayLike, rate: int) -> bytes:
    """Return a PCM WAV file of 24 bits: 44 bytes of header, then the samples, and nothing else.

    Parameters
    ----------
    samples : (n, channels) array_like of integers, -2^23 to 2^23 - 1
    rate : int, Hz

    Raises
    ------
    ValueError
        A value outside 24 bits, or more than the 4 GiB that the format's lengths can say.
    """
    whole = np.asarray(samples)
    if whole.ndim != 2 or whole.dtype.kind not in "iu":
        raise ValueError(f"samples must be (n, channels) integers, got {whole.dtype} of shape {whole.shape}")
    if whole.size and not (whole.min() >= -(2**23) and whole.max() < 2**23):
        raise ValueError(f"samples from {whole.min()} to {whole.max()} don't fit into 24 bits")
    count, channels = whole.shape
    length = count * channels * 3
    padding = length % 2  # a chunk of odd length is followed by a zero byte that its length leaves out
    if HEADER_LENGTH + length + padding >= 2**32:
        raise ValueError(f"{count} frames of {channels} channels are more than a WAV file holds")
    header = struct.pack(
        "<4sI4s4sIHHIIHH4sI",
        b"RIFF",
        HEADER_LENGTH - 8 + length + padding,
        b"WAVE",
        b"fmt ",
        16,
        1,  # PCM
        channels,
        rate,
        rate * channels * 3,
        channels * 3,
        BITS,
        b"data",
        length,
    )
    low_first = np.ascontiguousarray(whole, dtype="<i4").view(np.uint8).reshape(-1, 4)[:, :3]
    return b"".join((header, low_first.tobytes(), b"\0" * padding))


def wav_samples(data: bytes) -> tuple[NDArray[np.int32], int]:
    """Return the samples (n, channels) int32 and the rate in Hz of what `wav_bytes` wrote; exact.

    Raises
    ------
    ValueError
        Anything but a file of that plain form: `read_clip` reads the others.
    """
    if len(data) < HEADER_LENGTH:
        raise ValueError(f"{len(data)} bytes are less than the header of a WAV file")
    riff, _, wave, form, size, code, channels, rate, _, frame, bits, tag, length = struct.unpack(
        "<4sI4s4sIHHIIHH4sI", data[:HEADER_LENGTH]
    )
    plain = (riff, wave, form, size, code, bits, tag) == (b"RIFF", b"WAVE", b"fmt ", 16, 1, BITS, b"data")
    if not plain or channels < 1 or frame != channels * 3 or length % frame:
        raise ValueError("not a plain PCM WAV file of 24 bits")
    if len(data) != HEADER_LENGTH + length + length % 2:
        raise ValueError(f"the header says {length} bytes of samples, the file has {len(data) - HEADER_LENGTH}")
    wide = np.zeros((length // 3, 4), dtype=np.uint8)
    wide[:, 1:] = np.frombuffer(data, dtype=np.uint8, count=length, offset=HEADER_LENGTH).reshape(-1, 3)
    samples = (wide.view("<i4") >> 8).reshape(-1, channels)
    return samples.astype(np.int32, copy=False), int(rate)
