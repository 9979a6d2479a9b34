"""The level curve: regularisation in closed form, alignment, bands, refusals."""

import numpy as np
import pytest

from blindtest.device import Limits, Response, correction_curve, level_between
from blindtest.errors import BlindtestError


def over(low, high, level=0.0, rig="", sources=()):
    return Response(frequency=np.array([low, high]), magnitude=np.full((2, 1), level), rig=rig, sources=sources)


def test_it_is_a_regularised_inverse(sections, flat):
    """Kirkeby and Nelson 1999: C = H / (H^2 + beta). With the beta of each frequency put in, C is the curve's gain."""
    device = sections((60, -14, 1), (3000, 8, 2), (6000, -15, 8)).response()
    curve = correction_curve(device, flat, max_boost_db=6, smoothing=None)
    inside = curve.inside
    h = 10 ** ((curve.response_db - curve.target_db)[inside] / 20)
    assert 20 * np.log10(h / (h**2 + curve.beta[inside])) == pytest.approx(curve.gain_db[inside], abs=1e-9)
    assert np.all(curve.beta[inside] >= -1e-12)
    assert np.max(curve.beta[inside]) > 0.1
    free = (curve.frequency > 2000) & (curve.frequency < 4000)  # a peak, inverted fully
    assert np.abs(curve.beta[free]).max() < 1e-9


def test_one_beta_for_all_frequencies_takes_from_all(sections, flat):
    """What the module says of it, by hand: a limit of 6 dB asks for beta = 10^-.6 / 4; at H = 1 that is -0.53 dB."""
    beta = 10**-0.6 / 4
    assert 20 * np.log10(1 / (2 * np.sqrt(beta))) == pytest.approx(6.0)
    assert 20 * np.log10(1 / (1 + beta)) == pytest.approx(-0.53, abs=0.005)


def test_levels_are_aligned_over_the_stated_band(sections, house_target):
    """Mean over log f, by Simpson's rule on a grid of the test's own."""
    from scipy.integrate import simpson

    device = sections((400, 9, 1), (3000, 6, 1)).response()
    curve = correction_curve(device, house_target, align_hz=(200, 2000), band_hz=(20, 16_000))
    octaves = np.linspace(np.log2(200), np.log2(2000), 4001)
    for level in (curve.response_db, curve.target_db):
        mean = simpson(np.interp(octaves, np.log2(curve.frequency), level), x=octaves) / np.ptp(octaves)
        assert mean == pytest.approx(0.0, abs=0.002)
    raw = device.magnitude[:, 0] - level_between(device.frequency, device.magnitude[:, 0], 200, 2000)
    assert np.interp(3000, curve.frequency, curve.response_db) == pytest.approx(
        np.interp(3000, device.frequency, raw), abs=1e-3
    )


def test_the_knee_under_the_limit(flat):
    """By hand: 1 dB under the limit nothing acts; at the limit the quadratic takes a quarter of a dB; 1 dB over: all.

    The device falls by 3 dB an octave towards the bass, so that each gain is wanted somewhere.
    """
    frequency = np.geomspace(10, 20_000, 2000)
    device = Response(frequency=frequency, magnitude=np.minimum(0, 3 * np.log2(frequency / 400))[:, None])
    curve = correction_curve(device, flat, align_hz=(1000, 4000), max_boost_db=6, smoothing=None)
    wanted = np.array([4.99, 6.0, 7.01, 9.0])
    assert curve.gain_at(400 * 2 ** (-wanted / 3)) == pytest.approx([4.99, 5.75, 6.0, 6.0], abs=2e-3)


@pytest.mark.parametrize(("limit", "by_curve"), [(1.0, False), (1.0, True), (0.4, True), (0.0, False), (0.0, True)])
def test_the_knee_is_as_wide_as_a_low_limit_at_most(flat, limit, by_curve):
    """By hand: under a limit L the knee is L/2 to each side, so L/8 is gone where L is wanted, and cuts are whole."""
    frequency = np.geomspace(10, 20_000, 2000)
    device = Response(frequency=frequency, magnitude=np.clip(3 * np.log2(frequency / 400), None, 3)[:, None])
    most = Response(frequency=np.array([10.0, 20_000.0]), magnitude=np.full((2, 1), limit))
    curve = correction_curve(
        device,
        flat,
        align_hz=(399, 401),
        max_boost_db=6.0 if by_curve else limit,
        smoothing=None,
        limits=Limits(boost=most) if by_curve else None,
    )
    wanted = np.array([-2.0, 0.0, 0.49 * limit, limit, 1.51 * limit, 4.0])
    held = [-2.0, 0.0, 0.49 * limit, 7 / 8 * limit, limit, limit]
    assert curve.gain_at(400 * 2 ** (-wanted / 3)) == pytest.approx(held, abs=4e-3)


