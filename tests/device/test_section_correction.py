"""Fitted sections: devices made of sections are found out, limits hold at every frequency, what is left is said."""

import numpy as np
import pytest
from scipy.signal import freqz_sos

from blindtest.device import (
    Limits,
    Response,
    Section,
    average_seatings,
    correction_fir,
    correction_sections,
    section_level_db,
    sections_towards,
)
from blindtest.errors import BlindtestError

RATE = 48_000


def random_device(seed, count=6):
    """An invented device: sections of 3 to 10 dB anywhere from 25 Hz to 9.5 kHz, peaks of Q 0.5 to 6."""
    rng = np.random.default_rng(seed)
    made = []
    for _ in range(count):
        kind = str(rng.choice(["peaking", "peaking", "peaking", "low-shelf", "high-shelf"]))
        q = float(np.exp(rng.uniform(np.log(0.5), np.log(6)))) if kind == "peaking" else float(rng.uniform(0.5, 1))
        hz = float(np.exp(rng.uniform(np.log(25), np.log(9500))))
        made.append(Section(type=kind, frequency_hz=hz, gain_db=float(rng.uniform(3, 10) * rng.choice([-1, 1])), q=q))
    return made


def response_of(device, points=600, rate=RATE, offset=0.0):
    frequency = np.geomspace(10, 22_000, points)
    return Response(frequency=frequency, magnitude=section_level_db(device, frequency, rate)[:, None] + offset)


def heard_db(device, correction, frequency):
    """Device and correction together, by scipy's evaluation of the coefficients."""
    both = freqz_sos(correction.sos(RATE), frequency, fs=RATE)[1]
    return section_level_db(device, frequency, RATE) + 20 * np.log10(np.abs(both))


@pytest.mark.parametrize(("seed", "count"), [(3, 6), (25, 10)])
def test_a_device_of_six_sections_is_corrected(flat, seed, count):
    """Asked: 0.5 dB RMS in band. Also by an independent sum, and with the level as it was given."""
    device = random_device(seed)
    correction = correction_sections(response_of(device), flat, RATE, count=count)
    assert len(correction.sections) <= count
    assert correction.rms_before_db > 2
    assert correction.rms_error_db < 0.2
    left = heard_db(device, correction, correction.frequency)
    assert np.sqrt(np.mean(left**2)) < 0.2
    assert np.ptp(left - correction.error_db) < 0.05  # the response was read between its 600 points


@pytest.mark.long
@pytest.mark.parametrize("count", [6, 10])
def test_hundreds_of_random_devices(flat, count):
    worst = max(
        correction_sections(response_of(random_device(seed)), flat, RATE, count=count).rms_error_db
        for seed in range(300)
    )
    print(f"{count} sections, 300 random devices: worst {worst:.3f} dB r.m.s.")
    assert worst < 0.5


def test_the_limits_of_the_user_hold(messy, house_target):
    correction = correction_sections(
        messy, house_target, RATE, count=7, max_gain_db=5.0, max_q=3.0, band=(40, 9000), max_boost_db=4.0
    )
    table = correction.sections
    assert list(table.columns) == ["type", "frequency_hz", "gain_db", "q"]
    assert len(table) == 7
    assert set(table["type"]) <= {"peaking", "low-shelf", "high-shelf"}
    assert table["gain_db"].abs().max() <= 5.0
    assert table["q"].max() <= 3.0
    assert table["frequency_hz"].between(40, 9000).all()
    level = 20 * np.log10(np.abs(freqz_sos(correction.sos(RATE), np.geomspace(1, 23_999, 5000), fs=RATE)[1]))
    assert level.max() <= 4.0 + 0.03
    assert correction.headroom_db == pytest.approx(max(0.0, level.max()), abs=0.01)
    assert correction.rms_error_db < correction.rms_before_db


@pytest.mark.long
def test_a_messy_headphone_is_brought_nearly_as_near_as_by_the_fir(messy, house_target):
    ten = correction_sections(messy, house_target, RATE, max_boost_db=6.0, limits=Limits())
    fir = correction_fir(messy, house_target, RATE)
    assert ten.rms_before_db == pytest.approx(fir.rms_before_db, abs=1e-9)
    assert ten.rms_error_db < fir.rms_error_db + 0.2 < ten.rms_before_db / 2


def test_more_sections_leave_less(messy, house_target):
    left = [correction_sections(messy, house_target, RATE, count=count).rms_error_db for count in (0, 1, 3)]
    assert left == sorted(left, reverse=True)
    assert left[0] == pytest.approx(correction_sections(messy, house_target, RATE, count=0).rms_before_db)


