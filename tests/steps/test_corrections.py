"""A correction is printed with what it leaves, its filter can be taken away; files are read by soundfile and numpy."""

import io
from dataclasses import replace

import numpy as np
import pytest
import soundfile
from scipy.signal import csd, freqz_sos, welch

from blindtest import steps
from blindtest.device import read_sections
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
    # Worn: nothing measured is applied, so that there is no band outside which all would share a curve.
    assert "share one curve" not in shown.text()
    assert "share one curve" in replace(shown, measured=True).text()
    assert {one["rate_hz"] for one in shown.to_dict()["corrections"]} == set(shown.rendered.rates.values())


@pytest.fixture(scope="module")
def by_sections(tmp_path_factory, fill_in_protocol):
    """A study with a fitted correction, and the same less its bass."""
    folder = tmp_path_factory.mktemp("sections") / "my-study"
    steps.new(folder, protocol="tuning")
    fill_in_protocol(folder)
    path = folder / "study.toml"
    text = path.read_text(encoding="utf-8")
    line = next(line for line in text.splitlines() if "correction = {" in line and not line.startswith("#"))
    keys = 'unit = "device", target = "measurements/wanted.csv", sections = 5'
    part = f"{keys}, without_hz = [[20, 150]]"
    more = f'\n\n[[condition]]\nid = "less-bass"\ndecoy = true\nstages = [{{ correction = {{ {part} }} }}]'
    path.write_text(text.replace(line, f"stages = [{{ correction = {{ {keys} }} }}]{more}"), encoding="utf-8")
    return folder, steps.render(folder)


def test_what_is_rendered_is_what_the_exported_coefficients_do(by_sections):
    """Written stimuli, divided by the one that nothing was done to, against the coefficients read from the CSV."""
    folder, shown = by_sections
    stimuli = {one.condition: one for one in shown.rendered.stimuli if one.clip == shown.rendered.stimuli[0].clip}
    frames = {name: soundfile.read(folder / "stimuli" / one.path.name) for name, one in stimuli.items()}
    rate = frames["native"][1]
    made = {one.condition: one for one in shown.corrections if one.correction.rate == rate}
    files = filter_files(tuple(made.values()))
    native = frames["native"][0][:, 0]
    for name in ("corrected", "less-bass"):
        lines = [line for line in files[f"filters/{name}-coefficients.csv"].decode().splitlines() if line[0] != "#"]
        rows = np.genfromtxt(lines, delimiter=",", names=True)
        own = rows[rows["rate_hz"] == rate]
        sos = np.stack([own["b0"], own["b1"], own["b2"], np.ones(len(own)), own["a1"], own["a2"]], axis=1)
        bins, cross = csd(native, frames[name][0][:, 0], rate, nperseg=1 << 14)
        transfer = cross / welch(native, rate, nperseg=1 << 14)[1]
        kept = (bins > 100) & (bins < 7000)
        level = 20 * np.log10(np.abs(freqz_sos(sos, bins[kept], fs=rate)[1]))
        apart = 20 * np.log10(np.abs(transfer[kept])) - level
        # Up to the gain that makes both equally loud; what a window's leakage makes of weak bins is left aside.
        assert np.percentile(np.abs(apart - np.median(apart)), 90) < 0.1
        assert np.ptp(level) > 3


def test_a_part_switched_off_is_named_and_left(by_sections):
    _, shown = by_sections
    whole, part = (
        next(one for one in shown.corrections if one.condition == name) for name in ("corrected", "less-bass")
    )
    assert {one for one in whole.correction.chain if one.frequency_hz > 150} == set(part.correction.chain)
    assert "Switched off from 20 to 150 Hz." in part.sentence
    assert "by 5 sections" in whole.sentence
    found = whole.to_dict()
    assert [sorted(row) for row in found["sections"]] == [["frequency_hz", "gain_db", "q", "type"]] * 5
    assert found["filter"] == "sections"


def test_the_list_that_is_exported_is_read_as_own_sections(by_sections, tmp_path):
    """Round trip: what was fitted, written, read and rendered again is the same chain."""
    _, shown = by_sections
    made = next(one for one in shown.corrections if one.condition == "corrected")
    path = tmp_path / "own.csv"
    path.write_bytes(filter_files((made,))["filters/corrected-sections.csv"])
    assert read_sections(path) == made.correction.chain
