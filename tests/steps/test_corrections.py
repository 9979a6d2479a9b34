"""A correction is printed with what it leaves, its filter can be taken away; files are read by soundfile and numpy."""

import io

import numpy as np
import pytest
import soundfile

from blindtest import steps
from blindtest.steps.corrections import designed, filter_files
from blindtest.study import load_study


@pytest.fixture(scope="module")
def own(tmp_path_factory, fill_in_protocol):
    folder = tmp_path_factory.mktemp("correction") / "my-study"
    steps.new(folder, protocol="tuning")
    fill_in_protocol(folder)
    return folder


@pytest.fixture(scope="module")
def made(own):
    return designed(load_study(own), {"one": 44_100, "two": 48_000, "three": 44_100})


def test_a_correction_is_designed_once_for_each_rate(made):
    assert [(one.condition, one.correction.rate) for one in made] == [("corrected", 44_100), ("corrected", 48_000)]


def test_the_impulse_response_does_what_the_text_says(made):
    """The level of the WAV's own Fourier transform, against the curve in the text; 0.2 dB at the shelf's corner."""
    files = filter_files(made)
    assert sorted(files) == sorted(
        f"filters/corrected-{rate}.{end}" for rate in (44_100, 48_000) for end in ("txt", "wav")
    )
    for rate in (44_100, 48_000):
        taps, read_rate = soundfile.read(io.BytesIO(files[f"filters/corrected-{rate}.wav"]))
        assert read_rate == rate
        lines = files[f"filters/corrected-{rate}.txt"].decode().splitlines()
        comments = [line for line in lines if line.startswith("#")]
        assert "measurements/wanted.csv" in comments[0]
        assert f"# rate_hz: {rate}" in comments
        frequency, gain = np.loadtxt(lines[len(comments) + 1 :], delimiter=",").T
        bins = np.fft.rfftfreq(2**20, 1 / rate)
        level = 20 * np.log10(np.abs(np.fft.rfft(taps, 2**20)))
        assert np.interp(frequency, bins, level) == pytest.approx(gain, abs=0.2)
        assert level.max() <= 6 + 0.01


def test_the_sentence_names_error_headroom_and_what_was_held_back(made):
    found = made[0].correction
    text = made[0].sentence
    assert f"error {found.rms_before_db:.2f} dB before, {found.rms_error_db:.2f} dB after" in text
    assert f"lower the programme by {found.headroom_db:.1f} dB before it" in text
    assert "a narrow dip is not filled" in text
    assert found.rms_error_db < found.rms_before_db
    assert "frequency_hz" not in made[0].to_dict()


def test_render_prints_it_and_a_dry_run_does_not(own):
    assert steps.render(own, dry_run=True).corrections == ()
    shown = steps.render(own)
    assert "Correction of" in shown.text()
    assert {one["rate_hz"] for one in shown.to_dict()["corrections"]} == set(shown.rendered.rates.values())
