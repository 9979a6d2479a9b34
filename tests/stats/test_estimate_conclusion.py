"""Conclusions from an estimate and its error: t tests where listeners are all of it, else the definition of p.

Sources: scipy.stats.ttest_1samp; critical values of t with 10 degrees of freedom, 1.812 and 2.228 (any printed table).
"""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from blindtest.stats.contrasts import Estimates
from blindtest.stats.estimate_conclusion import conclude_estimate, p_value_of

LISTENERS = np.array([3.1, -0.4, 2.2, 5.0, 1.7, -1.9, 4.4, 0.8])


def estimates(mean, std_error=1.0, df=10.0, **clips):
    return Estimates(
        mean=np.asarray(mean), std_error=np.asarray(std_error), df=np.asarray(df),
        **{name: np.asarray(value) for name, value in clips.items()},
    )  # fmt: skip


def of(values):
    return estimates(values.mean(), stats.sem(values), len(values) - 1.0)


@pytest.mark.parametrize("shift", [-4.0, 0.0, 1.8625, 2.0, 9.0])
@pytest.mark.parametrize("sign", [1, -1])
def test_without_clips_p_is_that_of_a_one_sample_t_test(shift, sign):
    expected = stats.ttest_1samp(sign * LISTENERS, shift, alternative="greater").pvalue
    assert p_value_of(of(sign * LISTENERS), shift=shift) == pytest.approx(expected, rel=1e-9)


@pytest.mark.parametrize("direction", ["two-sided", "claimed"])
@pytest.mark.parametrize("sign", [1, -1])
def test_limits_and_p_of_either_direction_are_those_of_scipy(direction, sign):
    found = conclude_estimate(of(sign * LISTENERS), margin=None, alpha=0.1, direction=direction)
    theirs = stats.ttest_1samp(sign * LISTENERS, 0)
    alternative = "two-sided" if direction == "two-sided" else "greater"
    assert found.p_value == pytest.approx(stats.ttest_1samp(sign * LISTENERS, 0, alternative=alternative).pvalue)
    assert found.interval == pytest.approx(tuple(theirs.confidence_interval(0.9)))
    assert found.limits == pytest.approx(tuple(theirs.confidence_interval(0.8)))
    assert (found.estimate, found.df, found.direction) == (pytest.approx(sign * LISTENERS.mean()), 7, direction)


@pytest.mark.parametrize(
    ("mean", "margin", "direction", "word", "side"),
    [
        (2.24, None, "two-sided", "shown", "claimed"), (2.22, None, "two-sided", "open", "neither"),
        (-2.24, None, "two-sided", "refuted", "other"), (-2.22, None, "two-sided", "open", "neither"),
        (1.82, None, "claimed", "shown", "claimed"), (1.80, None, "claimed", "open", "neither"),
        (-1.82, None, "claimed", "refuted", "other"), (-1.80, None, "claimed", "open", "neither"),
        # The one-sided limits lie 1.812 to either side: within a margin of 4 for means up to 2.188.
        (2.18, 4.0, "claimed", "negligible", "claimed"), (2.20, 4.0, "claimed", "shown", "claimed"),
        (-2.18, 4.0, "two-sided", "negligible", "neither"), (-2.20, 4.0, "two-sided", "open", "neither"),
    ],
)  # fmt: skip
def test_words_change_at_the_critical_values(mean, margin, direction, word, side):
    found = conclude_estimate(estimates(mean), margin=margin, direction=direction)
    assert (found.word, found.side, found.within_margin) == (word, side, word == "negligible")
    assert (found.margin, found.alpha) == (margin, 0.05)


@settings(max_examples=25)
@given(st.floats(-5, 5), st.floats(-2, 2), st.floats(0.05, 0.9))
def test_with_clips_p_is_the_level_at_which_the_limit_reaches_what_is_tested(mean, shift, share):
    found = estimates(mean, 1.0, 11.0, clip_variance=share, clip_floor=share, clip_df=4.0)
    p = p_value_of(found, shift=shift)
    assert p == pytest.approx(1 - p_value_of(estimates(-mean, 1.0, 11.0, clip_variance=share, clip_floor=share,
                                                       clip_df=4.0), shift=-shift), abs=1e-12)  # fmt: skip
    if 1e-9 < p < 1 - 1e-9:
        limit = found.lower(p) if p <= 0.5 else found.upper(1 - p)
        assert float(limit) == pytest.approx(shift, abs=1e-6)


@pytest.mark.parametrize(
    ("made", "more", "text"),
    [
        (estimates(np.nan), {}, "an estimate and a standard error are needed"),
        (estimates(1.0, np.inf), {}, "an estimate and a standard error are needed"),
        (estimates(1.0), {"margin": 0.0}, "the margin must be above 0"),
        (estimates(1.0), {"alpha": 1.0}, "alpha must lie between 0 and 1"),
    ],
)
def test_what_can_not_be_judged_is_refused(made, more, text):
    with pytest.raises(ValueError, match=text):
        conclude_estimate(made, **{"margin": None, **more})
