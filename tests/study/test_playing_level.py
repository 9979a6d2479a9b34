"""How loud a sitting plays: the chain from full scale to dB(A), against sums by hand and the standards' numbers."""

from dataclasses import replace
from math import log10
from types import SimpleNamespace

import numpy as np
import pytest

from blindtest.audio import LouderEar, MatchRow, a_weighted_level
from blindtest.device import Response, diffuse_field_curve
from blindtest.errors import BlindtestError
from blindtest.render import Playback, Stimulus, heard_curve_db
from blindtest.steps import sitting_level
from blindtest.study import PlaybackSetting, full_scale_spl, load_study, playing_level
from blindtest.study.playing_level import LEAST_GAIN_DB
from blindtest.study.unit import AmplifierSetting, Calibration


@pytest.fixture
def study(folder):
    return load_study(folder)


def with_chain(study, *, playback=None, **unit):
    units = tuple(replace(one, **unit) if one.id == study.playback.unit else one for one in study.units)
    return replace(study, units=units, playback=replace(study.playback, **(playback or {})))


def row(a_weighted, momentary_db=0.0, whole_db=0.0):
    numbers = {name: 0.0 for name in MatchRow.__dataclass_fields__ if name not in ("clip", "condition", "measure")}
    found = MatchRow(clip="c", condition="d", measure="heard", **{**numbers, "a_weighted_after": a_weighted})
    return found, LouderEar(whole_db=whole_db, momentary_db=momentary_db)


GRID = np.geomspace(20, 20_000, 90)
FLAT = Playback(unit_id="p", response=Response(frequency=GRID, magnitude=np.zeros((90, 1))))


def test_full_scale_comes_from_sensitivity_and_voltage(study):
    """30 mV for 94 dB SPL: 1 V is 94 + 20 lg(1000/30) = 124.458 dB; behind 100 ohm into 100 ohm 6.02 dB less."""
    known = with_chain(study, playback={"full_scale_volts": 1.0}, sensitivity_mv_94db=30.0, rated_ohm=100.0)
    spl, hertz, _ = full_scale_spl(known)
    assert (spl, hertz) == (pytest.approx(124.4576, abs=1e-4), 500.0)
    behind = replace(known, playback=replace(known.playback, amplifier=AmplifierSetting(output_ohm=100.0)))
    assert full_scale_spl(behind)[0] == pytest.approx(124.4576 - 6.0206, abs=1e-4)
    milliwatt = with_chain(study, playback={"full_scale_volts": 1.0}, sensitivity_db_per_mw=100.0, rated_ohm=32.0)
    assert full_scale_spl(milliwatt)[0] == pytest.approx(114.9485, abs=1e-4)  # methods 9.5, 55
    assert full_scale_spl(study) is None


def test_one_reading_does_instead(study):
    read = Calibration(tone_dbfs=-20.0, spl_db=74.0)
    assert full_scale_spl(with_chain(study, playback={"calibration": read}))[:2] == (94.0, 1000.0)
    volts = Calibration(tone_dbfs=-20.0, volts=0.1)
    known = with_chain(study, playback={"calibration": volts}, sensitivity_db_per_volt=110.0)
    assert full_scale_spl(known)[0] == pytest.approx(110.0)
    # 50 mV at 26.0206 dB below full scale is 1 V at full scale.
    quieter = Calibration(tone_dbfs=-26.0206, volts=0.05)
    known = with_chain(study, playback={"calibration": quieter}, sensitivity_db_per_volt=110.0)
    assert full_scale_spl(known)[0] == pytest.approx(110.0, abs=1e-4)


def test_a_full_scale_sine_plays_at_its_own_level(study):
    """A 1 kHz sine reads -3.01 dB(A) re an RMS of 1 (IEC 61672-1: A is 0 dB at 1 kHz); so the reading comes back."""
    known = with_chain(study, playback={"calibration": Calibration(tone_dbfs=-20.0, spl_db=60.0)})
    found = playing_level(known, FLAT, [row(10 * log10(0.5), 6.0), row(-40.0, 20.0)], 20.0)
    assert found.dba == pytest.approx(80.0, abs=1e-9)
    assert found.momentary_dba == pytest.approx(86.0, abs=1e-9)
    assert found.most_gain_db == 0
    # 80 dB(A) for 40 h is the week (H.870); 20 min are 1/120 of it.
    assert found.week_share(0.0) == pytest.approx(1 / 120)
    at_ear = replace(FLAT, field=diffuse_field_curve())
    lower = playing_level(known, at_ear, [row(10 * log10(0.5), 6.0)], 20.0)
    curve = diffuse_field_curve()
    level = np.interp(np.log(np.array([1000.0])), np.log(curve.frequency), curve.magnitude[:, 0])[0]
    mean = lower.dba - (80.0 - level)
    # What is heard is already less the field curve, brought to 0 dB over the band: both offsets have to cancel.
    assert mean == pytest.approx(-float(heard_curve_db(at_ear, np.array([1000.0]))[0]), abs=1e-9)


def test_the_volume_is_capped_where_it_would_pass_100_dba(study):
    known = with_chain(study, playback={"calibration": Calibration(tone_dbfs=-20.0, spl_db=90.0)})
    found = playing_level(known, FLAT, [row(10 * log10(0.5), 5.5)], 20.0)
    assert found.momentary_dba == pytest.approx(115.5)
    assert found.most_gain_db == -16.0
    assert "no higher" in found.sentence
    assert "WHO-ITU" in found.note
    loud = with_chain(study, playback={"calibration": Calibration(tone_dbfs=-20.0, spl_db=125.0)})
    with pytest.raises(BlindtestError, match="turn the amplifier down"):
        playing_level(loud, FLAT, [row(10 * log10(0.5), 5.5)], 20.0)


