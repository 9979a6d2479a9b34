"""Binaural impulse responses against closed forms: deltas of known delays and gains; and how files are refused."""

import numpy as np
import pytest
import soundfile

from blindtest.device import (
    PATHS,
    at_rate_binaural,
    binaural_level_db,
    ear_levels_db,
    loudspeaker_facts,
    read_binaural,
)
from blindtest.errors import BlindtestError

RATE = 48_000
LATE, NEAR, FAR = 960, 0, 13
"""Frames: the common delay, and that of the far ear."""


def deltas(count=9600, near=0.5, far=0.25, late=LATE):
    """Four paths in the order of `PATHS`: each loudspeaker comes 13 frames later and 6.02 dB lower to the far ear."""
    frames = np.zeros((count, 4))
    for channel, (gain, delay) in enumerate([(near, NEAR), (far, FAR), (far, FAR), (near, NEAR)]):
        frames[late + delay, channel] = gain
    return frames


def written(path, frames, rate=RATE):
    soundfile.write(path, frames, rate, subtype="DOUBLE")
    return path


def test_delays_and_levels_between_the_ears_are_those_of_the_paths(tmp_path):
    found = read_binaural([written(tmp_path / "seat.wav", deltas())])
    assert found.common_delay_s == pytest.approx(LATE / RATE)
    assert found.frames.shape[1:] == (2, 2)
    for one in loudspeaker_facts(found):
        assert one.interaural_ms == pytest.approx(1e3 * FAR / RATE, abs=1e-3)
        assert one.crosstalk_db == pytest.approx(-6.0206, abs=1e-3)
        assert one.whole_crosstalk_db == pytest.approx(-6.0206, abs=1e-3)
    at = found.onset
    assert found.frames[at].tolist() == [[0.5, 0], [0, 0.5]]
    assert found.frames[at + FAR].tolist() == [[0, 0.25], [0.25, 0]]
    assert np.count_nonzero(found.frames) == 4


def test_four_files_are_the_same_as_one(tmp_path):
    whole = read_binaural([written(tmp_path / "seat.wav", deltas(near=0.5, far=0.2))])
    names = [written(tmp_path / f"{name}.wav", deltas(far=0.2)[:, [channel]]) for channel, name in enumerate(PATHS)]
    assert np.array_equal(read_binaural(names).frames, whole.frames)


def test_levels_over_a_third_of_an_octave_are_those_of_deltas(tmp_path):
    """A delta is flat: 20 lg of its height everywhere; the power mean of four is 10 lg of their mean square."""
    found = read_binaural([written(tmp_path / "seat.wav", deltas())])
    at = np.geomspace(30, 15_000, 40)
    assert binaural_level_db(found, at) == pytest.approx(10 * np.log10((0.5**2 + 0.25**2) / 2), abs=0.02)
    ears = ear_levels_db(found, at)
    assert ears[:, 0, 0] == pytest.approx(20 * np.log10(0.5), abs=0.02)
    assert ears[:, 1, 0] == pytest.approx(20 * np.log10(0.25), abs=0.02)


def test_another_rate_keeps_delays_and_levels(tmp_path):
    """From 48 to 44.1 kHz: the interaural time in ms, the levels and the first arrival stay."""
    low = np.zeros((9600, 4))
    for channel, (gain, delay) in enumerate([(0.5, 0), (0.25, FAR), (0.25, FAR), (0.5, 0)]):
        n = np.arange(9600) - LATE - delay
        low[:, channel] = gain * np.sinc(n / 3) * np.where(np.abs(n) < 400, np.cos(np.pi * n / 800) ** 2, 0)
    found = read_binaural([written(tmp_path / "seat.wav", low)])
    other = at_rate_binaural(found, 44_100)
    for before, after in zip(loudspeaker_facts(found), loudspeaker_facts(other), strict=True):
        assert after.interaural_ms == pytest.approx(before.interaural_ms, abs=0.003)
        assert after.crosstalk_db == pytest.approx(before.crosstalk_db, abs=0.01)
    at = np.geomspace(100, 6000, 20)
    assert binaural_level_db(other, at) == pytest.approx(binaural_level_db(found, at), abs=0.02)
    assert other.onset / 44_100 == pytest.approx(found.onset / RATE, abs=0.51 / 44_100)


