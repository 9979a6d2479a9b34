"""What a plan of blind ratings can show and refute, held against our power of a contrast, and against simulation."""

import numpy as np
import pytest
from scipy import stats as scipy_stats

from blindtest.stats import ContrastDesign, conclude_contrast, contrast_power
from blindtest.study import scale_reach


@pytest.mark.parametrize(
    ("listeners", "clips", "repeats", "margin"), [(12, 5, 1, 8.0), (24, 8, 2, 8.0), (6, 3, 3, 12.0)]
)
def test_the_chances_are_those_of_the_power_of_a_contrast(listeners, clips, repeats, margin):
    """`stats.contrast_power` takes the noncentral t where *shown* is p <= alpha alone: with a margin a little less."""
    plan = scale_reach(listeners=listeners, clips=clips, repeats=repeats, margin=margin)
    design = ContrastDesign(listeners=listeners, clips=clips, repeats=repeats, clips_are_a_sample=False)
    held = contrast_power(design, difference=margin, margin=margin)
    assert plan.chance_negligible == pytest.approx(held.chance_negligible, abs=2e-3)
    assert held.power - 0.06 <= plan.chance_shown <= held.power + 1e-3


@pytest.mark.parametrize(
    ("listeners", "clips", "repeats", "margin"), [(12, 5, 1, 8.0), (1, 6, 4, 10.0), (1, 2, 12, 10.0)]
)
def test_simulated_studies_end_as_often_as_it_says(listeners, clips, repeats, margin):
    """10,000 studies by numpy, concluded one by one; Monte Carlo error .005."""
    plan = scale_reach(listeners=listeners, clips=clips, repeats=repeats, margin=margin)
    assert plan.unit == ("listener" if listeners > 1 else "clip" if clips > 2 else "page")
    rng = np.random.default_rng(3)
    units = {"listener": listeners, "clip": clips, "page": clips * repeats}[plan.unit]
    sd = {
        "listener": (8**2 + 2 * 12**2 / (clips * repeats)) ** 0.5,
        "clip": (4**2 + 2 * 12**2 / repeats) ** 0.5,
        "page": (2 * 12**2) ** 0.5,
    }[plan.unit]
    df = units - (clips if plan.unit == "page" else 1)
    error = sd * np.sqrt(rng.chisquare(df, 4000) / df / units)
    for truth, word, chance in (
        (margin, "shown", plan.chance_shown),
        (-margin, "refuted", plan.chance_refuted),
        (0.0, "negligible", plan.chance_negligible),
    ):
        means = truth + sd / units**0.5 * rng.standard_normal(4000)
        ended = [conclude_contrast(mean, own, df, margin=margin).word for mean, own in zip(means, error, strict=True)]
        assert np.mean([one == word for one in ended]) == pytest.approx(chance, abs=0.026)


def test_what_is_just_shown_follows_from_scipys_t():
    """12 listeners, SD of a listener's mean difference sqrt(64 + 288/5): 2.201 standard errors."""
    plan = scale_reach(listeners=12, clips=5, repeats=1, margin=8.0)
    error = ((64 + 2 * 144 / 5) / 12) ** 0.5
    assert plan.critical == pytest.approx(scipy_stats.t.ppf(0.975, 11) * error, rel=1e-9)


def test_grades_are_twenty_fifths_and_two_objects_scatter_twice():
    points = scale_reach(listeners=10, clips=5, repeats=1, margin=10.0)
    grades = scale_reach(listeners=10, clips=5, repeats=1, margin=0.4, grades=True)
    assert grades.chance_negligible == pytest.approx(points.chance_negligible, rel=1e-9)
    both = scale_reach(listeners=10, clips=5, repeats=1, margin=0.4, grades=True, both_objects=True)
    again = scale_reach(listeners=10, clips=5, repeats=2, margin=0.4, grades=True, both_objects=True)
    assert both.chance_shown < grades.chance_shown
    assert again.chance_shown == pytest.approx(grades.chance_shown, rel=1e-9), "four gradings over twice the trials"


def test_one_listener_on_one_page_leaves_nothing_to_judge_by():
    plan = scale_reach(listeners=1, clips=2, repeats=1, margin=50.0)
    assert (plan.chance_shown, plan.chance_negligible, plan.critical, plan.can_fail) == (0.0, 0.0, None, False)
