"""What `verify` counts and measures by itself: trials of a plan, loudness and peak of a stimulus read in pieces."""

from math import inf

import numpy as np
import pytest
import soundfile

from blindtest.audio import integrated_loudness, read_clip, true_peak
from blindtest.design import Block, Controls
from blindtest.errors import BlindtestError
from blindtest.steps.bundle.checks import record, sound


@pytest.mark.parametrize(("trials", "every"), [(28, None), (28, 5), (4, 5), (40, 8), (3, 1)])
def test_trials_of_a_plan_are_counted_as_the_plan_counts_them(trials, every):
    controls = None if every is None else Controls(every=every, audible="tilted")
    block = Block(id="test", method="abx", trials=trials, phase="blind", controls=controls)
    held = {"trials": trials, "controls": None if every is None else {"every": every, "audible": "tilted"}}
    assert record._trials_of(held) == block.length == trials + (trials // every if every else 0)


@pytest.mark.parametrize("held", [{"every": 0}, {"every": -1}, {"every": "2"}, {"every": True}])
def test_controls_that_no_plan_can_have_are_refused(held):
    with pytest.raises(ValueError, match=r"a control for every 0 trials|is no number of trials"):
        record._trials_of({"trials": 10, "controls": held})


@pytest.fixture
def noise(tmp_path):
    """Four seconds of noise that grows, and ends within a block: WAV of 24 bits."""
    frames = np.random.default_rng(8).standard_normal((190_011, 2)) * np.linspace(0.001, 0.2, 190_011)[:, None]
    soundfile.write(tmp_path / "noise.wav", frames.clip(-1, 1), 48_000, subtype="PCM_24")
    return tmp_path / "noise.wav"


def test_a_stimulus_read_in_pieces_has_the_loudness_and_peak_of_the_whole(noise, monkeypatch):
    """Against the measures of the whole, which tests/audio holds against the standards' own signals."""
    clip = read_clip(noise)
    whole = integrated_loudness(clip.frames, clip.rate), true_peak(clip.frames, clip.rate)
    for piece in (1 << 18, 7_001):
        monkeypatch.setattr(sound, "_PIECE", piece)
        assert sound.loudness_and_peak(noise) == pytest.approx(whole, abs=1e-9)


def test_what_the_gate_shuts_out_has_no_loudness(tmp_path):
    soundfile.write(tmp_path / "low.wav", np.full((48_000, 2), 2.0**-22), 48_000, subtype="PCM_24")
    assert sound.loudness_and_peak(tmp_path / "low.wav")[0] == -inf
    assert integrated_loudness(np.full((48_000, 2), 2.0**-22), 48_000) == -inf
    (tmp_path / "none.wav").write_bytes(b"RIFF")
    with pytest.raises(BlindtestError):
        sound.loudness_and_peak(tmp_path / "none.wav")


def test_steps_between_two_stimuli_are_counted_in_pieces(noise, tmp_path):
    frames, rate = soundfile.read(noise, dtype="int32")
    other = tmp_path / "other.wav"
    for change, steps in ((0, 0), (1, 1), (-3, 3)):
        frames[100_000, 1] += change * 256
        soundfile.write(other, frames, rate, subtype="PCM_24")
        assert sound._steps_apart(noise, other) == steps
        frames[100_000, 1] -= change * 256
    for shape, at in ((frames[:-1], rate), (frames[:, :1], rate), (frames, 44_100)):
        soundfile.write(other, shape, at, subtype="PCM_24")
        assert sound._steps_apart(noise, other) == inf
