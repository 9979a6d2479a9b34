"""Samples as whole numbers: dither, quantising, and a WAV file that holds nothing but samples.

`wav_bytes` writes the 44-byte header of a plain PCM file and then the samples: no other chunk, no date, no name of a
program, so that two files of equally many frames differ in their samples only.

The dither is triangular (TPDF), 2 steps wide from end to end: with it, the error's mean and variance no longer depend
on the signal (Lipshitz, Wanamaker and Vanderkooy 1992, Quantization and dither: a theoretical survey).
"""

import struct
from typing import Any, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = ["noise_length", "quantised", "samples_to_frames", "triangular_dither", "wav_bytes", "wav_samples"]

BITS = 24
HEADER_LENGTH = 44
_CHUNK = 8192
_NOISE_BYTES = 4  # two uniform numbers of 16 bits make one triangular one


def noise_length(frames: int, channels: int) -> int:
    """Return how many bytes of noise `quantised` takes for `frames` x `channels` samples."""
    return frames * channels * _NOISE_BYTES


def triangular_dither(noise: bytes, shape: tuple[int, int]) -> NDArray[np.float64]:
    """Return dither (n, channels) in steps, more than -1 and less than 1, made of `noise`: uniform random bytes.

    Raises
    ------
    ValueError
        Not as many bytes as `noise_length` says.
    """
    expected = noise_length(*shape)
    if len(noise) != expected:
        raise ValueError(f"{shape} samples take {expected} bytes of noise, got {len(noise)}")
    pairs = np.frombuffer(noise, dtype="<u4")  # the first of two uniforms in the lower half
    steps = np.empty(len(pairs))
    for start in range(0, len(pairs), 2 * _CHUNK):
        part = pairs[start : start + 2 * _CHUNK]
        steps[start : start + 2 * _CHUNK] = (part & 0xFFFF).astype(np.int32) - (part >> 16).astype(np.int32)
    steps /= 65536.0
    return steps.reshape(shape)


def quantised(frames: ArrayLike, noise: bytes | ArrayLike, *, bits: int = BITS, gain: float = 1.0) -> NDArray[np.int32]:
    """Return the samples (n, channels) times `gain` as integers of `bits` bits, dithered by `noise` and rounded.

    Parameters
    ----------
    frames : (n, channels) array_like, full scale = 1
    noise : bytes or (n, channels) array_like
        Uniform random bytes, `noise_length(n, channels)` of them, from which the triangular dither is made; or the
        dither itself, in steps.
    bits : int, 8 to 32
    gain : float
        Amplitude ratio.

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
    dither = _dither(noise, samples.shape)
    scale = 2.0 ** (bits - 1)
    # As they lie in memory, frame by frame or channel by channel, and what is in the works in the processor's cache.
    order: Literal["C", "F"] = "F" if samples.flags.f_contiguous or samples.strides[0] < samples.strides[1] else "C"
    result = np.empty(samples.shape, dtype=np.int32, order=order)
    room = np.empty((min(_CHUNK, len(samples)), samples.shape[1]), order=order)
    for start in range(0, len(samples), _CHUNK):
        part = slice(start, start + _CHUNK)
        stepped = room[: len(samples[part])]
        np.multiply(samples[part], gain * scale, out=stepped)
        stepped += dither[part]
        np.rint(stepped, out=stepped)
        if stepped.size and not (stepped.min() >= -scale and stepped.max() <= scale - 1.0):
            reached = np.abs(samples).max() * abs(gain)
            raise ValueError(f"samples reach {reached:.6f} of full scale, more than {bits} bits hold")
        result[part] = stepped
    return result


def _dither(noise: bytes | ArrayLike, shape: tuple[int, int]) -> NDArray[np.float64]:
    if isinstance(noise, bytes | bytearray | memoryview):
        return triangular_dither(bytes(noise), shape)
    given = np.asarray(noise, dtype=np.float64)
    if given.shape != shape:
        raise ValueError(f"dither must have the shape {shape}, got {given.shape}")
    return given


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
    header, length = wav_header(count, channels, rate), count * channels * 3
    file = np.zeros(HEADER_LENGTH + length + length % 2, dtype=np.uint8)  # in one piece: each copy is megabytes
    file[:HEADER_LENGTH] = np.frombuffer(header, dtype=np.uint8)
    sample_places(whole, file[HEADER_LENGTH : HEADER_LENGTH + length].reshape(count, channels, 3))
    return file.tobytes()


def wav_header(count: int, channels: int, rate: int) -> bytes:
    """Return the 44 bytes ahead of `count` frames of 24 bits.

    Raises
    ------
    ValueError
        More than the 4 GiB that the format's lengths can say.
    """
    length = count * channels * 3
    padding = length % 2  # a chunk of odd length is followed by a zero byte that its length leaves out
    if HEADER_LENGTH + length + padding >= 2**32:
        raise ValueError(f"{count} frames of {channels} channels are more than a WAV file holds")
    return struct.pack(
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


def sample_data(samples: NDArray[np.integer[Any]]) -> bytes:
    """Return samples (n, channels) of at most 24 bits as they lie in a WAV file, three bytes each."""
    return sample_places(samples, np.empty((*samples.shape, 3), dtype=np.uint8)).tobytes()


def sample_places(samples: NDArray[np.integer[Any]], places: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """Write samples (n, channels) of at most 24 bits into `places` (n, channels, 3) as they lie in a WAV file."""
    for channel in range(samples.shape[1]):
        low_first = np.ascontiguousarray(samples[:, channel], dtype="<i4").view(np.uint8).reshape(-1, 4)
        for byte in range(3):  # one place at a time: six times as fast as three bytes at a time
            places[:, channel, byte] = low_first[:, byte]
    return places


def data_samples(data: bytes, channels: int) -> NDArray[np.int32]:
    """Return the samples (n, channels) of what `sample_data` returned; exact."""
    count = len(data) // 3
    shifted = np.zeros(1 + 3 * count, dtype=np.uint8)
    shifted[1:] = np.frombuffer(data, dtype=np.uint8, count=3 * count)
    # Four bytes from the one ahead of each sample on: what is read with it lies lowest, and is shifted out.
    wide = np.ndarray(count, dtype="<i4", buffer=shifted, strides=(3,))
    samples = (wide >> 8).reshape(-1, channels)
    return samples.astype(np.int32, copy=False)


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
    return data_samples(data[HEADER_LENGTH : HEADER_LENGTH + length], channels), int(rate)
