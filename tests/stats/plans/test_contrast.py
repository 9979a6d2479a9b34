"""Power of a difference of ratings."""

from math import inf, sqrt

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import t
from statsmodels.stats.power import TTestPower

from blindtest.stats import ContrastDesign, contrast_power, contrast_sample_size, detectable_difference
from blindtest.stats.plans.contrast import power_of_t


def these_clips(**more):
    return ContrastDesign(**({"listeners": 12, "clips": 5, "repeats": 2, "clips_are_a_sample": False} | more))


@pytest.mark.parametrize("listeners", [3, 6, 12, 24, 60])
@pytest.mark.parametrize("difference", [2.0, 8.0, 15.0])
@pytest.mark.parametrize("two_sided", [True, False])
def test_for_these_clips_it_is_the_paired_t_test(listeners, difference, two_sided):
    # statsmodels 0.15.0, TTestPower: one mean per listener, its standard deviation from listeners and ratings.
    sd = sqrt(8.0**2 + 2 * 12.0**2 / 10)
    ours = contrast_power(these_clips(listeners=listeners), difference=difference, two_sided=two_sided)
    sides = "two-sided" if two_sided else "larger"
    theirs = TTestPower().power(difference / sd, listeners, 0.05, alternative=sides)
    assert ours.power == pytest.approx(theirs, abs=2e-8)


@pytest.mark.parametrize("difference", [4.0, 8.0, 12.0])
def test_the_number_of_listeners_is_that_of_statsmodels(difference):
    from math import ceil

    sd = sqrt(8.0**2 + 2 * 12.0**2 / 10)
    exact = TTestPower().solve_power(difference / sd, power=0.8, alpha=0.05)
    assert contrast_sample_size(these_clips(), difference=difference) == ceil(exact)


def test_what_a_finished_test_could_have_detected_has_that_power():
    for df in (2.5, 8, 40):
        reach = detectable_difference(std_error=3.0, df=df)
        assert power_of_t(reach, std_error=3.0, df=df, alpha=0.05) == pytest.approx(0.8, abs=1e-9)


def test_degrees_of_freedom_of_a_sample_are_satterthwaites_by_hand():
    # Mean squares of differences: scatter 2 * 12**2 / 2 = 144; listeners 144 + 5 * 64 = 464 (11 df); clips
    # 144 + 12 * 16 = 336 (4 df); scatter 144 on 240 - 2 * 16 = 208 df. Contrast: (464 + 336 - 144)/60.
    design = ContrastDesign(listeners=12, clips=5, repeats=2)
    assert design.std_error == pytest.approx(sqrt(656 / 60))
    assert design.df == pytest.approx(656**2 / (464**2 / 11 + 336**2 / 4 + 144**2 / 208))


def test_negligible_is_two_one_sided_tests():
    # Counted: estimates and scatter drawn as a t test sees them; 4 standard errors of 100 000 draws.
    import numpy as np

    design = these_clips()
    found = contrast_power(design, difference=8, margin=8)
    rng = np.random.default_rng(3)
    estimates = rng.normal(0, design.std_error, 100_000)
    scatter = design.std_error * np.sqrt(rng.chisquare(design.df, 100_000) / design.df)
    from scipy.stats import t

    share = np.mean(np.abs(estimates) + t.ppf(0.95, design.df) * scatter < 8)
    assert found.chance_negligible == pytest.approx(share, abs=4 * 0.5 / sqrt(100_000))


def test_more_devices_share_their_scatter():
    """12 listeners, 4 devices: the mean square of listener x device has 11 x 3 degrees of freedom."""
    assert these_clips(devices=4).df == 33
    assert these_clips(devices=4).std_error == pytest.approx(sqrt((2 * 144 / 2 + 5 * 64) / 60))


def test_three_clips_are_told_to_be_few_and_four_are_not():
    few = contrast_power(ContrastDesign(listeners=12, clips=3), difference=5)
    assert few.remarks == ("3 clips say little about other clips: take more, or claim for these clips only",)
    assert contrast_power(ContrastDesign(listeners=12, clips=4), difference=5).remarks == ()
    assert contrast_power(these_clips(clips=3), difference=5).remarks == ()


def test_more_listeners_cannot_make_up_for_too_few_clips():
    assert contrast_sample_size(ContrastDesign(listeners=2, clips=2, sd_clip=8.0), difference=4) is None


@settings(max_examples=30, deadline=None)
@given(st.integers(2, 60), st.integers(2, 20), st.integers(1, 4), st.integers(2, 6), st.booleans())
def test_more_of_anything_never_shows_less(listeners, clips, repeats, devices, sample):
    def power(**more):
        sizes = {"listeners": listeners, "clips": clips, "repeats": repeats, "devices": devices} | more
        return contrast_power(ContrastDesign(clips_are_a_sample=sample, **sizes), difference=6).power

    at = power()
    assert power(repeats=repeats + 1) >= at - 1e-9
    # With few clips as a sample more listeners move weight, and degrees of freedom, towards the clips: a hair is lost.
    assert power(listeners=listeners + 1) >= at - (1e-3 if sample else 1e-9)
    assert contrast_power(
        ContrastDesign(listeners=listeners, clips=clips, clips_are_a_sample=sample), difference=0
    ).power == pytest.approx(0.05, abs=1e-9)


def test_one_listener_can_show_nothing():
    found = contrast_power(these_clips(listeners=1), difference=50, margin=8)
    assert (found.power, found.chance_negligible, found.detectable) == (0.0, 0.0, inf)
    assert "can show nothing" in found.sentence


def test_numbers_out_of_range_are_refused():
    with pytest.raises(ValueError, match="devices must be 2 or more, got 1"):
        ContrastDesign(listeners=4, clips=2, devices=1)
    with pytest.raises(ValueError, match="the margin must be above 0, got 0"):
        contrast_power(these_clips(), difference=3, margin=0)


@pytest.mark.parametrize(("two_sided", "share"), [(True, 0.975), (False, 0.95)])
def test_what_has_to_be_seen_is_the_critical_value_of_t(two_sided, share):
    """scipy.stats.t: of 12 listeners, 11 degrees of freedom (2.201 and 1.796 in any printed table)."""
    sd = sqrt(8.0**2 + 2 * 12.0**2 / 10)
    ours = contrast_power(these_clips(), difference=5.0, two_sided=two_sided)
    assert ours.critical == pytest.approx(t.ppf(share, 11) * sd / sqrt(12), rel=1e-9)
