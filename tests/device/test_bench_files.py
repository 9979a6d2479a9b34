"""What a file of a bench is taken for, group delay, and harmonics level by level."""

import numpy as np
import pytest
import soundfile
from scipy.signal import butter, group_delay, sos2tf, sosfilt

from blindtest.device import delay_of_phase, group_delay_s, harmonic_levels, taken_for
from blindtest.device.harmonic_table import parse_harmonics

RATE = 48_000


def test_group_delay_against_a_reference_library():
    """scipy.signal.group_delay of the same filter, evaluated from its coefficients; and a pure delay by definition."""
    sections = butter(2, [200, 6000], "bandpass", fs=RATE, output="sos")
    impulse = np.zeros(8192)
    impulse[100] = 1.0
    frequency = np.array([250.0, 400.0, 1000.0, 3000.0, 5500.0])
    _, samples = group_delay(sos2tf(sections), w=frequency, fs=RATE)
    found = group_delay_s(sosfilt(sections, impulse), RATE, frequency)
    np.testing.assert_allclose(found, (100 + samples) / RATE, atol=2e-6)
    np.testing.assert_allclose(group_delay_s(impulse, RATE, frequency), 100 / RATE, rtol=1e-12)
    with pytest.raises(ValueError, match="not silent"):
        group_delay_s(np.zeros(64), RATE, frequency)


def test_a_mean_over_a_band_keeps_the_delay_and_loses_the_noise():
    """The same reference; the noise 88 dB under the peak over a second is what a quiet bench leaves."""
    sections = butter(2, [200, 6000], "bandpass", fs=RATE, output="sos")
    impulse = np.zeros(RATE)
    impulse[100] = 1.0
    frequency = np.geomspace(250, 5500, 40)
    _, samples = group_delay(sos2tf(sections), w=frequency, fs=RATE)
    clean = sosfilt(sections, impulse)
    found = group_delay_s(clean, RATE, frequency, octaves=1 / 24)
    np.testing.assert_allclose(found, (100 + samples) / RATE, atol=1e-5)
    noisy = clean + 1e-5 * np.random.default_rng(3).standard_normal(RATE)
    plain, banded = (
        np.std(group_delay_s(noisy, RATE, frequency, octaves=octaves) - found) for octaves in (0.0, 1 / 24)
    )
    assert banded < 0.3 * plain
    one = group_delay_s(impulse, RATE, [1e-3, 1000.0, 24_000.0], octaves=1.0)
    np.testing.assert_allclose(one, 100 / RATE, rtol=1e-9)


def test_a_delay_of_nothing_is_no_number():
    """An eighth-order low-pass of 500 Hz lies 48 dB an octave down: 200 dB at 12 kHz, under what a phase means."""
    impulse = np.zeros(4096)
    impulse[10] = 1.0
    found = group_delay_s(sosfilt(butter(8, 500, fs=RATE, output="sos"), impulse), RATE, [300.0, 12_000.0])
    assert np.isnan(found).tolist() == [False, True]


def test_harmonics_level_by_level_and_their_sum():
    """3 % and 4 % make 5 % (the right triangle); -40 dB is 1 %."""
    table = parse_harmonics(b"freq (Hz),level (dB),H2 (%),H3 (%)\n100,90,3,4\n1000,90,1,0\n100,80,0.3,0.4\n")
    low, high = harmonic_levels(table)
    assert (low.level_db, high.level_db) == (80, 90)
    np.testing.assert_allclose(high.thd_percent, [5, 1])
    np.testing.assert_allclose(low.thd_percent, [0.5])
    assert high.orders == (2, 3)
    np.testing.assert_allclose(high.distortion_db[1], [-40, np.nan])
    (unnamed,) = harmonic_levels(parse_harmonics(b"freq (Hz),H2 (dB)\n100,-40\n"))
    assert unnamed.level_db is None


def rows(*columns):
    return "".join(",".join(f"{value:.3f}" for value in row) + "\n" for row in zip(*columns, strict=True))


HZ = np.geomspace(20, 20_000, 60)


