"""The exact tests of a count, and what follows from them."""

import json
from math import comb, inf, isnan

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import binomtest
from statsmodels.stats.proportion import binom_test as statsmodels_binom_test

from blindtest.stats import (
    DECISION_RULES,
    critical_number,
    d_prime,
    discrimination_test,
    distinguishers,
    proportion_at,
    similarity_critical_number,
    similarity_test,
)

counts = st.integers(1, 120).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n)))
methods = st.sampled_from(sorted(DECISION_RULES))


def test_twelve_of_sixteen_counted():
    """Of the 2**16 ways to answer, 2517 have twelve or more right."""
    assert sum(comb(16, k) for k in range(12, 17)) == 2517
    assert discrimination_test(12, 16).p_value == pytest.approx(2517 / 2**16, rel=1e-12)


def test_twelve_of_sixteen_tells_one_story():
    # claims 2: p = .038, one-sided lower limit .516; methods 2.3: two-sided .476
    result = discrimination_test(12, 16)
    assert result.p_value == pytest.approx(0.0384, abs=5e-5)
    assert result.lower_limit == pytest.approx(0.516, abs=5e-4)
    assert result.interval[0] == pytest.approx(0.476, abs=5e-4)


@pytest.mark.parametrize(
    ("correct", "trials", "method", "p"),
    [
        (12, 16, "abx", 0.0384064),
        (9, 10, "abx", 0.0107422),
        (14, 16, "duo-trio", 0.0020905),
        (10, 16, "2afc", 0.2272491),
        (13, 24, "triangle", 0.0284411),
        (15, 30, "tetrad", 0.0434823),
    ],
)
def test_exact_p_of_methods(correct, trials, method, p):
    # methods 9.1 #1-3
    assert discrimination_test(correct, trials, method=method).p_value == pytest.approx(p, abs=5e-8)


def test_mid_p_of_methods():
    # methods 9.1 #1
    assert discrimination_test(12, 16, mid_p=True).p_value == pytest.approx(0.0245209, abs=5e-8)


def test_similarity_p_of_methods():
    # methods 9.1 #6
    result = similarity_test(4, 15, method="triangle", distinguishers=0.2)
    assert result.p_value == pytest.approx(0.0963762, abs=5e-8)


@pytest.mark.parametrize(("guess", "method"), [("guess_1/2", "abx"), ("guess_1/3", "triangle")])
def test_critical_numbers_are_those_of_the_oracle(expected, guess, method):
    # exact rational arithmetic; the definition of the tables in ISO 4120, ISO 10399, ISO 5495
    table = expected("min_correct_tables_short")[guess]
    for alpha in ("0.2", "0.1", "0.05", "0.01", "0.001"):
        ours = [critical_number(n, method=method, alpha=float(alpha)) for n in table["n"]]
        assert ours == table[alpha]


@pytest.mark.parametrize(("guess", "method"), [("guess_1/2", "duo-trio"), ("guess_1/3", "tetrad")])
def test_similarity_numbers_are_those_of_the_oracle(expected, guess, method):
    tables = expected("similarity_max_correct_short")[guess]
    assert len(tables) >= 5
    for name, table in tables.items():
        margin, beta = (float(part.split("=")[1]) for part in name.split(","))
        ours = [similarity_critical_number(n, method=method, distinguishers=margin, alpha=beta) for n in table["n"]]
        assert ours == table["max_correct"]


METHODS_2_1 = {
    # methods 2.1: n -> least correct for 1/2 at .05 .01 .001, then for 1/3; None: unreachable
    8: (7, 8, None, 6, 7, 8),
    10: (9, 10, 10, 7, 8, 9),
    12: (10, 11, 12, 8, 9, 10),
    16: (12, 14, 15, 9, 11, 12),
    20: (15, 16, 18, 11, 13, 14),
    24: (17, 19, 20, 13, 15, 16),
    30: (20, 22, 24, 15, 17, 19),
    36: (24, 26, 28, 18, 20, 22),
    40: (26, 28, 31, 19, 21, 24),
    48: (31, 33, 36, 22, 25, 27),
    50: (32, 34, 37, 23, 26, 28),
    60: (37, 40, 43, 27, 30, 33),
    80: (48, 51, 55, 35, 38, 41),
    100: (59, 63, 66, 42, 46, 49),
}


@pytest.mark.parametrize("trials", METHODS_2_1)
def test_critical_numbers_of_methods(trials):
    ours = tuple(
        critical_number(trials, method=method, alpha=alpha)
        for method in ("abx", "triangle")
        for alpha in (0.05, 0.01, 0.001)
    )
    assert ours == METHODS_2_1[trials]


