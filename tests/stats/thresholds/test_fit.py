"""Psychometric functions by maximum likelihood."""

import json
from math import inf, isnan, nan

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import minimize

from blindtest.errors import BlindtestError
from blindtest.stats import deviance_bootstrap, fit_threshold
from blindtest.stats.thresholds.curves import CURVES


def table(levels, correct, trials):
    return pd.DataFrame({"level": levels, "correct": correct, "trials": trials})


@pytest.fixture(scope="session")
def ratio(references):
    counts = pd.read_csv(references / "data" / "psychometric_counts_ratio.csv")
    return table(np.log(counts["level"]), counts["k"], counts["n"])


@pytest.mark.parametrize(
    ("name", "link", "lapse"),
    [
        ("cumulative_normal", "normal", 0.02),
        ("logistic", "logistic", 0.02),
        ("weibull_log_level", "weibull", 0.02),
        ("cumulative_normal_no_lapse", "normal", 0.0),
    ],
)
def test_it_is_that_of_the_reference(expected, ratio, name, link, lapse):
    # R 4.2.2 glm with psyphy 0.2.3 links, profiles by one-dimensional optimisation: estimates 1e-5, limits 1e-4 of
    # their width
    theirs, result = expected("psychometric_ratio")[name], fit_threshold(ratio, link=link, guess=0.5, lapse=lapse)
    assert result.intercept == pytest.approx(theirs["intercept"], abs=1e-6)
    assert result.slope == pytest.approx(theirs["slope"], abs=1e-6)
    assert result.std_errors == pytest.approx(theirs["se_observed_information"], abs=1e-6)
    assert result.deviance == pytest.approx(theirs["deviance"], abs=1e-9)
    assert -2 * result.log_likelihood == pytest.approx(theirs["minus2logLik"], abs=1e-9)
    assert result.slope_interval == pytest.approx(theirs["slope_profile_ci95"], abs=1e-6)
    assert result.fitted == pytest.approx(theirs["fitted"], abs=1e-6)
    threshold = result.threshold(theirs["targets"][0])
    assert threshold.estimate == pytest.approx(theirs["threshold"][0], abs=1e-6)
    assert threshold.interval == pytest.approx(theirs["threshold_profile_ci95"][0], abs=1e-6)
    assert result.convergence.converged


@pytest.mark.parametrize(
    ("link", "intercept", "slope", "errors", "deviance"),
    # methods 9.3 #30, #31: x -2 ... 2, 11 13 15 18 20 of 20, guess rate 1/2; R's glm, which stops a few millionths
    # short of the maximum; its standard errors are by the expected information, ours by the observed one
    [
        ("logistic", 0.194830, 1.488338, (0.529632, 0.561222), 1.187110),
        ("normal", 0.124782, 0.878771, (0.309779, 0.299332), 0.951504),
    ],
)
def test_five_levels_of_twenty(link, intercept, slope, errors, deviance):
    result = fit_threshold(table([-2, -1, 0, 1, 2], [11, 13, 15, 18, 20], 20), link=link, guess=0.5, lapse=0.0)
    assert result.intercept == pytest.approx(intercept, abs=1e-5)
    assert result.slope == pytest.approx(slope, abs=1e-5)
    assert result.deviance == pytest.approx(deviance, abs=2e-6)
    assert result.std_errors == pytest.approx(errors, rel=0.15)
    assert result.degrees_of_freedom == 3


@pytest.mark.parametrize("link", ["normal", "logistic", "weibull"])
def test_a_free_lapse_rate_is_the_maximum_within_its_bounds(link):
    """Found again by scipy.optimize (L-BFGS-B) from several starts; 96 of 100 at the top asks for lapses."""
    x, k, n = np.arange(6.0), np.array([52, 58, 70, 84, 93, 96]), 100
    result = fit_threshold(table(x, k, n), link=link, guess=0.5)

    def loss(parameters):
        p = 0.5 + (0.5 - parameters[2]) * CURVES[link].value(parameters[0] + parameters[1] * x)
        p = np.clip(p, 1e-12, 1 - 1e-12)
        return -np.sum(k * np.log(p) + (n - k) * np.log1p(-p))

    best = min(
        (
            minimize(loss, (-2 * b, b, lapse), bounds=[(-20, 10), (0.01, 8), (0, 0.06)], method="L-BFGS-B", tol=1e-14)
            for b in (0.5, 1.0, 3.0)
            for lapse in (0.0, 0.03, 0.06)
        ),
        key=lambda found: found.fun,
    )
    assert 0 < result.lapse < 0.06
    assert (result.intercept, result.slope, result.lapse) == pytest.approx(tuple(best.x), abs=2e-4)
    ours = loss((result.intercept, result.slope, result.lapse))
    assert ours <= best.fun + 1e-9
    for limit in result.slope_interval:
        at = min(
            minimize(
                lambda q, limit=limit: loss((q[0], limit, q[1])),
                (-2 * limit, lapse),
                bounds=[(-20, 10), (0, 0.06)],
                method="L-BFGS-B",
                tol=1e-13,
            ).fun
            for lapse in (0.0, 0.03, 0.06)
        )
        assert at == pytest.approx(ours + 1.920729, abs=1e-4)


