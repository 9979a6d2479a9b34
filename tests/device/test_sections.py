"""Sections against the audio oracle, the cookbook's printed values and laws."""

import json
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.signal import freqz_sos, sosfilt

from blindtest.device import Section, section_level_db, sections_impulse, sections_sos
from blindtest.device.section_fit import _levels_and_slopes

# Coefficients and responses of the Audio EQ Cookbook (W3C Note, 2021-06-08) by the audio oracle, checked there by its
# analogue prototypes and by sox 14.4.2; see tests/references/audio/README.md.
ORACLE = json.loads((Path(__file__).parents[1] / "references/audio/expected.json").read_text())["sections"]
KINDS = {"peaking": "peaking", "lowshelf": "low-shelf", "highshelf": "high-shelf"}
CASES = [case for case in ORACLE["cases"] if case["kind"] in KINDS]

any_section = st.builds(
    Section,
    type=st.sampled_from(list(KINDS.values())),
    frequency_hz=st.floats(20, 20_000),
    gain_db=st.floats(-24, 24),
    q=st.floats(0.2, 20),
)


def of(case):
    return Section(type=KINDS[case["kind"]], frequency_hz=case["f0"], gain_db=case["gain_db"], q=case["q"])


def test_the_oracle_holds_all_kinds_at_three_rates():
    assert {case["kind"] for case in CASES} == set(KINDS)
    assert {case["rate"] for case in CASES} == {44_100, 48_000, 96_000}


@pytest.mark.parametrize("case", CASES, ids=lambda case: f"{case['kind']} {case['f0']} at {case['rate']}")
def test_coefficients_and_levels_are_the_oracles(case):
    own = of(case)
    assert own.coefficients(case["rate"]) == pytest.approx([*case["b"], *case["a"]], abs=1e-9)
    assert section_level_db([own], ORACLE["frequency"], case["rate"]) == pytest.approx(
        case["magnitude_db"], abs=1e-4
    )  # printed to 4 digits
    transfer = freqz_sos(sections_sos([own], case["rate"]), ORACLE["frequency"], fs=case["rate"])[1]
    assert np.degrees(np.angle(transfer)) == pytest.approx(case["phase_deg"], abs=0.01)


def test_the_printed_check_values():
    """Computed from the cookbook's formulas, 48 kHz: peaking 1 kHz, Q 1, +6 dB; low shelf 100 Hz, S 1, +6 dB."""
    peak = Section(type="peaking", frequency_hz=1000, gain_db=6, q=1).coefficients(48_000)
    assert peak == pytest.approx([1.04395309, -1.89532072, 0.86772228, 1, -1.89532072, 0.91167537], abs=5e-9)
    shelf = Section(type="low-shelf", frequency_hz=100, gain_db=6, q=np.sqrt(0.5))  # S = 1 is Q = 1/sqrt 2
    assert shelf.coefficients(48_000)[0] == pytest.approx(1.00321790, abs=5e-9)
    assert section_level_db([shelf], [100.0], 48_000) == pytest.approx(3.0, abs=1e-9)


@given(any_section, st.sampled_from([44_100, 48_000, 96_000]))
def test_the_level_is_that_of_the_coefficients(section, rate):
    """scipy's own evaluation of second-order sections."""
    frequency = np.geomspace(10, 0.49 * rate, 60)
    transfer = freqz_sos(sections_sos([section], rate), frequency, fs=rate)[1]
    assert section_level_db([section], frequency, rate) == pytest.approx(20 * np.log10(np.abs(transfer)), abs=1e-6)


@given(any_section)
def test_the_gain_turned_round_is_the_inverse(section):
    turned = Section(type=section.type, frequency_hz=section.frequency_hz, gain_db=-section.gain_db, q=section.q)
    frequency = np.geomspace(10, 22_000, 50)
    for rate in (48_000, None):
        assert section_level_db([section, turned], frequency, rate) == pytest.approx(np.zeros(50), abs=1e-8)


