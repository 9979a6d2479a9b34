"""Random-effects summaries, against a published data set, statsmodels and a search of the likelihood."""

import numpy as np
import pytest
from scipy import stats
from scipy.optimize import minimize_scalar
from scipy.special import chdtr
from statsmodels.stats.meta_analysis import combine_effects

from blindtest.stats import across_studies

# Colditz et al. 1994, "Efficacy of BCG vaccine in the prevention of tuberculosis": cases, others; vaccinated, not.
BCG = np.array(
    [
        (4, 119, 11, 128), (6, 300, 29, 274), (3, 228, 11, 209), (62, 13536, 248, 12619), (33, 5036, 47, 5761),
        (180, 1361, 372, 1079), (8, 2537, 10, 619), (505, 87886, 499, 87892), (29, 7470, 45, 7232),
        (17, 1699, 65, 1600), (186, 50448, 141, 27197), (5, 2493, 3, 2338), (27, 16886, 29, 17825),
    ],
    dtype=float,
)  # fmt: skip


def bcg():
    a, b, c, d = BCG.T
    log_ratio = np.log(a / (a + b)) - np.log(c / (c + d))
    return log_ratio, np.sqrt(1 / a - 1 / (a + b) + 1 / c - 1 / (c + d))


def test_the_vaccine_trials_come_out_as_published():
    """Viechtbauer 2010, Journal of Statistical Software 36(3): log risk ratios of these by REML (from memory)."""
    found = across_studies(*bcg())
    assert found.tau_squared == pytest.approx(0.3132, abs=5e-5)
    assert found.estimate == pytest.approx(-0.7145, abs=5e-5)
    assert found.q == pytest.approx(152.2330, abs=5e-4)
    assert found.i_squared == pytest.approx(0.9222, abs=5e-5)
    assert found.h_squared == pytest.approx(12.86, abs=5e-3)
    assert found.tau_squared_interval == pytest.approx((0.1197, 1.1115), abs=5e-5)
    # With Knapp and Hartung's adjustment, also from memory.
    assert found.statistic == pytest.approx(-3.9522, abs=5e-5)
    assert found.df == 12
    assert found.p_value == pytest.approx(0.0019, abs=5e-5)
    assert found.interval == pytest.approx((-1.1084, -0.3206), abs=5e-5)


def test_the_mean_and_its_error_are_those_of_statsmodels_at_the_same_variance():
    estimates, errors = bcg()
    found = across_studies(estimates, errors)
    other = combine_effects(estimates, errors**2 + found.tau_squared, method_re="dl", use_t=True)
    # With the variance between studies in each study's own, its fixed-effect weights are ours.
    assert found.estimate == pytest.approx(other.mean_effect_fe, rel=1e-12)
    assert found.std_error == pytest.approx(np.sqrt(other.var_hksj_fe), rel=1e-10)
    plain = combine_effects(estimates, errors**2)
    assert found.q == pytest.approx(plain.q, rel=1e-12)
    low, high = (found.common_interval[end] for end in (0, 1))
    assert (low, high) == pytest.approx(tuple(plain.conf_int()[0]), rel=1e-10)
    assert not found.agrees_too_well


@pytest.mark.parametrize("seed", range(6))
def test_the_variance_is_at_the_maximum_of_the_restricted_likelihood(seed):
    rng = np.random.default_rng(seed)
    errors = rng.uniform(0.2, 1.5, 7)
    estimates = rng.normal(0.3, np.sqrt(errors**2 + seed / 3))
    found = across_studies(estimates, errors)

    def minus(tau2):
        w = 1 / (errors**2 + tau2)
        mean = np.sum(w * estimates) / w.sum()
        return -0.5 * (np.log(w).sum() - np.log(w.sum()) - np.sum(w * (estimates - mean) ** 2))

    best = minimize_scalar(minus, bounds=(0, 50), method="bounded", options={"xatol": 1e-10})
    assert minus(found.tau_squared) <= best.fun + 1e-9
    low, high = found.tau_squared_interval
    assert low <= found.tau_squared <= high

    def tail(tau2):
        w = 1 / (errors**2 + tau2)
        return chdtr(6, np.sum(w * (estimates - np.sum(w * estimates) / w.sum()) ** 2))

    if low > 0:
        assert tail(low) == pytest.approx(0.975, abs=1e-6)
    assert high == 0 or tail(high) == pytest.approx(0.025, abs=1e-6)


def test_the_interval_keeps_its_coverage_with_few_studies():
    """Hartung & Knapp 2001: close to nominal with few studies; the normal interval isn't (5 studies)."""
    rng = np.random.default_rng(7)
    hits = normal = 0
    runs = 800
    for _ in range(runs):
        errors = rng.uniform(0.5, 1.5, 5)
        estimates = rng.normal(1.0, np.sqrt(1 + errors**2))
        found = across_studies(estimates, errors)
        hits += found.interval[0] <= 1.0 <= found.interval[1]
        w = 1 / (errors**2 + found.tau_squared)
        normal += abs(found.estimate - 1.0) <= 1.96 / np.sqrt(w.sum())
    assert hits / runs > 0.93
    assert normal / runs < hits / runs


@pytest.mark.parametrize("level", [0.95, 0.8])
def test_where_one_more_study_lies_and_what_the_disagreement_is_worth(level):
    """Higgins, Thompson and Spiegelhalter 2009: mean -+ t of k - 2 times the root of tau^2 + SE^2; scipy.stats."""
    found = across_studies(*bcg(), level=level)
    reach = stats.t.ppf((1 + level) / 2, 11) * np.sqrt(found.tau_squared + found.std_error**2)
    assert found.prediction_interval == pytest.approx((found.estimate - reach, found.estimate + reach), rel=1e-9)
    assert found.q_p_value == pytest.approx(stats.chi2.sf(found.q, 12), rel=1e-9)
    weights = 1 / (bcg()[1] ** 2 + found.tau_squared)
    assert found.weights == pytest.approx(tuple(weights / weights.sum()))
    assert (found.studies, found.level) == (13, level)


def test_studies_without_any_error_between_them():
    """All alike, the mean has no error: against 0 that is everything, at 0 nothing."""
    for value, statistic, p_value in ((1.0, np.inf, 0.0), (-1.0, -np.inf, 0.0), (0.0, 0.0, 1.0)):
        found = across_studies([value] * 3, [0.5] * 3)
        assert (found.statistic, found.p_value) == (statistic, p_value)


def test_studies_that_agree_and_too_few():
    same = across_studies([1.0, 1.0, 1.0], [0.1, 0.2, 0.3])
    assert same.tau_squared == 0
    assert same.estimate == pytest.approx(1.0)
    assert same.agrees_too_well
    two = across_studies([0.0, 1.0], [0.5, 0.5])
    assert two.prediction_interval == (-np.inf, np.inf)
    for bad in (([1.0], [0.1]), ([1.0, 2.0], [0.1, 0.0]), ([1.0, np.nan], [0.1, 0.1]), ([1.0, 2.0], [0.1])):
        with pytest.raises(ValueError, match=r"two or more estimates|standard errors numbers above 0"):
            across_studies(*bad)
    for level in (0.0, 1.0):
        with pytest.raises(ValueError, match="level must lie between 0 and 1"):
            across_studies([0.0, 1.0], [0.5, 0.5], level=level)
