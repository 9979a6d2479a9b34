"""The share corrected for a test's errors, against published examples and by its own coverage."""

from math import comb

import pytest
from statsmodels.stats.proportion import proportion_confint

from blindtest.stats import true_share

MANY = 10**9


def test_the_estimate_of_a_published_example() -> None:
    # R package epiR, help of epi.prev: 23 of 150 positive, sensitivity 96 %, specificity 89 %: "The estimated true
    # prevalence of brucellosis in this herd is 5.1 cases per 100 cows (95% CI 0 -- 13 cases per 100 cows)". Error rates
    # are taken as known there: here from so many that they are.
    found = true_share(
        23, 150, with_passed=96 * MANY, with_tested=100 * MANY, without_passed=11 * MANY, without_tested=100 * MANY
    )
    assert found.estimate == pytest.approx(0.051, abs=5e-4)
    assert found.interval is not None
    assert found.interval == pytest.approx((0, 0.13), abs=0.005)


def test_the_estimate_of_another_published_example() -> None:
    # R package RSurveillance, help of tp: 20 of 120, sensitivity .9, specificity .99: estimate 0.17603; its interval by
    # Wilson 0.1129887 ... 0.2623065. Ours rests on Agresti and Coull, which lies outside of Wilson's.
    found = true_share(
        20, 120, with_passed=90 * MANY, with_tested=100 * MANY, without_passed=MANY, without_tested=100 * MANY
    )
    assert found.estimate == pytest.approx(0.17603, abs=5e-6)
    assert found.interval is not None
    assert found.interval[0] < 0.1129887
    assert found.interval[1] > 0.2623065
    assert found.interval == pytest.approx((0.1129887, 0.2623065), abs=0.003)


@pytest.mark.parametrize(("passed", "tested", "level"), [(3, 10, 0.95), (20, 120, 0.9), (57, 60, 0.99)])
def test_where_the_test_never_errs_it_is_the_interval_of_agresti_and_coull(
    passed: int, tested: int, level: float
) -> None:
    # statsmodels 0.15, proportion_confint(method="agresti_coull").
    found = true_share(
        passed, tested, with_passed=MANY, with_tested=MANY, without_passed=0, without_tested=MANY, level=level
    )
    low, high = proportion_confint(passed, tested, 1 - level, method="agresti_coull")
    assert found.interval == pytest.approx((max(0, low), min(1, high)), abs=1e-7)


def test_who_all_pass_a_test_that_errs_may_all_have_it() -> None:
    found = true_share(30, 30, with_passed=80, with_tested=100, without_passed=20, without_tested=100)
    assert found.estimate == 1
    assert found.interval is not None
    assert found.interval[1] == 1


def test_a_test_that_tells_nothing_gives_no_share() -> None:
    found = true_share(5, 10, with_passed=4, with_tested=10, without_passed=4, without_tested=10)
    assert found.estimate is None
    assert found.interval is None
    assert found.to_dict()["interval"] is None


def test_counts_that_cannot_be_are_refused() -> None:
    with pytest.raises(ValueError, match="at least one trial, got 0"):
        true_share(0, 0, with_passed=1, with_tested=2, without_passed=0, without_tested=2)
    with pytest.raises(ValueError, match=r"must lie in 0 \.\.\. 2"):
        true_share(1, 2, with_passed=3, with_tested=2, without_passed=0, without_tested=2)


@pytest.mark.parametrize("share", [0.3, 0.7, 0.9])
def test_the_interval_covers_the_truth_as_often_as_it_says(share: float) -> None:
    """Exactly, by every outcome that can be: 20 listeners, error rates from 20 on headphones and 20 on loudspeakers."""
    n, sensitivity, false_pass = 20, 0.9, 0.1

    def chance(k: int, p: float) -> float:
        return comb(n, k) * p**k * (1 - p) ** (n - k)

    apparent = share * sensitivity + (1 - share) * false_pass
    covered = 0.0
    for with_passed in range(12, n + 1):
        for without_passed in range(9):
            for passed in range(n + 1):
                found = true_share(
                    passed, n, with_passed=with_passed, with_tested=n, without_passed=without_passed, without_tested=n
                )
                if found.interval and found.interval[0] <= share <= found.interval[1]:
                    covered += (
                        chance(passed, apparent) * chance(with_passed, sensitivity) * chance(without_passed, false_pass)
                    )
    assert 0.935 <= covered <= 0.99
