"""What `check` says of impulse responses that lie beside a unit's responses: they are read, like all else."""

import numpy as np
import pytest
import soundfile

from blindtest.study import examine

RATE = 48_000


def capture(rate=RATE, *, noise_db=None):
    """A decaying capture of half a second, 20 ms late, with noise of a level re its peak."""
    frames = np.zeros(rate // 2)
    late = rate // 50
    frames[late:] = 0.5 * np.exp(-np.arange(len(frames) - late) / 100)
    if noise_db is not None:
        rng = np.random.Generator(np.random.PCG64(4))
        frames += 0.5 * 10 ** (noise_db / 20) * rng.standard_normal(len(frames))
    return frames, rate


def said(changed, *captures, window=""):
    folder = changed(('id = "heron"\nname', f'id = "heron"\nimpulse_responses = ["ir-*.wav"]\n{window}\nname'))
    for number, (frames, rate) in enumerate(captures):
        soundfile.write(folder / f"ir-{number}.wav", frames, rate, subtype="FLOAT")
    examined = examine(folder)
    return [str(fault) for fault in examined.faults], " ".join(str(note) for note in examined.notes)


def test_good_ones_bring_no_word(changed):
    faults, notes = said(changed, capture(), capture(noise_db=-60))
    assert not faults
    assert "impulse" not in notes


@pytest.mark.parametrize(
    ("second", "problem"),
    [
        ((np.zeros(4800), RATE), "ir-1.wav: the only channel is dead"),
        ((np.clip(4 * capture()[0], -1, 1), RATE), "ir-1.wav: the only channel is clipped"),
        ((np.ones(20), RATE), "ir-1.wav: no length of an impulse response, got '20 samples'"),
        (capture(44_100), "ir-0.wav: impulse responses of different sample rates, got '44100 Hz, 48000 Hz'"),
    ],
)
def test_one_that_can_not_be_used_is_a_fault(changed, second, problem):
    faults, _ = said(changed, capture(), second)
    assert any(problem in fault for fault in faults), faults


@pytest.mark.parametrize(("window", "told"), [("", True), ("window_s = [0.005, 0.1]", False)])
def test_noise_is_told_and_a_window_takes_it_away(changed, window, told):
    """Last tenth re the peak, by hand: noise 30 dB under a peak of .5 lies 30 dB under it; our rule is 40 dB."""
    faults, notes = said(changed, capture(), capture(noise_db=-30), window=window)
    assert not faults
    assert ("unit.heron.impulse_responses: ir-1.wav: the last tenth lies 30 dB under the peak" in notes) == told


@pytest.mark.parametrize(
    ("band", "fault", "note"),
    [
        ([20, 10_000], "", "captured at 8000 Hz they have a phase up to 3920 Hz"),  # 0.49 x 8000
        ([20, 3_500], "", ""),
        ([5_000, 10_000], "ir-0.wav: the impulse responses hold nothing of the trusted band, got '8000 Hz", ""),
    ],
)
def test_a_phase_reaches_as_far_as_the_rate(changed, band, fault, note):
    own = 'id = "heron"\nimpulse_responses = ["ir-0.wav"]\nname'
    trusted = ("trusted_band_hz = [20, 10_000]", f"trusted_band_hz = {band}")
    stages = 'stages = [{ response = "heron" }, { excess_phase = "heron" }]'
    folder = changed(('id = "heron"\nname', own), trusted, ('stages = [{ response = "heron" }]', stages))
    soundfile.write(folder / "ir-0.wav", *capture(8_000), subtype="FLOAT")
    examined = examine(folder)
    faults = " ".join(str(one) for one in examined.faults)
    notes = " ".join(str(one) for one in examined.notes)
    assert (fault in faults) if fault else not faults
    assert ("they have a phase up to" in notes) == bool(note)
    assert note in notes