@pytest.mark.parametrize(
    ("name", "text", "kind", "why"),
    [
        ("a.txt", "Frequency (Hz),SPL (dB)\n" + rows(HZ, HZ * 0 + 90), "response", "by its header"),
        ("a.csv", rows(HZ, HZ * 0 + 90), "response", "by the order of its columns"),
        ("a.dat", "Frequency (Hz),Impedance (ohm)\n" + rows(HZ, HZ * 0 + 32), "impedance", "names an impedance"),
        ("a.txt", "Freq (Hz),H2 (dB),H3 (dB)\n" + rows(HZ, HZ * 0 - 60, HZ * 0 - 70), "harmonics", "H2 (dB), H3 (dB)"),
        ("a.csv", "Frequency (Hz),THD (%)\n" + rows(HZ, HZ * 0 + 0.1), "refused", "names a sum of distortion: THD (%)"),
        ("a.csv", "Hz,SPL (dB),THD (%)\n" + rows(HZ, 90 + np.sin(HZ), HZ * 0 + 0.1), "response", "by its header"),
        ("a.csv", "Hz,SPL (dB),THD (%)\n" + rows(HZ, HZ * 0 + 94, HZ / 1e5), "left aside", "at one level (THD (%))"),
        ("a.csv", "frequency_hz,order,distortion_db\n100,2,-50\n100,3,-60\n", "harmonics", "distortion_db"),
        ("a.csv", "type,frequency_hz,gain_db,q\npeaking,100,3,1\n", "left aside", "filter sections"),
        ("a.txt", "Measured on a Monday.\n", "left aside", "no table of numbers"),
        ("a.zma", "* made\nFrequency (Hz) Impedance (kohm)\n20 0.03\n200 0.04\n2000 0.05\n", "impedance", "(kohm)"),
        ("a.txt", "", "refused", "should hold text"),
        ("a.sofa", "cut off", "refused", "HDF5"),
        ("a.wav", "cut off", "refused", "by its name it should hold sound"),
        ("a.json", '{"a": 1}', "left aside", "JSON"),
    ],
)
def test_files_are_told_by_what_stands_in_them(tmp_path, name, text, kind, why):
    path = tmp_path / name
    path.write_text(text)
    taken = taken_for(path)
    assert taken.kind == kind
    assert why in taken.why
    assert bool(taken.faults) == (kind == "refused")


def test_what_stands_beside_an_impedance_is_read_too(tmp_path):
    path = tmp_path / "both.csv"
    path.write_text("Frequency (Hz),SPL (dB),Impedance (ohm)\n" + rows(HZ, HZ * 0 + 90, HZ * 0 + 32))
    taken = taken_for(path)
    assert taken.impedance.at(1000) == pytest.approx(32)
    np.testing.assert_allclose(taken.response.magnitude, 90)


def test_a_bare_table_that_its_name_contradicts_is_refused(tmp_path):
    path = tmp_path / "impedance_left.txt"
    path.write_text(rows(HZ, HZ * 0 + 32))
    (fault,) = taken_for(path).faults
    assert "no header says what the columns are" in str(fault)
    assert str(fault).startswith(f"{path}:1: ")


def test_sound_is_an_impulse_response_by_its_crest(tmp_path):
    """A sine's peak lies 3 dB over its r.m.s. (common practice); a pulse alone stands 10 lg n over it."""
    time = np.arange(RATE) / RATE
    soundfile.write(tmp_path / "sweep.wav", 0.5 * np.sin(2 * np.pi * 1000 * time), RATE)
    pulse = np.zeros(RATE)
    pulse[300] = 0.5
    soundfile.write(tmp_path / "pulse.wav", pulse, RATE)
    soundfile.write(tmp_path / "silent.wav", np.zeros(RATE), RATE)
    sweep, found, silent = (taken_for(tmp_path / f"{name}.wav") for name in ("sweep", "pulse", "silent"))
    assert (sweep.kind, found.kind, silent.kind) == ("left aside", "impulse response", "refused")
    assert "3 dB over its mean" in sweep.why
    assert "47 dB over its mean" in found.why
    assert "dead" in str(silent.faults[0])


def test_delays_of_a_measured_phase():
    """An analytic low-pass of 100 Hz behind 1 ms, and an all-pass (s - w) / (s + w) ahead: its group delay by hand.

    The first-order low-pass is minimum phase, so that the excess is the all-pass alone: 2 w / (w^2 + (2 pi f)^2).
    """
    hertz = 2 ** np.arange(4.0, 14.3, 1 / 96)
    s = 2j * np.pi * hertz
    low, corner = 2 * np.pi * 300.0, 2 * np.pi * 500.0
    response = 1 / (1 + s / low) * (corner - s) / (corner + s) * np.exp(-0.001 * s)
    found = delay_of_phase(hertz, 20 * np.log10(np.abs(response)), np.angle(response))
    inside = (hertz > 60) & (hertz < 4000)
    wanted = 2 * corner / (corner**2 + np.abs(s) ** 2)
    np.testing.assert_allclose((found.excess_s + found.mean_s - 0.001)[inside], wanted[inside], atol=4e-5)
    whole = wanted + low / (low**2 + np.abs(s) ** 2) + 0.001
    np.testing.assert_allclose((found.delay_s + found.mean_s)[inside], whole[inside], atol=2e-5)


def test_a_phase_too_coarse_tells_no_delay():
    """20 ms between points an eighth of an octave apart: several turns a step at 1 kHz (arithmetic)."""
    hertz = 2 ** np.arange(5.0, 14.0, 1 / 8)
    turned = np.angle(np.exp(-2j * np.pi * hertz * 0.02))
    assert delay_of_phase(hertz, 0 * hertz, turned) is None


def test_an_hour_of_sound_is_not_read(tmp_path, monkeypatch):
    monkeypatch.setattr("blindtest.device.taking.MOST_SOUND_BYTES", 1000)
    soundfile.write(tmp_path / "music.flac", np.random.default_rng(1).normal(0, 0.1, 4000), RATE)
    taken = taken_for(tmp_path / "music.flac")
    assert (taken.kind, taken.why) == ("left aside", "0 MB of sound: too long for an impulse response")
