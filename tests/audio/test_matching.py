"""The gains of the match."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from blindtest.audio import OutOfHeadroom, from_db, integrated_loudness, matching_gains, true_peak

levels = st.floats(-60, 0)


@given(
    stimuli=st.lists(st.tuples(levels, st.floats(-60, 6)), min_size=1, max_size=8),
    target=levels,
    ceiling=st.floats(-6, 0),
)
def test_matching_never_passes_the_ceiling(stimuli, target, ceiling):
    loudness, peak = np.array(stimuli).T
    excess = np.max(peak + (target - loudness)) - ceiling
    if excess > 0:
        with pytest.raises(OutOfHeadroom) as refusal:
            matching_gains(loudness, peak, target=target, ceiling=ceiling)
        # What it says can be reached is reached, by the one that stood in the way exactly.
        reachable, worst = refusal.value.reachable, refusal.value.stimulus
        assert reachable == pytest.approx(target - excess, abs=1e-9)
        gains = matching_gains(loudness, peak, target=reachable - 1e-9, ceiling=ceiling)
        assert peak[worst] + gains[worst] == pytest.approx(ceiling, abs=1e-6)
    else:
        gains = matching_gains(loudness, peak, target=target, ceiling=ceiling)
    assert np.all(peak + gains <= ceiling + 1e-12)
    assert np.ptp(loudness + gains) < 1e-9


def test_gains_by_hand():
    assert matching_gains([-20, -26], [-10, -12], target=-23, ceiling=-1).tolist() == [-3.0, 3.0]


def test_the_ceiling_itself_may_be_reached_and_a_hundredth_of_a_decibel_above_it_may_not():
    # By hand: the peak lies at -5, and 4 dB are added.
    assert matching_gains([-24], [-5], target=-20, ceiling=-1).tolist() == [4.0]
    with pytest.raises(OutOfHeadroom) as refusal:
        matching_gains([-24], [-4.99], target=-20, ceiling=-1)
    assert refusal.value.reachable == pytest.approx(-20.01, abs=1e-9)


def test_the_refusal_says_what_all_could_reach():
    # By hand: the second would peak at -2 + 6 = +4, 5 dB over the ceiling of -1: -20 - 5.
    with pytest.raises(
        OutOfHeadroom, match=r"-20\.00 LUFS would pass the ceiling; all stimuli reach -25\.00 LUFS"
    ) as r:
        matching_gains([-21, -26], [-3, -2], target=-20, ceiling=-1)
    assert (r.value.asked, r.value.reachable, r.value.stimulus) == (-20, -25, 1)


def test_matched_noise_is_equally_loud():
    rng = np.random.default_rng(10)
    white = 0.1 * rng.standard_normal((96_000, 2))
    dull = 0.9 * np.apply_along_axis(np.convolve, 0, white, np.ones(12) / 12, mode="same")
    clips = [white, dull]
    gains = matching_gains(
        [integrated_loudness(clip, 48_000) for clip in clips],
        [true_peak(clip, 48_000) for clip in clips],
        target=-24,
        ceiling=-1,
    )
    after = [integrated_loudness(clip * from_db(gain), 48_000) for clip, gain in zip(clips, gains, strict=True)]
    assert after == pytest.approx([-24.0, -24.0], abs=0.001)


@pytest.mark.parametrize(
    ("loudness", "peak", "message"),
    [
        ([-np.inf, -20], [-3, -3], "without a loudness can't be matched"),
        ([-20], [-3, -3], r"alike \(stimuli,\)"),
        ([], [], r"alike \(stimuli,\)"),
    ],
)
def test_what_cannot_be_matched_is_refused(loudness, peak, message):
    with pytest.raises(ValueError, match=message):
        matching_gains(loudness, peak, target=-23, ceiling=-1)