def test_through_a_point_slope_and_curvature_are_its_derivatives():
    from blindtest.stats.thresholds.answers import LevelCounts
    from blindtest.stats.thresholds.likelihood import Likelihood

    counts = LevelCounts(level=np.linspace(-1, 1, 5), correct=np.array([11.0, 13, 15, 18, 19]), trials=np.full(5, 20.0))
    for link, curve in CURVES.items():
        model = Likelihood(counts=counts, curve=curve, guess=0.5)
        for surface, at in ((model.surface, [0.2, 1.3, 0.03]), (model.through(0.1, 0.8), [1.3, 0.03])):
            at = np.array(at)
            _, slope, curvature = surface(at)
            for i in range(len(at)):
                step = np.zeros(len(at))
                step[i] = 1e-6
                up, down = surface(at + step), surface(at - step)
                assert slope[i] == pytest.approx((up[0] - down[0]) / 2e-6, rel=1e-5, abs=1e-5), link
                assert curvature[i] == pytest.approx((up[1] - down[1]) / 2e-6, rel=1e-5, abs=1e-4), link


@given(
    st.lists(st.integers(0, 10), min_size=4, max_size=7).filter(lambda k: 0 < sum(k) < 10 * len(k)),
    st.sampled_from(("normal", "logistic", "weibull")),
    st.sampled_from((None, 0.0, 0.02)),
)
@settings(max_examples=8, deadline=None)
def test_any_counts_give_a_defined_result(correct, link, lapse):
    result = fit_threshold(table(range(len(correct)), correct, 10), link=link, guess=0.5, lapse=lapse)
    at = result.threshold(0.75)
    low, high = result.slope_interval
    assert low <= result.slope <= high
    if not isnan(at.estimate):
        # of a jump at a level the place is the level, its interval may begin just beside it
        assert at.interval[0] - 2e-3 <= at.estimate <= at.interval[1] + 2e-3
    assert result.convergence.converged
    assert json.loads(json.dumps(result.to_dict(), allow_nan=False))["sentence"] == result.sentence


def test_scale_and_order_of_levels_carry_through():
    rows = table([1, 2, 3, 4, 5], [10, 12, 15, 18, 20], 20)
    one = fit_threshold(rows, link="logistic", guess=0.5, lapse=0.01)
    other = fit_threshold(
        rows.assign(level=100 - 10 * rows["level"]).sample(frac=1, random_state=3),
        link="logistic",
        guess=0.5,
        lapse=0.01,
    )
    assert other.slope == pytest.approx(-one.slope / 10, rel=1e-6)
    assert other.threshold(0.8).estimate == pytest.approx(100 - 10 * one.threshold(0.8).estimate, rel=1e-6)
    low, high = one.threshold(0.8).interval
    assert other.threshold(0.8).interval == pytest.approx((100 - 10 * high, 100 - 10 * low), rel=1e-6)
    assert other.log_likelihood == pytest.approx(one.log_likelihood, abs=1e-8)


def test_single_trials_are_counts():
    rng = np.random.default_rng(2)
    levels = np.repeat([-1.0, 0.0, 1.0, 2.0], 15)
    right = rng.random(60) < 0.5 + 0.5 / (1 + np.exp(-1.5 * levels))
    single = pd.DataFrame({"level": levels, "correct": right})
    counted = single.groupby("level")["correct"].agg(["sum", "size"]).reset_index()
    counted.columns = ["level", "correct", "trials"]
    one, other = (fit_threshold(rows, link="logistic", guess=0.5, lapse=0.0) for rows in (single, counted))
    assert one == other or one.slope == other.slope
    assert one.log_likelihood == pytest.approx(other.log_likelihood, abs=1e-10)


def test_higher_proportions_lie_at_higher_levels():
    result = fit_threshold(table([1, 2, 3, 4], [11, 13, 17, 20], 20), link="normal", guess=0.5, lapse=0.0)
    places = [result.threshold(p).estimate for p in (0.55, 0.65, 0.75, 0.85, 0.95)]
    assert places == sorted(places)
    assert len(set(places)) == 5


def test_an_unused_level_changes_nothing():
    rows, more = table([1, 2, 3], [10, 14, 19], 20), table([1, 2, 3, 9], [10, 14, 19, 0], [20, 20, 20, 0])
    one, other = (fit_threshold(t, link="normal", guess=0.5, lapse=0.0) for t in (rows, more))
    assert one.slope == other.slope
    assert one.levels == other.levels


