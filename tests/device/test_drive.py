"""Sensitivity, demand and exposure against the cited standards' numbers."""

import numpy as np
import pytest

from blindtest.device import (
    Amplifier,
    Sensitivity,
    a_weighting_db,
    demand,
    dose,
    exposure_pa2h,
    field_level_dba,
    power_mw,
    programme_signal_db,
    seconds_allowed,
    source_emf,
)


def test_power_behind_the_rated_source_impedance():
    """IEC 61938 as cited in methods 9.5, 54: 32 ohm behind 120 ohm, 5 V: 34.6 mW; 1 mW from .85 V."""
    assert power_mw(5, 32, 120) == pytest.approx(34.626, abs=5e-4)
    assert source_emf(1, 32, 120) == pytest.approx(0.84971, abs=5e-6)


def test_the_ways_of_writing_a_sensitivity_agree():
    """methods 9.5, 55: 100 dB/mW at 32 ohm is 114.9485 dB/V, 94 dB at .0896551 V."""
    found = Sensitivity.from_db_per_mw(100, 32)
    assert found.db_per_volt == pytest.approx(114.9485, abs=5e-5)
    assert found.mv_94db == pytest.approx(89.6551, abs=5e-5)
    again = Sensitivity.from_mv_94db(found.mv_94db, 32)
    assert again.db_per_mw == pytest.approx(100, abs=1e-9)
    assert again.spl_db(again.volts(88.0)) == pytest.approx(88)
    with pytest.raises(ValueError, match="rated impedance"):
        demand(Sensitivity.from_mv_94db(50), 94)


def test_what_a_level_asks_of_an_amplifier():
    """Ohm's law: 10 mV r.m.s. into 50 ohm; a programme with peaks 20 dB over its r.m.s. asks for 0.1 V."""
    found = demand(Sensitivity(db_per_volt=120, ohm=50), 80, crest_db=20, amplifier=Amplifier(volts=1, into_ohm=50))
    assert found.volts == pytest.approx(0.01)
    assert found.milliamperes == pytest.approx(0.2)
    assert found.milliwatts == pytest.approx(0.002)
    assert found.peak_volts == pytest.approx(0.1)
    assert found.margin_db == pytest.approx(20 * np.log10(np.sqrt(2) / 0.1))
    assert found.reached


def test_an_amplifier_gives_less_into_a_low_impedance_by_its_own_impedance_and_by_its_current():
    amplifier = Amplifier(volts=2.0, into_ohm=32, output_ohm=10)
    assert amplifier.emf == pytest.approx(2 * 42 / 32)
    assert amplifier.volts_into(32) == pytest.approx(2)
    assert amplifier.volts_into(300) == pytest.approx(2 * 42 / 32 * 300 / 310)
    assert amplifier.volts_into(16) == pytest.approx(1.0)  # no more current than was shown: 62.5 mA
    weak = demand(Sensitivity(db_per_volt=100, ohm=300), 110, crest_db=12, amplifier=Amplifier(volts=1, output_ohm=300))
    assert weak.reached is False
    assert weak.emf == pytest.approx(2 * weak.volts)


def test_allowances():
    """NIOSH 98-126: 94 dB(A) for an hour, 100 dB(A) for 15 minutes; H.870: 80 dB(A) for 40 h is 1.6 Pa^2 h."""
    assert seconds_allowed(94, limit="niosh") == pytest.approx(3600)
    assert seconds_allowed(100, limit="niosh") == pytest.approx(900)
    assert dose(80, 40 * 3600) == pytest.approx(1)
    assert dose([80, 83.0103], [20 * 3600, 10 * 3600]) == pytest.approx(1, rel=1e-5)
    assert exposure_pa2h(80, 40 * 3600) == pytest.approx(1.6)
    assert exposure_pa2h(75, 40 * 3600) == pytest.approx(0.50596, abs=5e-6)
    assert dose(75, 40 * 3600, limit="who-sensitive") == pytest.approx(1)
    with pytest.raises(ValueError, match="limit"):
        dose(80, 1, limit="none")


def test_a_weighting_is_that_of_the_standard():
    """IEC 61672-1, table of frequency weightings, at exact midband frequencies, rounded to a tenth (from memory)."""
    exact = 10 ** (np.array([13, 17, 20, 24, 27, 30, 34, 36, 40, 43]) / 10)
    wanted = [-50.5, -30.2, -19.1, -8.6, -3.2, 0.0, 1.3, 1.0, -2.5, -9.3]
    assert a_weighting_db(exact) == pytest.approx(wanted, abs=0.06)


def test_levels_at_the_eardrum_are_referred_to_the_field():
    """methods 9.5, 59: 70 dB in each third octave from 100 Hz to 10 kHz: 81.73, 75.15 and 78.11 dB(A)."""
    bands, _ = programme_signal_db()
    bands = bands[(bands >= 100) & (bands <= 10_000)]
    level = np.full(len(bands), 70.0)
    found = [field_level_dba(bands, level, referred=field) for field in ("none", "diffuse-field", "free-field")]
    assert found == pytest.approx([81.73, 75.15, 78.11], abs=0.006)


def test_the_programme_signal_is_that_of_the_table():
    """IEC 60268-1, Table II: power sum 12.56 dB (methods 9.5, 57)."""
    bands, power = programme_signal_db()
    assert len(bands) == len(power) == 31
    assert 10 * np.log10(np.sum(10 ** (power / 10))) == pytest.approx(12.56, abs=0.005)
