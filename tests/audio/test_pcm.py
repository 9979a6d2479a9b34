"""Dither, whole numbers and the plain WAV file."""

import io
import struct

import numpy as np
import pytest
import soundfile
from hypothesis import given, settings
from hypothesis import strategies as st

from blindtest.audio import noise_length, quantised, samples_to_frames, triangular_dither, wav_bytes, wav_samples

small_files = st.tuples(
    st.integers(0, 2**32), st.integers(0, 50), st.integers(1, 6), st.sampled_from([8_000, 44_100, 192_000])
)


def _samples(seed: int, count: int, channels: int) -> np.ndarray:
    return np.random.default_rng(seed).integers(-(2**23), 2**23, (count, channels), dtype=np.int32)


@settings(deadline=None)
@given(small_files)
def test_what_is_written_is_read_back_exactly(file):
    seed, count, channels, rate = file
    samples = _samples(seed, count, channels)
    data = wav_bytes(samples, rate)
    again, its_rate = wav_samples(data)
    assert its_rate == rate
    assert again.dtype == np.int32
    assert np.array_equal(again, samples)


def test_another_reader_finds_the_same_samples():
    # libsndfile, through soundfile: 24-bit samples stand in the upper bytes of its 32-bit integers.
    samples = _samples(1, 1001, 1)
    data = wav_bytes(samples, 44_100)
    read, rate = soundfile.read(io.BytesIO(data), dtype="int32", always_2d=True)
    assert rate == 44_100
    assert np.array_equal(read >> 8, samples)
    assert soundfile.info(io.BytesIO(data)).subtype == "PCM_24"


def test_the_header_is_44_bytes_and_nothing_follows_the_samples():
    # Multimedia Programming Interface and Data Specifications 1.0 (IBM and Microsoft 1991): RIFF WAVE, fmt, data.
    data = wav_bytes(np.array([[1, -1]], dtype=np.int32), 48_000)
    assert data[:44] == struct.pack(
        "<4sI4s4sIHHIIHH4sI", b"RIFF", 42, b"WAVE", b"fmt ", 16, 1, 2, 48_000, 288_000, 6, 24, b"data", 6
    )
    assert data[44:] == b"\x01\x00\x00\xff\xff\xff"
    odd = wav_bytes(np.array([[5]], dtype=np.int32), 48_000)
    assert len(odd) == 48  # a chunk of odd length is padded
    assert struct.unpack("<I", odd[4:8])[0] == 40
    assert struct.unpack("<I", odd[40:44])[0] == 3


def test_files_of_equally_many_frames_differ_in_samples_only():
    loud, quiet = wav_bytes(_samples(1, 500, 2), 48_000), wav_bytes(_samples(2, 500, 2) // 4096, 48_000)
    assert len(loud) == len(quiet)
    assert loud[:44] == quiet[:44]


@pytest.mark.parametrize(
    ("samples", "message"),
    [
        (np.array([[2**23]]), "don't fit into 24 bits"),
        (np.array([[-(2**23) - 1]]), "don't fit into 24 bits"),
        (np.zeros((2, 2)), r"\(n, channels\) integers, got float64"),
        (np.zeros(3, dtype=int), r"of shape \(3,\)"),
        (np.broadcast_to(np.int32(0), (2**31, 2)), "more than a WAV file holds"),
    ],
)
def test_what_does_not_fit_is_refused(samples, message):
    with pytest.raises(ValueError, match=message):
        wav_bytes(samples, 48_000)


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (lambda d: d[:20], "20 bytes are less than the header"),
        (lambda d: b"RIFX" + d[4:], "not a plain PCM WAV file"),
        (lambda d: d[:34] + b"\x10" + d[35:], "not a plain PCM WAV file"),
        (lambda d: d[:22] + b"\0\0" + d[24:], "not a plain PCM WAV file"),
        (lambda d: d[:-6], "the header says 12 bytes of samples, the file has 6"),
        (lambda d: d + b"LIST", "the file has 16"),
    ],
)
def test_only_its_own_form_is_read_back(change, message):
    data = wav_bytes(np.array([[1, 2], [3, 4]]), 48_000)
    with pytest.raises(ValueError, match=message):
        wav_samples(change(data))