@pytest.mark.parametrize(
    ("method", "margin", "trials", "most"),
    [
        ("abx", 0.3, 36, 18), ("abx", 0.3, 60, 32), ("abx", 0.3, 100, 56), ("abx", 0.2, 100, 51),
        ("triangle", 0.3, 36, 13), ("triangle", 0.3, 60, 25), ("triangle", 0.2, 60, 21), ("triangle", 0.2, 100, 37),
    ],
)  # fmt: skip
def test_similarity_numbers_of_methods(method, margin, trials, most):
    # methods 2.2
    assert similarity_critical_number(trials, method=method, distinguishers=margin) == most


def test_two_sided_fifteen_of_twenty():
    # claims 6: two-sided 15 of 20 (p = .041); one-sided 12 of 16 (p = .038)
    assert critical_number(20, method="2afc", two_sided=True) == 15
    assert 2 * discrimination_test(15, 20, method="2afc").p_value == pytest.approx(0.041, abs=5e-4)
    assert critical_number(16, method="2afc") == 12


def test_abbott_is_that_of_the_oracle(expected):
    # statsmodels 0.15.0, scipy 1.17.1; 1e-10
    for case in expected("abbott_pd_short"):
        method = "abx" if case["guess"] == 0.5 else "triangle"
        for interval, name in (("clopper-pearson", "clopper_pearson"), ("wilson", "wilson")):
            for percent in (90, 95):
                result = discrimination_test(
                    case["k"], case["n"], method=method, level=percent / 100, interval=interval
                )
                assert result.distinguishers == pytest.approx(case["pd"], abs=1e-10)
                assert result.distinguishers_std_error == pytest.approx(case["se_pd"], abs=1e-10)
                assert result.distinguishers_interval == pytest.approx(case[f"{name}_{percent}_clipped"], abs=1e-10)


def test_listeners_of_the_oracle(expected):
    # R 4.2.2 binom.test; 1e-9
    case = expected("abx_small_tests")["per_listener_pair"]
    for k, n, p, low, high in zip(
        case["k"], case["n"], case["p_one_sided"], case["cp_lo95"], case["cp_hi95"], strict=True
    ):
        result = discrimination_test(k, n)
        assert result.p_value == pytest.approx(p, abs=1e-9)
        assert result.interval == pytest.approx((low, high), abs=1e-9)


@given(counts, methods)
def test_p_is_that_of_scipy_and_statsmodels(count, method):
    correct, trials = count
    guess = float(DECISION_RULES[method].guess)
    result = discrimination_test(correct, trials, method=method)
    theirs = binomtest(correct, trials, guess, alternative="greater")
    assert result.p_value == pytest.approx(theirs.pvalue, rel=1e-9)
    assert result.lower_limit == pytest.approx(theirs.proportion_ci(0.95, "exact").low, abs=1e-9)
    statsmodels_p = statsmodels_binom_test(correct, trials, guess, alternative="larger")
    assert result.p_value == pytest.approx(statsmodels_p, rel=1e-9)


@given(counts, methods, st.floats(0.6, 0.99), st.booleans())
def test_p_and_the_one_sided_limit_never_disagree(count, method, level, mid_p):
    """The limit lies above the guess rate just when p lies below 1 - level."""
    result = discrimination_test(*count, method=method, level=level, mid_p=mid_p)
    if abs(result.p_value - (1 - level)) > 1e-9:
        assert (result.lower_limit > result.guess_rate) == (result.p_value < 1 - level)


@given(counts, methods, st.integers(1, 100))
def test_similarity_p_and_its_limit_never_disagree(count, method, percent):
    result = similarity_test(*count, method=method, distinguishers=percent / 100)
    if abs(result.p_value - 0.05) > 1e-9:
        assert (result.upper_limit < result.margin) == (result.p_value < 0.05)


@given(counts, methods)
def test_one_more_right_lowers_p_and_raises_all_else(count, method):
    correct, trials = count
    fewer = discrimination_test(max(0, correct - 1), trials, method=method)
    more = discrimination_test(correct, trials, method=method)
    assert more.p_value <= fewer.p_value
    assert more.proportion >= fewer.proportion
    assert more.distinguishers >= fewer.distinguishers
    assert more.d_prime >= fewer.d_prime
    assert more.d_prime_interval >= fewer.d_prime_interval


@given(st.integers(1, 150), methods, st.sampled_from((0.2, 0.1, 0.05, 0.01, 0.001)))
def test_the_critical_number_is_the_least_that_is_rare(trials, method, alpha):
    critical = critical_number(trials, method=method, alpha=alpha)
    enough = trials + 1 if critical is None else critical
    if enough <= trials:
        assert discrimination_test(enough, trials, method=method).p_value <= alpha
    assert discrimination_test(enough - 1, trials, method=method).p_value > alpha