@pytest.mark.long
def test_a_level_in_spl_changes_nothing(flat):
    """A constant as far off as SPL is taken out by the alignment; the level is then free."""
    device = random_device(25)
    plain = correction_sections(response_of(device, offset=94.0), flat, RATE)
    assert plain.rms_error_db < 0.2
    other = correction_sections(response_of(device, offset=110.0), flat, RATE)
    assert other.sections.round(4).equals(plain.sections.round(4))


def test_the_same_input_gives_the_same_sections(messy, house_target):
    one, two = (correction_sections(messy, house_target, RATE, count=3) for _ in range(2))
    assert one.chain == two.chain


def test_a_part_is_switched_off_by_taking_its_sections_out(flat):
    device = [
        Section(type="low-shelf", frequency_hz=80, gain_db=-6, q=0.7),
        Section(type="peaking", frequency_hz=3000, gain_db=7, q=3),
    ]
    whole = correction_sections(response_of(device), flat, RATE)
    part = correction_sections(response_of(device), flat, RATE, limits=Limits(notches=False, without_hz=((20, 200),)))
    assert part.without_hz == ((20, 200),)
    assert set(part.chain) == {one for one in whole.chain if one.frequency_hz > 200}
    assert set(part.chain) < set(whole.chain)
    # What is left is the bass that was switched off, and nothing about 3 kHz.
    around = (part.frequency > 2000) & (part.frequency < 5000)
    assert np.max(np.abs(part.error_db[around])) < 0.2
    assert part.error_db[0] == pytest.approx(-6, abs=0.3)


def test_seatings_that_disagree_hold_boosts_back(flat):
    """A dip that lies elsewhere at each seating isn't filled; one that all show is."""
    frequency = np.geomspace(10, 22_000, 800)

    def seating(dip):
        device = [
            Section(type="peaking", frequency_hz=400, gain_db=-6, q=1),
            Section(type="peaking", frequency_hz=dip, gain_db=-14, q=4),
        ]
        return Response(frequency=frequency, magnitude=section_level_db(device, frequency)[:, None])

    average = average_seatings([seating(hz) for hz in (4200, 4900, 5600, 6400, 7300)])
    careful = correction_sections(average, flat, RATE, align_hz=(1000, 2000))
    careless = correction_sections(average.response, flat, RATE, align_hz=(1000, 2000))
    at = np.array([400.0, 5500.0])
    gains = [section_level_db(one.chain, at, RATE) - one.level_db for one in (careful, careless)]
    assert gains[0][0] == pytest.approx(5.4, abs=0.4)  # of 6: the seatings differ a little here too
    assert gains[1][1] - gains[0][1] > 2.0
    assert [one.by for one in careful.held_back] == ["spread"]
    assert careless.held_back == ()
    assert careless.uncertain == ()
    assert careful.uncertain
    assert all(3300 < one.low_hz < one.high_hz < 9500 and one.worst_db > 2.5 for one in careful.uncertain)


def test_errors_are_told_octave_by_octave(messy, house_target):
    correction = correction_sections(messy, house_target, RATE, count=4, band=(20, 10_240))
    bands = correction.bands
    assert len(bands) == 9
    assert [one.low_hz for one in bands] == pytest.approx([20 * 2**k for k in range(9)])
    assert np.sqrt(np.mean([one.rms_db**2 for one in bands])) == pytest.approx(correction.rms_error_db, rel=0.01)
    assert correction.worst_error_db in [one.worst_db for one in bands]


def test_the_users_own_sections_are_judged_alike(flat):
    device = random_device(25)
    own = [
        Section(type=one.type, frequency_hz=one.frequency_hz, gain_db=-one.gain_db, q=one.q) for one in reversed(device)
    ]
    correction = sections_towards(own, response_of(device, 4000), flat, RATE)
    assert correction.rms_error_db < 0.01
    assert sorted(correction.chain, key=lambda one: one.frequency_hz) == list(correction.chain)
    assert correction.to_dict()["filter"] == "sections"
    high = [Section(type="peaking", frequency_hz=30_000, gain_db=1, q=1)]
    says = "sections: a section lies at or above half the sample rate, got '30000 Hz at 48000 Hz'"
    with pytest.raises(BlindtestError, match=says):
        sections_towards(high, response_of(device), flat, RATE)


def test_limits_that_leave_nothing_are_refused(flat):
    device = response_of(random_device(1))
    with pytest.raises(ValueError, match="max_gain_db must be 0 or more and max_q above 0"):
        correction_sections(device, flat, RATE, max_q=0)
    with pytest.raises(ValueError, match="count 0 or more"):
        correction_sections(device, flat, RATE, count=-1)
    assert correction_sections(device, flat, RATE, max_gain_db=0).chain == ()
