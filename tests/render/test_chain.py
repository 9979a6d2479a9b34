import numpy as np
import pytest
from numpy.testing import assert_allclose

from blindtest.device import Response
from blindtest.render import (
    STAGES,
    Condition,
    GainStage,
    Playback,
    RecordingStage,
    common_curve,
    condition_curve_db,
    heard_curve_db,
    playback_inverse_db,
)
from blindtest.render.curves import trusted_weight, zero_curve
from blindtest.render.playback import boost_limits

BAND = (20.0, 10_000.0)


def read_on(response, frequency):
    """A response read by an interpolation of our own: scipy's PCHIP on lg f, mean over channels, ends held."""
    from scipy.interpolate import PchipInterpolator

    at = np.clip(frequency, response.frequency[0], response.frequency[-1])
    return PchipInterpolator(np.log10(response.frequency), response.magnitude.mean(axis=1))(np.log10(at))


def test_every_stage_is_in_the_table_under_its_own_word():
    assert {kind: stage.kind for kind, stage in STAGES.items()} == {
        "response": "response",
        "gain": "gain",
        "recording": "recording",
    }


def test_curves_differ_by_what_was_measured(bench):
    """methods.md 4.1: rendered A minus B equals measured A minus B throughout the trusted band, up to one constant."""
    conditions = [bench.condition("a", bench.heron), bench.condition("b", bench.plover)]
    common = common_curve(conditions, bench.playback)
    frequency = np.geomspace(*BAND, 4001)
    a, b = (condition_curve_db(one, bench.playback, common, BAND, frequency) for one in conditions)
    off = (a - b) - (read_on(bench.heron, frequency) - read_on(bench.plover, frequency))
    assert np.ptp(off) < 1e-9
    assert off[0] == pytest.approx(7.0, abs=2.0)  # the levels in dB SPL, 94 and 101, are gone


def test_limiting_each_quotient_would_have_changed_the_difference(bench):
    """methods.md 4.1: 8.1 dB at 20 Hz became 3.5 dB with a limit for each condition; one inverse for all keeps it."""
    deep, shallow = bench.device((20, -2.0, 1.0)), bench.device((20, 6.1, 1.0))
    playback = Playback(unit_id="p", response=bench.device((20, -15.0, 1.0)), max_boost_db=6.0, trusted_band_hz=BAND)
    frequency = np.array([20.0, 1000.0])
    conditions = [bench.condition("a", deep), bench.condition("b", shallow)]
    common = common_curve(conditions, playback)
    a, b = (condition_curve_db(one, playback, common, BAND, frequency) for one in conditions)
    kept = (b - a)[0] - (b - a)[1]
    measured = np.diff(read_on(shallow, frequency) - read_on(deep, frequency))[0]
    assert kept == pytest.approx(-measured, abs=1e-9)
    assert kept == pytest.approx(8.1, abs=0.05)
    per_condition = np.minimum(read_on(shallow, frequency) - read_on(playback.response, frequency), 6.0) - np.minimum(
        read_on(deep, frequency) - read_on(playback.response, frequency), 6.0
    )
    assert abs(per_condition[0] - per_condition[1]) < 4.0  # what the rule forbids


def test_outside_the_band_all_conditions_are_one_curve(bench):
    conditions = [bench.condition("a", bench.heron), bench.condition("b", bench.plover)]
    common = common_curve(conditions, bench.playback)
    outside = np.array([5.0, 15.0, 20.0 * 2 ** (-1 / 3), 10_000.0 * 2 ** (1 / 3), 14_000.0, 20_000.0])
    a, b = (condition_curve_db(one, bench.playback, common, BAND, outside) for one in conditions)
    assert_allclose(a, b, atol=1e-12)
    own = [condition_curve_db(one, bench.playback, common, (1.0, 1e5), outside) for one in conditions]
    # Their mean, up to a constant: the wide band that shows the own curves also levels them otherwise.
    mean = (own[0] + own[1]) / 2
    assert np.ptp(a - mean) < 0.05  # the common curve is stored on 12 points an octave