@given(any_section)
def test_the_level_at_its_own_frequency(section):
    """Closed forms: a peak has all of its gain there, a shelf half of it in dB, whatever the Q."""
    at = section_level_db([section], [section.frequency_hz], 48_000)[0]
    if section.type == "peaking":
        assert at == pytest.approx(section.gain_db, abs=1e-8)
    else:
        assert at == pytest.approx(section.gain_db / 2, abs=1e-8)


def test_the_prototype_is_what_a_high_rate_comes_to():
    section = Section(type="peaking", frequency_hz=8000, gain_db=8, q=1)
    frequency = np.geomspace(20, 20_000, 100)
    near = section_level_db([section], frequency, 6_144_000)
    assert near == pytest.approx(section_level_db([section], frequency), abs=1e-3)
    assert abs(section_level_db([section], [14_000.0], 44_100) - section_level_db([section], [14_000.0])) > 1.0


def test_the_impulse_response_is_as_long_as_it_needs_to_be():
    chain = [
        Section(type="low-shelf", frequency_hz=30, gain_db=6, q=0.7),
        Section(type="peaking", frequency_hz=40, gain_db=-9, q=8),
    ]
    impulse = sections_impulse(chain, 48_000)
    unit = np.zeros(1 << 19)
    unit[0] = 1
    whole = sosfilt(sections_sos(chain, 48_000), unit)
    assert np.array_equal(impulse, whole[: len(impulse)])
    assert np.sum(whole[len(impulse) :] ** 2) < 1e-12 * np.sum(whole**2)
    assert len(impulse) < 48_000
    assert sections_impulse([], 48_000)[0] == 1
    assert len(sections_impulse([], 48_000)) == 1024


def test_what_is_no_section_is_refused():
    with pytest.raises(ValueError, match="type must be one of peaking, low-shelf, high-shelf, got 'notch'"):
        Section(type="notch", frequency_hz=100, gain_db=1, q=1)
    with pytest.raises(ValueError, match="frequency and q must be above 0"):
        Section(type="peaking", frequency_hz=100, gain_db=1, q=0)
    with pytest.raises(ValueError, match="needs a rate above 48000 Hz"):
        Section(type="peaking", frequency_hz=24_000, gain_db=1, q=1).coefficients(44_100)


def test_levels_and_slopes_of_the_search_are_those_of_sections():
    """Central differences by ln f, gain and ln Q; levels by the oracle's route."""
    types = ("peaking", "low-shelf", "high-shelf")
    numbers = np.array([[np.log(300.0), 5.0, np.log(2.0)], [np.log(90.0), -4.0, np.log(0.8)],
                        [np.log(7000.0), 3.0, np.log(0.6)]])  # fmt: skip
    at = np.geomspace(20, 20_000, 60)
    warped = np.log(np.tan(np.pi * at / 48_000))
    levels, slopes = _levels_and_slopes(types, numbers, warped, 48_000)
    for place, kind in enumerate(types):
        f, gain, q = np.exp(numbers[place, 0]), numbers[place, 1], np.exp(numbers[place, 2])
        own = section_level_db([Section(type=kind, frequency_hz=f, gain_db=gain, q=q)], at, 48_000)
        assert levels[place] == pytest.approx(own, abs=1e-9)
    for column in range(3):
        step = np.zeros(3)
        step[column] = 1e-5
        up, down = (_levels_and_slopes(types, numbers + sign * step, warped, 48_000)[0] for sign in (1, -1))
        assert slopes[:, column] == pytest.approx((up - down) / 2e-5, abs=1e-6)


def test_a_section_lies_below_half_the_rate_and_levels_above_it_are_those_at_it():
    high = [Section(type="peaking", frequency_hz=24_000.0, gain_db=6.0, q=1.0)]
    with pytest.raises(ValueError, match="a section at 24000 Hz can't run at 48000 Hz"):
        section_level_db(high, [1000.0], 48_000)
    shelf = [Section(type="high-shelf", frequency_hz=5000.0, gain_db=6.0, q=0.7)]
    assert section_level_db(shelf, [24_000.0, 30_000.0], 48_000) == pytest.approx([6.0, 6.0], abs=1e-3)