def test_without_dither_quantising_is_rounding():
    frames = np.array([[0.0, 1.0 - 2.0**-23], [-1.0, 2.6 * 2.0**-23]])
    samples = quantised(frames, np.zeros((2, 2)))
    assert samples.tolist() == [[0, 2**23 - 1], [-(2**23), 3]]
    assert samples_to_frames(samples).tolist() == [[0.0, 1.0 - 2.0**-23], [-1.0, 3 * 2.0**-23]]


def test_dither_is_the_difference_of_two_sixteen_bit_numbers_by_hand():
    # Little-endian pairs: (65535 - 0), (0 - 65535), (1 - 32768), 0; in 65536ths of a step. Stimuli are rendered again
    # from the same bytes, to the last bit.
    noise = bytes.fromhex("ffff00000000ffff0100008034123412")
    assert (triangular_dither(noise, (2, 2)) * 65536).tolist() == [[65535, -65535], [-32767, 0]]


def test_dither_is_triangular_two_steps_wide():
    noise = np.random.default_rng(8).bytes(noise_length(200_000, 2))
    samples = quantised(np.zeros((200_000, 2)), noise)
    # Rounded, a dithered zero is -1, 0 or +1 with chances 1/8, 3/4, 1/8; standard error 0.0005.
    counts = [np.mean(samples == value) for value in (-1, 0, 1)]
    assert counts == pytest.approx([0.125, 0.75, 0.125], abs=0.003)
    assert sum(counts) == pytest.approx(1.0, abs=1e-4)


@pytest.mark.parametrize("offset", [0.0, 0.1, 0.25, 0.5, 0.73])
def test_with_dither_mean_and_variance_of_the_error_do_not_depend_on_the_signal(offset):
    # Lipshitz, Wanamaker and Vanderkooy 1992: mean 0, variance 1/12 + 2/12 = 1/4 of a step squared.
    n = 400_000
    noise = np.random.default_rng(9).bytes(noise_length(n, 1))
    error = quantised(np.full((n, 1), offset * 2.0**-23), noise) - offset
    assert float(error.mean()) == pytest.approx(0.0, abs=0.004)  # 5 standard errors
    assert float(error.var()) == pytest.approx(0.25, abs=0.004)


def test_the_same_noise_gives_the_same_samples():
    frames = 0.5 * np.random.default_rng(1).standard_normal((300, 2)).clip(-1, 1)
    noise = bytes(range(256)) * 10
    noise = noise[: noise_length(300, 2)]
    assert len(noise) == 2400
    assert np.array_equal(quantised(frames, noise), quantised(frames, noise))
    assert not np.array_equal(quantised(frames, noise), quantised(frames, noise[::-1]))


@pytest.mark.parametrize(
    ("frames", "noise", "bits", "message"),
    [
        (np.ones((1, 1)), np.zeros((1, 1)), 24, "reach 1.000000 of full scale, more than 24 bits hold"),
        (np.array([[np.nan]]), np.zeros((1, 1)), 24, "more than 24 bits hold"),
        (np.zeros((2, 1)), b"1234", 24, "take 8 bytes of noise, got 4"),
        (np.zeros((2, 1)), np.zeros((1, 2)), 24, r"shape \(2, 1\), got \(1, 2\)"),
        (np.zeros(2), b"", 24, r"\(n, channels\), got shape \(2,\)"),
        (np.zeros((2, 1)), b"", 4, "bits must be 8 to 32, got 4"),
    ],
)
def test_nothing_is_clipped_or_guessed(frames, noise, bits, message):
    with pytest.raises(ValueError, match=message):
        quantised(frames, noise, bits=bits)


def test_what_would_be_clipped_is_said_as_it_would_be_after_the_gain():
    frames = np.array([[0.25, -0.75]])
    assert quantised(frames, np.zeros((1, 2)), gain=-1.0).tolist() == [[-(2**21), 3 * 2**21]]
    with pytest.raises(ValueError, match=r"reach 1\.500000 of full scale"):
        quantised(frames, np.zeros((1, 2)), gain=-2.0)