def test_the_blend_lies_outside_the_edges():
    frequency = np.array([10.0, 20 * 2 ** (-1 / 6), 20.0, 500.0, 10_000.0, 10_000 * 2 ** (1 / 6), 13_000.0])
    assert_allclose(trusted_weight(frequency, BAND), [0, 0.5, 1, 1, 1, 0.5, 0], atol=1e-12)


def test_a_condition_without_a_response_makes_the_common_curve_zero(bench):
    conditions = [
        bench.condition("a", bench.heron),
        Condition(id="clip"),
        Condition(id="g", stages=(GainStage(gain_db=1),)),
    ]
    common = common_curve(conditions, bench.playback)
    assert common.untouched
    frequency = np.array([5.0, 1000.0, 18_000.0])
    assert_allclose(common.at(frequency), 0.0)
    assert condition_curve_db(conditions[0], bench.playback, common, BAND, frequency)[[0, 2]].tolist() == [0.0, 0.0]
    assert_allclose(condition_curve_db(conditions[1], bench.playback, common, BAND, frequency), 0.0)


def test_the_inverse_is_limited_once_and_the_limit_is_reported(bench):
    """Kirkeby and Nelson 1999: the boost never passes 1/(2 sqrt(beta)), here 9 dB."""
    frequency = np.geomspace(20, 20_000, 5000)
    inverse = playback_inverse_db(bench.playback, frequency)
    assert inverse.max() <= 9.0 + 1e-9
    limits = boost_limits(bench.playback)
    dip = next(limit for limit in limits if limit.low_hz < 8500 < limit.high_hz)
    level = read_on(bench.playback.response, frequency)
    from scipy.integrate import trapezoid

    fine = np.geomspace(*BAND, 200_001)
    level -= trapezoid(read_on(bench.playback.response, fine), np.log(fine)) / np.log(BAND[1] / BAND[0])
    short = -(level + inverse)
    assert dip.worst_db == pytest.approx(short[(frequency > 8000) & (frequency < 9000)].max(), abs=0.01)
    assert dip.worst_db > 3.0
    assert not boost_limits(None)
    assert not boost_limits(Playback(unit_id="flat", response=bench.device()))


def test_heard_is_the_response_less_the_field_around_zero(bench):
    frequency = np.geomspace(*BAND, 100_001)
    heard = heard_curve_db(bench.playback, frequency)
    expected = read_on(bench.playback.response, frequency) - read_on(bench.playback.field, frequency)
    assert np.ptp(heard - expected) < 1e-9
    assert np.trapezoid(heard, np.log(frequency)) == pytest.approx(0.0, abs=1e-4)
    assert heard_curve_db(None, frequency) is None
    assert heard_curve_db(Playback(unit_id="unknown"), frequency) is None


def test_left_and_right_get_their_mean(bench):
    two = Response(
        frequency=np.array([20.0, 200.0, 2000.0, 20_000.0]),
        magnitude=np.array([[0, 2.0], [1, 1], [4, 0], [2, 4]]),
        channels=("left", "right"),
    )
    one = Response(frequency=two.frequency, magnitude=np.array([[1.0], [1], [2], [3]]))
    frequency = np.geomspace(20, 10_000, 50)
    curves = [
        condition_curve_db(bench.condition("a", response), None, zero_curve(), BAND, frequency)
        for response in (two, one)
    ]
    assert_allclose(curves[0], curves[1], atol=1e-12)


def test_facts_hold_no_names(bench):
    first, second = bench.condition("heron", bench.heron), bench.condition("plover", bench.heron)
    assert first.facts() == second.facts()
    assert "heron" not in str(first.facts())
    assert Condition(id="x", stages=(RecordingStage(files={}, align=True), GainStage(gain_db=2))).facts() == [
        {"kind": "recording", "align": True},
        {"kind": "gain", "gain_db": 2.0},
    ]