def test_what_the_limit_holds_back_is_told_where_it_is_and_how_deep(flat):
    """By hand, 3 dB an octave: 7 dB are wanted at 400 x 2^(-7/3) Hz, from there on more than 1 dB over the limit of 6.

    At 50 Hz, the lower edge, 9 are wanted: a dip of 3 dB is left. Outside the band nothing is told.
    """
    frequency = np.geomspace(10, 20_000, 2000)
    device = Response(frequency=frequency, magnitude=np.minimum(0, 3 * np.log2(frequency / 400))[:, None])
    (one,) = correction_curve(
        device, flat, align_hz=(1000, 4000), band_hz=(50, 8000), max_boost_db=6, smoothing=None
    ).held_back
    assert (one.by, one.low_hz) == ("boost", 50.0)
    assert one.high_hz == pytest.approx(400 * 2 ** (-7 / 3), rel=0.01)
    assert one.worst_db == pytest.approx(3.0, abs=0.01)
    # 5 dB wanted, of 6 allowed: nothing is held back.
    assert (
        correction_curve(
            device, flat, align_hz=(1000, 4000), band_hz=(126, 8000), max_boost_db=6, smoothing=None
        ).held_back
        == ()
    )


def test_narrow_ripple_is_left_alone_and_resonances_are_not_flattened(sections, flat):
    """A sine over log f of period 1/12 octave has no mean over 1/12 octave; a resonance keeps its top."""
    device = sections((1000, 10, 3))
    frequency = np.geomspace(5, 24_000, 12_000)
    ripple = 0.3 * np.sin(2 * np.pi * 12 * np.log2(frequency))
    rippled = Response(frequency=frequency, magnitude=(device.level(frequency) + ripple)[:, None])
    curve = correction_curve(rippled, flat, align_hz=(30, 60), band_hz=(20, 20_000))
    kept = curve.frequency > 40
    assert np.abs(curve.gain_db + device.level(curve.frequency))[kept & curve.inside].max() < 0.05


def test_a_band_that_is_not_covered_is_narrowed_and_said():
    curve = correction_curve(over(30, 22_000), over(20, 16_000), band_hz=(10, 20_000))
    assert curve.band_hz == (30.0, 16_000.0)
    assert curve.remarks == (
        "corrected from 30 to 16000 Hz, not from 10 to 20000 Hz: response and target cover no more",
    )
    assert correction_curve(over(20.1, 20_000), over(20, 20_000), band_hz=(20, 20_000)).remarks == ()
    one_side = correction_curve(over(30, 22_000), over(20, 22_000), band_hz=(20, 20_000))
    assert (one_side.band_hz, len(one_side.remarks)) == ((30.0, 20_000), 1)
    other = correction_curve(over(20, 22_000), over(20, 16_000), band_hz=(20, 20_000))
    assert (other.band_hz, len(other.remarks)) == ((20.0, 16_000.0), 1)


def test_gain_ends_where_the_blend_ends(sections, flat):
    curve = correction_curve(sections((100, 8, 0.7)).response(), flat, align_hz=(1000, 3000), band_hz=(50, 8000))
    assert curve.gain_db[[0, -1]] == pytest.approx([0, 0], abs=1e-12)
    assert curve.gain_at([1.0, 30.0, 12_000.0, 23_000.0]) == pytest.approx(np.zeros(4), abs=1e-12)
    assert np.any(curve.frequency == 50.0)
    assert np.any(curve.frequency == 8000.0)


def test_an_alignment_that_is_not_covered_is_refused():
    with pytest.raises(BlindtestError) as caught:
        correction_curve(over(20, 20_000, sources=("unit.txt",)), over(500, 20_000, sources=("goal.txt",)))
    assert str(caught.value) == (
        "goal.txt: align_hz: the target doesn't cover the band over which levels are aligned, got [300.0, 3000.0] "
        "(allowed: within 500 to 20000 Hz); align over a band that response and target both cover"
    )


def test_different_rigs_are_refused_with_everything_else():
    with pytest.raises(BlindtestError) as caught:
        correction_curve(
            over(20, 20_000, rig="ear simulator 2"), over(20, 20_000, rig="coupler 1"), band_hz=(30_000, 40_000)
        )
    assert [fault.problem for fault in caught.value.faults] == [
        "responses of different rigs are never combined",
        "there is less than 1/3 octave to correct",
    ]


@pytest.mark.parametrize(
    ("arguments", "match"),
    [
        ({"band_hz": (1000, 100)}, "band_hz must be two frequencies, the lower first"),
        ({"band_hz": (1000, 1000)}, "band_hz must be two frequencies, the lower first"),
        ({"align_hz": (0, 100)}, "align_hz must be two frequencies, the lower first"),
        ({"max_boost_db": -1}, "max_boost_db must be 0 or more, got -1"),
        ({"max_boost_db": float("nan")}, "max_boost_db must be 0 or more, got nan"),
        ({"smoothing": 2.0}, "fraction must be 1/48 to 1 octave"),
    ],
)
def test_impossible_numbers_are_refused(arguments, match):
    with pytest.raises(ValueError, match=match):
        correction_curve(over(20, 20_000), over(20, 20_000), **arguments)


def test_levels_have_to_be_finite():
    with pytest.raises(ValueError, match="all levels must be finite"):
        correction_curve(over(20, 20_000, float("-inf")), over(20, 20_000))
