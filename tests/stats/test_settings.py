"""Settings: means, intervals, starts and equivalence against scipy and statsmodels; error rates; listeners of known
truth."""

import json

import numpy as np
import pytest
from scipy import stats as scipy_stats

from blindtest.stats import settings_test

RNG = np.random.default_rng(11)
WHO = np.repeat([f"L{n}" for n in range(7)], 12)
POINT = np.repeat(RNG.normal(0.3, 0.4, 7), 12)
START = np.tile([-3, 3, -2, 2, -1.5, 1.5], 14)
SET = POINT + 0.15 * (START - POINT) + RNG.normal(0, 0.5, 84)


def means(values=SET, who=WHO):
    return np.array([values[who == name].mean() for name in dict.fromkeys(who)])


def test_a_panel_against_scipy_and_statsmodels():
    from statsmodels.stats.weightstats import DescrStatsW

    found = settings_test(SET, WHO, start=START, margin=0.7)
    low, high = scipy_stats.t.interval(0.95, 6, loc=means().mean(), scale=scipy_stats.sem(means()))
    assert found.interval == pytest.approx((low, high), rel=1e-12)
    assert (found.of, found.df, found.mean) == ("listeners", 6, pytest.approx(means().mean(), rel=1e-12))
    p, *_ = DescrStatsW(means()).ttost_mean(-0.7, 0.7)
    assert found.equivalence.p_value == pytest.approx(p, rel=1e-9)
    assert found.word == ("shown" if p < 0.05 else "open")
    # Within listeners: the residual mean square of a one-way analysis of variance.
    import pandas as pd
    from statsmodels.formula.api import ols

    fit = ols("y ~ C(who)", pd.DataFrame({"y": SET, "who": WHO})).fit()
    assert found.within_std == pytest.approx(np.sqrt(fit.mse_resid), rel=1e-10)
    assert found.between_std == pytest.approx(means().std(ddof=1), rel=1e-12)
    # The pull of the start: least squares with a listener's own mean each.
    fit = ols("y ~ C(who) + start", pd.DataFrame({"y": SET, "who": WHO, "start": START})).fit()
    assert found.start.slope == pytest.approx(fit.params["start"], rel=1e-9)
    apart = means(SET[START > 0], WHO[START > 0]) - means(SET[START < 0], WHO[START < 0])
    tested = scipy_stats.ttest_1samp(apart, 0)
    assert found.start.p_value == pytest.approx(tested.pvalue, rel=1e-9)
    assert found.start.interval == pytest.approx(tuple(tested.confidence_interval(0.95)), rel=1e-9)


def test_one_listener_against_scipy():
    own, start = SET[:12], START[:12]
    found = settings_test(own, start=start, margin=0.5)
    assert found.of == "settings"
    assert found.interval == pytest.approx(scipy_stats.t.interval(0.95, 11, loc=own.mean(), scale=scipy_stats.sem(own)))
    tested = scipy_stats.ttest_ind(own[start > 0], own[start < 0])
    assert found.start.p_value == pytest.approx(tested.pvalue, rel=1e-9)
    assert found.start.interval == pytest.approx(tuple(tested.confidence_interval(0.95)), rel=1e-9)
    (one,) = found.listeners
    assert one.std == found.within_std == pytest.approx(own.std(ddof=1))
    assert (one.from_below, one.from_above) == pytest.approx((own[start < 0].mean(), own[start > 0].mean()))


def test_words_follow_from_the_interval():
    """+-1.0 around each mean by hand: t(.95; 2) = 2.919986 (tables), sd 1, n = 3, half width 1.685854."""
    for mean, word in ((0.0, "shown"), (0.4, "open"), (4.0, "refuted"), (-4.0, "refuted"), (1.9, "open")):
        found = settings_test([mean - 1, mean, mean + 1], margin=2.0)
        assert found.equivalence.interval == pytest.approx((mean - 1.685854, mean + 1.685854), abs=1e-6)
        assert found.word == word
        assert {"shown": "it lies within -2 ... 2", "open": "stays open", "refuted": "it lies outside -2 ... 2"}[
            word
        ] in found.sentence


def test_what_should_make_one_think_twice_is_said():
    pulled = settings_test(0.5 * START + RNG.normal(0, 0.1, 84), WHO, start=START, at_end=np.abs(START) == 3)
    assert pulled.at_ends == 28
    first, second = pulled.doubts
    assert "the start pulled settings along, about 50 % of the way back to the start" in first
    assert "28 of 84 settings stand at an end of what could be set" in second
    beyond = settings_test(-0.5 * START + RNG.normal(0, 0.1, 84), WHO, start=START)
    assert "settings ended beyond the point, seen from where they began" in beyond.start.sentence
    one_side = settings_test([1.0, 1.1, 0.9], start=[2, 2, 2.5], middle=0.0)
    assert one_side.start is None
    assert "Not every listener began on both sides" in one_side.doubts[0]
    free = settings_test(RNG.normal(0, 0.5, 84), WHO)
    assert free.doubts == ()
    assert free.start is None


def test_without_spread_nothing_is_judged():
    found = settings_test([0.5, 0.5, 0.5], start=[-1, 1, -1], margin=1.0)
    assert (found.interval, found.equivalence, found.word) == (None, None, "open")
    assert "no spread to judge it by" in found.sentence
    assert (found.start.difference, found.start.p_value) == (0.0, None)
    assert "nothing tells how surely" in found.start.sentence
    single = settings_test([0.5])
    assert single.sentence == "1 setting of one listener: mean +0.50, with nothing to tell how surely."
    assert (single.within_std, single.between_std, single.word) == (None, None, "")
    assert json.loads(json.dumps(found.to_dict(), allow_nan=False))["sentence"] == found.sentence


@pytest.mark.parametrize(
    ("given", "said"),
    [
        ({"settings": []}, "there are no settings"),
        ({"settings": [1.0, float("nan")]}, "settings must be finite numbers in one row"),
        ({"settings": [1.0, 2.0], "listener": ["a"]}, "2 settings, but 1 listeners"),
        ({"settings": [1.0, 2.0], "start": [1.0]}, "2 settings, but 1 starts"),
        ({"settings": [1.0, 2.0], "margin": 0.0}, "the margin must be above 0, got 0"),
    ],
)
def test_what_can_not_be_tested_is_refused(given, said):
    with pytest.raises(ValueError, match=said):
        settings_test(**given)


def test_intervals_cover_and_the_margin_is_kept():
    """600 panels of 6 with a pull of .3 and starts on both sides: coverage .95, equality at the margin shown in .05
    (Monte Carlo error .009): the pull cancels in the means."""
    rng, covered, shown, pulled = np.random.default_rng(5), 0, 0, 0
    who = np.repeat(np.arange(6), 8)
    start = np.tile([-3.0, 3.0, -2.0, 2.0], 12)
    for _ in range(600):
        point = np.repeat(rng.normal(0.6, 0.35, 6), 8)
        found = settings_test(point + 0.3 * start + rng.normal(0, 0.5, 48), who, start=start, margin=0.6)
        covered += found.interval[0] <= 0.6 <= found.interval[1]
        shown += found.word == "shown"
        pulled += found.start.p_value < 0.05
    assert covered / 600 == pytest.approx(0.95, abs=0.035)
    assert shown / 600 == pytest.approx(0.05, abs=0.035)
    assert pulled > 590