@pytest.mark.parametrize(
    ("correct", "place", "slope"),
    [([5, 5, 5, 10, 10, 10], 2.5, inf), ([5, 5, 5, 7, 10, 10], 3.0, inf), ([10, 10, 10, 5, 5, 5], 2.5, -inf)],
)
def test_answers_that_jump_have_an_infinite_slope_and_finite_limits(correct, place, slope):
    result = fit_threshold(table(range(6), correct, 10), link="normal", guess=0.5, lapse=0.0)
    threshold = result.threshold(0.75)
    assert result.slope == slope
    assert isnan(result.intercept)
    assert abs(threshold.estimate - place) <= 0.5
    assert threshold.interval[0] < threshold.estimate < threshold.interval[1]
    assert np.isfinite(threshold.interval).all()
    assert sum(np.isfinite(result.slope_interval)) == 1
    assert "between them" in result.convergence.remedy


@pytest.mark.parametrize("correct", [[7, 7, 7, 7], [0, 1, 0, 1]])
def test_answers_that_do_not_rise_have_no_threshold(correct):
    result = fit_threshold(table(range(4), correct, 10), link="normal", guess=0.5, lapse=0.0)
    assert result.slope == 0
    assert isnan(result.threshold(0.75).estimate)
    assert result.threshold(0.75).interval == (-inf, inf)
    assert "No level can be named" in result.sentence


@pytest.mark.parametrize(
    ("rows", "text"),
    [
        (table([1, 1], [5, 6], 10), "all trials are at one level"),
        (table([1, 2], [10, 10], 10), "the answers are all right"),
        (table([1, 2], [0, 0], 10), "the answers are all wrong"),
        (table([1, 2], [5, 11], 10), "line 2: correct: no count of right answers, got '11'"),
        (table([1, nan], [5, 6], 10), "line 2: level: no level"),
        (table([1, 2], [5, 6], [10, -1]), "line 2: trials: no number of trials"),
        (table([1, 2], [0, 0], 0), "no trial"),
        (pd.DataFrame({"levle": [1], "correct": [1]}), "did you mean 'levle'"),
    ],
)
def test_tables_that_say_nothing_are_refused(rows, text):
    with pytest.raises(BlindtestError, match=text):
        fit_threshold(rows, link="normal", guess=0.5)


@pytest.mark.parametrize(
    ("keywords", "text"),
    [
        ({"link": "probit", "guess": 0.5}, "no link 'probit'"),
        ({"link": "normal", "guess": 1.0}, "guess rate must lie in"),
        ({"link": "normal", "guess": 0.5, "lapse": 0.5}, "lapse rate must lie in"),
        ({"link": "normal", "guess": 0.5, "level": 95}, "level must lie between"),
    ],
)
def test_what_means_nothing_is_refused(ratio, keywords, text):
    with pytest.raises(ValueError, match=text):
        fit_threshold(ratio, **keywords)


def test_a_proportion_off_the_curve_is_refused(ratio):
    result = fit_threshold(ratio, link="normal", guess=0.5, lapse=0.02)
    for proportion in (0.5, 0.4, 0.98, 1.0):
        with pytest.raises(ValueError, match="a threshold must lie between"):
            result.threshold(proportion)


def test_a_bad_fit_is_told_from_a_good_one():
    good = fit_threshold(table(range(5), [20, 24, 30, 36, 39], 40), link="logistic", guess=0.5, lapse=0.0)
    bad = fit_threshold(table(range(5), [20, 38, 22, 39, 30], 40), link="logistic", guess=0.5, lapse=0.0)
    assert deviance_bootstrap(good, simulations=99, seed=4).p_value > 0.2
    assert deviance_bootstrap(bad, simulations=99, seed=4).p_value == 0.01
    assert bad.deviance_p_value < 1e-4 < 0.2 < good.deviance_p_value


def test_the_bootstrap_is_repeatable_and_near_chi_square_with_many_trials():
    fit = fit_threshold(table(range(5), [200, 240, 300, 360, 390], 400), link="logistic", guess=0.5, lapse=0.0)
    one, again = (deviance_bootstrap(fit, simulations=199, seed=9) for _ in range(2))
    assert one == again
    # 3 degrees of freedom: mean 3, SD sqrt 6; 199 draws give the mean to .17
    assert one.expected == pytest.approx(3, abs=0.7)
    with pytest.raises(ValueError, match="one or more draws"):
        deviance_bootstrap(fit, simulations=0)


def test_the_sentence_says_point_interval_and_lapses(ratio):
    sentence = fit_threshold(ratio, link="weibull", guess=0.5, lapse=0.02).sentence
    for part in ("75 % right at level 0.402", "Slope 1.288", "2.0 % lapses (fixed)", "if the level is a logarithm"):
        assert part in sentence