@given(counts, methods, st.sampled_from(("clopper-pearson", "wilson", "likelihood")))
def test_intervals_of_d_prime_and_share_hold_their_estimates(count, method, interval):
    result = discrimination_test(*count, method=method, interval=interval)
    for low, estimate, high in (
        (result.interval[0], result.proportion, result.interval[1]),
        (result.distinguishers_interval[0], result.distinguishers, result.distinguishers_interval[1]),
        (result.d_prime_interval[0], result.d_prime, result.d_prime_interval[1]),
    ):
        assert low <= estimate <= high


@given(st.floats(0, 1), methods)
def test_abbott_there_and_back(share, method):
    assert distinguishers(proportion_at(share, method), method) == pytest.approx(share, abs=1e-12)


def test_all_right():
    result = discrimination_test(10, 10)
    assert result.p_value == 1 / 1024
    assert result.interval[1] == result.upper_limit == 1
    assert result.d_prime == result.d_prime_interval[1] == inf
    assert result.d_prime_interval[0] == d_prime(result.interval[0], "abx") > 1
    assert isnan(result.d_prime_std_error)


def test_none_right():
    result = discrimination_test(0, 10)
    assert result.p_value == 1
    assert result.interval[0] == result.lower_limit == 0
    assert result.distinguishers == result.d_prime == 0
    assert result.distinguishers_interval == (0, 0)


def test_one_trial():
    assert discrimination_test(1, 1).p_value == 0.5
    assert critical_number(1, method="abx") is None


@pytest.mark.parametrize(("correct", "trials"), [(0, 0), (5, 4), (-1, 4), (0, -3)])
def test_impossible_counts_are_refused(correct, trials):
    with pytest.raises(ValueError, match=r"at least one trial|number correct must lie in"):
        discrimination_test(correct, trials)


@pytest.mark.parametrize(
    ("arguments", "text"),
    [
        ({"method": "abz"}, r"no method 'abz' .*did you mean 'abx'"),
        ({"level": 95}, "level must lie between 0 and 1, got 95"),
        ({"interval": "wald"}, "no interval 'wald'"),
    ],
)
def test_arguments_that_mean_nothing_are_refused(arguments, text):
    with pytest.raises(ValueError, match=text):
        discrimination_test(12, 16, **arguments)


def test_fractional_counts_are_refused():
    with pytest.raises(TypeError, match="float"):
        discrimination_test(12.5, 16)


@pytest.mark.parametrize("margin", [0, -0.1, 1.2])
def test_a_margin_that_nobody_could_miss_is_refused(margin):
    with pytest.raises(ValueError, match="share of trials heard that matters"):
        similarity_test(4, 15, method="triangle", distinguishers=margin)


def test_a_margin_too_small_for_the_plan_is_said_to_be_unreachable():
    """Even none of 3 right has probability .45**3 = .09 for somebody who hears a tenth."""
    assert similarity_critical_number(3, method="abx", distinguishers=0.1) is None


@pytest.mark.parametrize("correct", [0, 8, 16])
def test_results_are_json_without_nan_or_infinity(correct):
    result = discrimination_test(correct, 16)
    loaded = json.loads(json.dumps(result.to_dict(), allow_nan=False))
    assert loaded["correct"] == correct
    assert loaded["d_prime"] == (None if correct == 16 else pytest.approx(result.d_prime))
    json.dumps(similarity_test(correct, 16, method="abx", distinguishers=0.3).to_dict(), allow_nan=False)


def test_the_sentence_says_numbers_limit_and_interval():
    sentence = discrimination_test(12, 16).sentence
    for part in ("12 of 16 right", "75 %", ".038 (exact, one-sided)", "at least 51.6 %", "47.6 % to 92.7 %", "d' 2.02"):
        assert part in sentence
    assert "significan" not in sentence
    # Chances at their ends: certain is 1, nearly certain is not, and what is rare keeps two digits.
    assert "probability 1 " in discrimination_test(0, 16).sentence
    assert "probability 1.000 " in discrimination_test(1, 16).sentence  # 1 - 2**-16
    assert "probability 1.5e-05 " in discrimination_test(16, 16).sentence  # 2**-16


def test_the_sentence_of_a_similarity_says_margin_chance_and_limit():
    """14 of 28 at .5 + .5 x .3: binom.cdf(14, 28, .65) = .073577; betaincinv(15, 14, .95) = .666910 (scipy 1.17)."""
    sentence = similarity_test(14, 28, method="abx", distinguishers=0.3).sentence
    for part in ("14 of 28 right", "If 30 % of trials were heard", "probability .074 (exact, one-sided)",
                 "With 95 % confidence at most 33.4 % of trials are heard"):  # fmt: skip
        assert part in sentence
