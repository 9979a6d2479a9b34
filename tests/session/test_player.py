"""Players: dither as rounding a triangular one gives it, no sample wraps, files of one length, tokens only."""

import io
import sys
import wave
from hashlib import sha256, shake_256

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from blindtest.audio import wav_samples
from blindtest.errors import BlindtestError
from blindtest.session import BrowserPlayer, Sound, dithered, portaudio_fault, served_wav

FULL = 2**23


def noise(seed, count):
    return shake_256(sha256(str(seed).encode()).digest()).digest(count)


def test_dither_is_what_rounding_a_triangular_one_gives():
    """An independent route: whole numbers + TPDF of 2 LSB, rounded, by numpy. Closed form: the triangle's tails beyond
    1/2 hold (1/2)**2 / 2 = 1/8 each."""
    count = 400_000
    ours = dithered(np.zeros((count, 1), dtype=np.int32), noise(1, count))[:, 0]
    rng = np.random.default_rng(2)
    rounded = np.rint(rng.random(count) - rng.random(count))
    for value, expected in ((-1, 1 / 8), (0, 3 / 4), (1, 1 / 8)):
        error = np.sqrt(expected * (1 - expected) / count)
        assert np.mean(ours == value) == pytest.approx(expected, abs=4 * error)
        assert np.mean(rounded == value) == pytest.approx(expected, abs=4 * error)
    assert set(np.unique(ours)) == {-1, 0, 1}


def test_the_dither_of_each_byte_by_hand():
    byte = bytes([0, 1, 2, 7, 8, 9, 255, 16])
    assert dithered(np.zeros((4, 2), dtype=int), byte).tolist() == [[-1, 1], [0, 0], [-1, 1], [0, -1]]


@given(
    st.lists(st.sampled_from([-FULL, -FULL + 1, -1, 0, 1, FULL - 2, FULL - 1]), min_size=1, max_size=40),
    st.integers(0, 99),
)
def test_a_full_scale_sample_never_wraps(values, seed):
    samples = np.array(values, dtype=np.int32)[:, None]
    served, rate = wav_samples(served_wav(samples, noise(seed, samples.size), 48_000))
    assert rate == 48_000
    assert np.abs(served.astype(int) - samples).max() <= 1
    assert served.min() >= -FULL
    assert served.max() <= FULL - 1


def test_a_served_file_is_read_by_another_program_as_what_was_written():
    """Python's own `wave` module."""
    samples = np.array([[1, -1], [FULL - 1, -FULL], [0, 300_000]], dtype=np.int32)
    file = served_wav(samples, bytes([2]) * 6, 44_100)
    with wave.open(io.BytesIO(file)) as read:
        assert (read.getframerate(), read.getnchannels(), read.getsampwidth(), read.getnframes()) == (44_100, 2, 3, 3)
        raw = read.readframes(3)
    found = [int.from_bytes(raw[k : k + 3], "little", signed=True) for k in range(0, len(raw), 3)]
    assert found == samples.ravel().tolist()


def test_equal_stimuli_differ_in_bytes_and_agree_in_length_and_header():
    samples = np.zeros((1000, 2), dtype=np.int32)
    one, other = (served_wav(samples, noise(seed, 2000), 48_000) for seed in (1, 2))
    assert one != other
    assert (len(one), one[:44]) == (len(other), other[:44])


def test_wrong_shapes_are_the_callers_mistake():
    with pytest.raises(ValueError, match="dither needs one byte per sample: 4, got 3"):
        dithered(np.zeros((2, 2), dtype=int), b"abc")
    with pytest.raises(ValueError, match=r"samples must be whole numbers \(n, channels\)"):
        dithered(np.zeros((2, 2)), bytes(4))
    with pytest.raises(ValueError, match=r"samples must fit 24 bits"):
        dithered(np.full((1, 1), FULL), bytes(1))


def sound(token, made=None):
    def samples():
        if made is not None:
            made.append(token)
        return np.zeros((10, 2), dtype=np.int32)

    return Sound(token=token, samples=samples, rate=48_000, dither=lambda count: noise(token, count))


def test_the_browser_player_serves_what_is_prepared_and_nothing_else():
    player, made = BrowserPlayer(), []
    player.prepare([sound("t1", made), sound("t2", made)])
    first = player.wav("t2")
    player.prepare([sound("t2", made), sound("t3", made)])
    assert player.wav("t2") is first
    assert made == ["t1", "t2", "t3"]
    with pytest.raises(BlindtestError, match="no sound is served under this name now; reload the page"):
        player.wav("t1")


def test_a_missing_portaudio_is_said_with_the_way_to_install_it(monkeypatch):
    class Refusing:
        def find_spec(self, name, path=None, target=None):
            if name == "sounddevice":
                raise OSError("PortAudio library not found")

    monkeypatch.delitem(sys.modules, "sounddevice", raising=False)
    monkeypatch.setattr(sys, "meta_path", [Refusing(), *sys.meta_path])
    fault = portaudio_fault()
    assert fault is not None
    assert "PortAudio library not found" in str(fault)
    assert "apt-get install libportaudio2" in str(fault)


def test_a_machine_without_sound_card_is_told_so(monkeypatch):
    class NoDevices:
        @staticmethod
        def query_devices():
            return [{"max_output_channels": 0}]

    monkeypatch.setitem(sys.modules, "sounddevice", NoDevices)
    assert "finds no device that can play" in str(portaudio_fault())