def test_sofa_files_tell_left_from_right_by_the_positions(tmp_path):
    """AES69, convention GeneralFIR written by the library sofar: azimuth counts from the front to the left."""
    sofar = pytest.importorskip("sofar")
    frames = deltas(count=2400).reshape(-1, 2, 2)  # [n, loudspeaker, ear]
    held = sofar.Sofa("GeneralFIR")
    held.Data_IR = np.stack([frames[:, 1, :].T, frames[:, 0, :].T])  # the right one first
    held.Data_SamplingRate = float(RATE)
    held.Data_Delay = np.zeros((1, 2))
    held.ReceiverPosition = np.array([[0, 0.09, 0], [0, -0.09, 0]])
    held.SourcePosition = np.array([[330.0, 0.0, 2.0], [30.0, 0.0, 2.0]])
    held.SourcePosition_Type, held.SourcePosition_Units = "spherical", "degree, degree, metre"
    sofar.write_sofa(str(tmp_path / "seat.sofa"), held)
    found = read_binaural([tmp_path / "seat.sofa"])
    assert found.frames[found.onset].tolist() == [[0.5, 0], [0, 0.5]]
    exchanged = read_binaural([tmp_path / "seat.sofa"], measurements=(1, 2))
    assert exchanged.frames[exchanged.onset].tolist() == [[0, 0.5], [0.5, 0]]
    assert "are two paths exchanged?" in " ".join(exchanged.remarks)
    with pytest.raises(BlindtestError, match="two different numbers from 1 to 2"):
        read_binaural([tmp_path / "seat.sofa"], measurements=(1, 3))
    held.SourcePosition = np.array([[20.0, 0.0, 2.0], [30.0, 0.0, 2.0]])
    sofar.write_sofa(str(tmp_path / "same.sofa"), held)
    with pytest.raises(BlindtestError, match=r"same\.sofa: left and right can't be told"):
        read_binaural([tmp_path / "same.sofa"])


@pytest.mark.parametrize(("late", "emitters"), [(29.0, False), (29.5, True)])
def test_delays_that_a_sofa_file_holds_apart_are_put_in(tmp_path, late, emitters):
    """AES69, Data.Delay in samples, written by the library sofar: the far ear is later by it and by nothing else.

    In FIR-E the emitters are the last dimension (AES69-2022, as the library's conventions have it).
    """
    sofar = pytest.importorskip("sofar")
    sound = np.sinc(0.5 * (np.arange(600) - 100)) * np.hanning(600)  # half the band: parts of a sample are no matter
    gains = np.array([[0.5, 0.2], [0.25, 0.6]])  # [ear, loudspeaker]
    delays = np.array([[0.0, late], [late, 0.0]])
    held = sofar.Sofa("GeneralFIR-E" if emitters else "GeneralFIR")
    held.ReceiverPosition = np.array([[0, 0.09, 0], [0, -0.09, 0]])
    if emitters:
        held.Data_IR, held.Data_Delay = (sound[:, None] * gains[:, None, :])[None], delays[None]
        held.EmitterPosition = np.array([[1.0, 1.0, 0.0], [1.0, -1.0, 0.0]])
    else:
        held.Data_IR, held.Data_Delay = gains.T[:, :, None] * sound, delays.T
        held.SourcePosition = np.array([[30.0, 0.0, 2.0], [330.0, 0.0, 2.0]])
        held.SourcePosition_Type, held.SourcePosition_Units = "spherical", "degree, degree, metre"
    held.Data_SamplingRate = float(RATE)
    sofar.write_sofa(str(tmp_path / "seat.sofa"), held)
    for facts in loudspeaker_facts(read_binaural([tmp_path / "seat.sofa"])):
        assert facts.interaural_ms == pytest.approx(1e3 * late / RATE, abs=1e3 / 16 / RATE)
    held.Data_Delay = -1.0 - held.Data_Delay
    sofar.write_sofa(str(tmp_path / "early.sofa"), held)
    with pytest.raises(BlindtestError, match=r"early\.sofa: can't be read .*delays of -"):
        read_binaural([tmp_path / "early.sofa"])


def _clipped():
    frames = deltas()
    frames[LATE : LATE + 6, 0] = 0.9
    return frames


@pytest.mark.parametrize(
    ("frames", "words"),
    [
        (deltas()[:, :2], "'2 channels' (allowed: one file of 4 channels"),
        (deltas() * [1, 0, 1, 1], "the path left to right ear is dead"),
        (_clipped(), "the path left to left ear is clipped, got '6 samples"),
        (deltas()[LATE - 10 : LATE + 30], "no length of a binaural impulse response"),
        (np.pad(deltas(), ((0, 6 * RATE), (0, 0))), "no length of a binaural impulse response"),
    ],
    ids=["two channels", "dead", "clipped", "short", "long"],
)
def test_what_is_no_binaural_response_is_refused_with_its_file(tmp_path, frames, words):
    path = written(tmp_path / "seat.wav", frames)
    with pytest.raises(BlindtestError) as raised:
        read_binaural([path])
    assert words in str(raised.value)
    assert "seat.wav" in str(raised.value)


def test_four_files_of_different_rates_or_lengths_are_refused(tmp_path):
    names = [written(tmp_path / f"{name}.wav", deltas()[:, [channel]]) for channel, name in enumerate(PATHS)]
    written(names[2], deltas()[:, [2]], 44_100)
    with pytest.raises(BlindtestError, match=r"different sample rates, got .48000, 48000, 44100, 48000"):
        read_binaural(names)
    written(names[2], deltas(9601)[:, [2]])
    with pytest.raises(BlindtestError, match="different lengths"):
        read_binaural(names)


def test_a_background_that_would_be_heard_is_remarked_upon(tmp_path):
    noise = np.random.default_rng(3).normal(0, 0.01, (9600, 4))
    found = read_binaural([written(tmp_path / "seat.wav", deltas() + noise)])
    assert "34 dB under its peak" in " ".join(found.remarks)
