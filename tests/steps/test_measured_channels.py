"""Of how many channels `measure` tells a loudness: those that have weights in ITU-R BS.1770-5, annex 1, table 3."""

import numpy as np
import pytest
import soundfile

from blindtest.errors import BlindtestError
from blindtest.steps import measure

RATE = 48_000


def tone(path, channels):
    """Write a tone of 997 Hz at -20 dB in the first channel alone."""
    frames = np.zeros((RATE, channels))
    frames[:, 0] = 0.1 * np.sin(2 * np.pi * 997 * np.arange(RATE) / RATE)
    soundfile.write(path, frames, RATE, subtype="FLOAT")
    return path


@pytest.mark.parametrize("channels", [1, 2, 3, 5, 6])
def test_a_front_channel_alone_counts_alike(tmp_path, channels):
    # ITU-R BS.1770-5, annex 1: 0 dB at 997 Hz in one of left, centre and right reads -3.01 LUFS.
    (told,) = measure([tone(tmp_path / "a.wav", channels)]).files
    assert told.integrated_lufs == pytest.approx(-23.01, abs=0.02)


@pytest.mark.parametrize("channels", [4, 7, 8])
def test_other_layouts_are_refused_in_a_line(tmp_path, channels):
    with pytest.raises(BlindtestError) as refused:
        measure([tone(tmp_path / "quad.wav", channels)])
    (fault,) = refused.value.faults
    assert fault.file == str(tmp_path / "quad.wav")
    assert fault.got == channels
    assert "no loudness is defined" in fault.problem
    assert "mix it down" in fault.remedy


def test_a_channel_for_low_frequency_effects_counts_nothing(tmp_path):
    """ITU-R BS.1770-5, annex 1: it is left out; by the mask 0x33 the surrounds of a file of four count 1.5 dB more."""
    frames = np.zeros((RATE, 3))
    frames[:, 0] = frames[:, 2] = 0.1 * np.sin(2 * np.pi * 997 * np.arange(RATE) / RATE)
    told = _told(_masked(tmp_path / "a.wav", frames, 0xB))
    assert told.integrated_lufs == pytest.approx(-23.01, abs=0.02)
    assert told.momentary_max_lufs == pytest.approx(-23.01, abs=0.02)
    assert told.places == ("L", "R", "LFE")
    assert "3 channels (L, R, LFE)" in told.text()
    frames = np.concatenate([np.zeros((RATE, 3)), frames[:, :1]], axis=1)
    assert _told(_masked(tmp_path / "b.wav", frames, 0x33)).integrated_lufs == pytest.approx(-21.52, abs=0.02)


def _told(path):
    return measure([path]).files[0]


def _masked(path, frames, mask):
    """Write frames as WAVE_FORMAT_EXTENSIBLE, and a mask of our own into its header."""
    soundfile.write(path, frames, RATE, subtype="FLOAT", format="WAVEX")
    whole = bytearray(path.read_bytes())
    assert whole[20:22] == b"\xfe\xff"  # the tag of WAVE_FORMAT_EXTENSIBLE
    whole[40:44] = mask.to_bytes(4, "little")
    path.write_bytes(whole)
    return path