def test_a_long_sitting_is_capped_by_the_weeks_allowance(study):
    """H.870: 80 dB(A) for 40 h; at 96 dB(A) the week is spent in about 1 h."""
    known = with_chain(study, playback={"calibration": Calibration(tone_dbfs=-20.0, spl_db=76.0)})
    found = playing_level(known, FLAT, [row(10 * log10(0.5))], 240.0)
    assert found.most_gain_db == np.floor(80 + 10 * log10(40 / 4) - 96)
    assert found.week_share(found.most_gain_db) <= 1


def test_the_loudest_stimulus_is_that_at_one_ear(study):
    """-20 dB in one ear alone are -23.01 of both (10 lg 2): louder there than -21 dB in both, at every moment too."""
    known = with_chain(study, playback={"calibration": Calibration(tone_dbfs=-20.0, spl_db=60.0)})
    found = playing_level(known, FLAT, [row(-21.0, 1.0), row(-23.0103, 3.5103, 3.0103)], 20.0)
    assert found.dba == pytest.approx(80.0 + 3.0103 - 20.0)
    assert found.momentary_dba == pytest.approx(80.0 + 3.0103 - 19.5)


def test_unknown_stays_unknown(study):
    assert playing_level(study, FLAT, [row(-20.0, 5.0)], 20.0) is None
    assert isinstance(study.playback, PlaybackSetting)


def test_what_a_sitting_spends_is_told_where_it_is_loud(study):
    """NIOSH 1998: 85 dB(A) for 8 h, half for each 3 dB; H.870: the energy of 80 dB(A) for 40 h a week."""
    known = with_chain(study, playback={"calibration": Calibration(tone_dbfs=-20.0, spl_db=68.0)})
    found = playing_level(known, FLAT, [row(10 * log10(0.5))], 45.0)
    assert found.dba == pytest.approx(88.0)
    assert found.day_share(0.0) == pytest.approx(45 / 240)
    assert found.day_share(-3.0) == pytest.approx(45 / 480)
    assert found.week_share(0.0) == pytest.approx(45 / 2400 * 10**0.8)
    assert "sitting of 45 min spends 11.8 % of what WHO-ITU H.870 allows in a week, 18.8 % of NIOSH" in found.note
    assert (found.to_dict()["day_share_at_top"], found.at(-20.0)) == (found.day_share(0.0), pytest.approx(68.0))


@pytest.mark.parametrize(("reading", "refused"), [(0.0, False), (0.01, True)])
def test_the_least_the_volume_may_be_capped_at(study, reading, refused):
    """Momentary 100 dB(A) with the volume at its least, and a hundredth of a decibel more."""
    spl = 100.0 - LEAST_GAIN_DB - 20.0 + reading
    known = with_chain(study, playback={"calibration": Calibration(tone_dbfs=-20.0, spl_db=spl)})
    if refused:
        with pytest.raises(BlindtestError, match="turn the amplifier down"):
            playing_level(known, FLAT, [row(10 * log10(0.5))], 0.1)
    else:
        assert playing_level(known, FLAT, [row(10 * log10(0.5))], 0.1).most_gain_db == LEAST_GAIN_DB


def test_a_lone_sound_after_a_long_silence_stops_the_volume(study, monkeypatch):
    """.4 s of 10 s lie 10 lg 25 = 13.98 dB over the mean of the whole, 3.01 dB more where one ear has them alone."""
    monkeypatch.setattr(sitting_level, "sitting_lengths", lambda study, seconds: ())
    known = with_chain(study, playback={"calibration": Calibration(tone_dbfs=-20.0, spl_db=80.0)})
    rate, samples = 48_000, np.zeros((480_000, 2), dtype=np.int32)
    begin = round(6.35 * rate)  # between two of a meter's values
    sine = 2**22 * np.sin(2 * np.pi * 1000.0 * np.arange(round(0.4 * rate)) / rate)
    samples[begin : begin + len(sine), 1] = np.round(sine)
    stimulus = Stimulus(
        clip="c", condition="d", path=study.folder, sha256="", frames=len(samples), rate=rate, channels=2,
        loudness=-20.0, true_peak=-6.0, gain_db=0.0,
    )  # fmt: skip
    whole = a_weighted_level(samples / 2.0**23, rate)
    rendered = SimpleNamespace(stimuli=(stimulus,), table=(row(whole)[0],))
    level = sitting_level.level_of_study(known, SimpleNamespace(playback=FLAT), rendered, lambda one: samples)
    # A full-scale sine plays at 100 dB(A), as entered; this one at half of it, 93.98 dB(A), in the right ear.
    assert level.momentary_dba == pytest.approx(100.0 - 6.02, abs=0.05)
    # Over its whole length that ear gets 13.98 dB less, whatever the other one gets (ISO 11904-1: level of one ear).
    assert level.dba == pytest.approx(93.98 - 13.98, abs=0.05)
    both = sitting_level.played_words(level, [0.0])
    assert "about 80 dB(A), A-weighted and referred to the field" in both
    assert "in the ear that gets most" in both
