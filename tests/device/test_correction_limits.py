"""What holds a correction back beside its one limit."""

import numpy as np
import pytest

from blindtest.device import Limits, Response, SeatingAverage, average_seatings, correction_fir, spread_of
from blindtest.device.correction_limits import runs, uncertain_bands

RATE = 48_000


def average_with(spread_db, level_db, frequency, seatings=5):
    one = Response(frequency=frequency, magnitude=level_db[:, None])
    return SeatingAverage(response=one, spread=spread_db[:, None], range=2 * spread_db[:, None], seatings=seatings)


@pytest.fixture(scope="module")
def wide_dip():
    """A valley of 5 dB from 60 to 240 Hz, and the grid it stands on."""
    frequency = np.geomspace(10, 22_000, 600)
    return frequency, -5 * np.exp(-((np.log2(frequency / 120) / 0.9) ** 2))


def gain_at(correction, hz):
    return float(np.interp(hz, correction.frequency, correction.gain_db))


def test_a_limit_over_frequency_holds_where_it_says(wide_dip, flat):
    frequency, level = wide_dip
    device = Response(
        frequency=frequency, magnitude=level[:, None] + 4 * np.exp(-((np.log2(frequency / 2000)) ** 2))[:, None]
    )
    limit = Response(
        frequency=np.array([20.0, 110.0, 130.0, 10_000.0]), magnitude=np.array([[2.0], [2.0], [9.0], [9.0]])
    )
    plain = correction_fir(device, flat, RATE, align_hz=(500, 800))
    held = correction_fir(device, flat, RATE, align_hz=(500, 800), limits=Limits(boost=limit))
    assert gain_at(plain, 100) > 4
    assert gain_at(held, 100) == pytest.approx(2.0, abs=0.02)
    assert gain_at(held, 200) == pytest.approx(gain_at(plain, 200), abs=0.02)
    assert gain_at(held, 2000) == pytest.approx(gain_at(plain, 2000), abs=0.02)  # cuts are left as they are
    assert [one.by for one in held.held_back] == ["boost"]
    nothing = Response(frequency=np.array([20.0, 10_000.0]), magnitude=np.array([[0.0], [0.0]]))
    cuts = correction_fir(device, flat, RATE, align_hz=(500, 800), limits=Limits(boost=nothing))
    assert cuts.gain_db.max() < 0.01
    assert gain_at(cuts, 2000) == pytest.approx(gain_at(plain, 2000), abs=0.05)


@pytest.mark.parametrize("spread", [0.0, 1.0, 2.5, 5.0])
def test_a_boost_is_held_back_by_the_spread(wide_dip, flat, spread):
    """b becomes b^2 / (b + 2 s): the rule by hand, for the boost that no spread leaves."""
    frequency, level = wide_dip
    same = average_with(np.full(len(frequency), spread), level, frequency)
    plain = correction_fir(same.response, flat, RATE, align_hz=(500, 2000))
    held = correction_fir(same, flat, RATE, align_hz=(500, 2000))
    b = gain_at(plain, 120)
    assert gain_at(held, 120) == pytest.approx(b * b / (b + 2 * spread), abs=0.05)
    assert ("spread" in [one.by for one in held.held_back]) == (spread > 0)
    assert bool(held.uncertain) == (spread > 2.5)
    ignored = correction_fir(same, flat, RATE, align_hz=(500, 2000), limits=Limits(spread_sd=0))
    assert np.max(np.abs(ignored.gain_db - plain.gain_db)) < 1e-9


def test_peaks_are_taken_down_however_far_seatings_lie_apart(wide_dip, flat):
    frequency, level = wide_dip
    same = average_with(np.full(len(frequency), 4.0), -level, frequency)
    assert gain_at(correction_fir(same, flat, RATE, align_hz=(500, 2000)), 120) == pytest.approx(-5, abs=0.05)


def test_the_spread_is_the_root_of_the_mean_variance():
    """By hand, at every frequency alike: SDs of 3 and 4 dB come to sqrt(12.5)."""
    frequency = np.geomspace(20, 20_000, 100)
    flat = np.zeros(100)
    left, right = (average_with(np.full(100, sd), flat, frequency) for sd in (3.0, 4.0))
    assert spread_of(left, right).magnitude[:, 0] == pytest.approx(np.full(100, np.sqrt(12.5)), rel=1e-9)
    once = average_seatings([Response(frequency=frequency, magnitude=flat[:, None])])
    assert spread_of(once) is None
    assert spread_of(once, right).magnitude[:, 0] == pytest.approx(np.full(100, 4.0), rel=1e-9)


def test_a_band_left_out_is_not_corrected(wide_dip, flat):
    frequency, level = wide_dip
    device = Response(frequency=frequency, magnitude=(level + 4 * np.exp(-((np.log2(frequency / 2000)) ** 2)))[:, None])
    part = correction_fir(device, flat, RATE, align_hz=(500, 800), limits=Limits(without_hz=((20, 300),)))
    whole = correction_fir(device, flat, RATE, align_hz=(500, 800))
    low = part.frequency <= 300
    assert np.max(np.abs(part.gain_db[low])) < 0.01
    high = part.frequency >= 300 * 2 ** (1 / 3) * 1.01
    assert np.max(np.abs(part.gain_db[high] - whole.gain_db[high])) < 0.01
    assert part.to_dict()["without_hz"] == [[20, 300]]


def test_limits_that_make_no_sense_are_refused():
    with pytest.raises(ValueError, match="spread_sd must be 0 or more, got -1"):
        Limits(spread_sd=-1)
    with pytest.raises(ValueError, match=r"without_hz must be pairs of frequencies, the lower first, got \(300, 20\)"):
        Limits(without_hz=((300, 20),))


def test_bands_of_a_wide_spread_by_hand():
    """Above 2.5 dB within 100 to 1600 Hz: from 200 to 400 Hz, and at 1600; what is nearer than a gap is one band."""
    frequency = 100 * 2.0 ** np.arange(-1, 6)
    spread = np.array([9.0, 2.5, 3.0, 4.0, 2.0, 2.6, 9.0])
    found = uncertain_bands(frequency, spread, (100.0, 1600.0))
    assert [(one.low_hz, one.high_hz, one.worst_db) for one in found] == [(200, 400, 4.0), (1600, 1600, 2.6)]
    assert uncertain_bands(frequency, None, (100.0, 1600.0)) == ()


@pytest.mark.parametrize(("apart", "joined"), [(2.9, [(1, 3), (5, 6)]), (3.1, [(1, 6)])])
def test_stretches_are_joined_by_octaves(apart, joined):
    """Between 400 and 3200 Hz lie three octaves."""
    where = np.array([False, True, True, False, False, True, False])
    assert list(runs(100 * 2.0 ** np.arange(7), where, apart)) == joined
