"""Studentised range and many-to-one t: published tables, scipy, closed forms, and two routes of our own."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats
from scipy.special import stdtrit

from blindtest.stats.mixed.adjustment import adjusted
from blindtest.stats.mixed.contrasts import contrast_table
from blindtest.stats.mixed.degrees_of_freedom import t_tails
from blindtest.stats.mixed.many_to_one import _lattice_tail, many_to_one_quantile, many_to_one_tail
from blindtest.stats.mixed.marginal_means import reference_grid
from blindtest.stats.mixed.model_matrix import model_matrix
from blindtest.stats.mixed.studentised_range import range_quantile, range_tail

INFINITY = float("inf")


def equal(count, rho):
    return np.full((count, count), rho) + (1 - rho) * np.eye(count)


@pytest.mark.parametrize(
    ("means", "df", "q"),
    [(3, 10, 3.877), (3, 20, 3.578), (4, 20, 3.958), (5, 30, 4.102), (10, 20, 5.008), (3, INFINITY, 3.314)],
)
def test_tabled_studentised_ranges(means, df, q):
    """Upper 5 % points to three decimals, as in Harter 1960 (Ann. Math. Statist. 31, 1122) and textbooks after it.

    From memory of those tables; scipy's own routine agrees with each (next test).
    """
    assert range_quantile(0.95, means, df) == pytest.approx(q, abs=6e-4)


@pytest.mark.parametrize("df", [1.5, 4, 17.3, 44, 173.7, 1e4, INFINITY])
@pytest.mark.parametrize("means", [2, 3, 6, 12])
def test_studentised_range_is_that_of_scipy(means, df):
    """scipy.stats.studentized_range (a double integral), fractional degrees of freedom too."""
    for q in (0.7, 3.3, 7.1):
        theirs = stats.studentized_range.sf(q, means, df)
        assert range_tail(q, means, df) == pytest.approx(theirs, rel=1e-7, abs=1e-10)


@given(st.floats(0.05, 30), st.floats(1, 2000))
def test_a_range_of_two_is_a_t(t, df):
    """The range of two means over its SD is sqrt(2) |t|: a closed form, down to tails of 1e-15 and less."""
    tail = float(t_tails(t, df))
    assert range_tail(np.sqrt(2) * t, 2, df) == pytest.approx(tail, rel=1e-8, abs=1e-30)


def test_small_tails_of_a_range_keep_their_digits():
    """Bonferroni bounds from both sides (Bonferroni's inequalities), where 1 - P would have lost all digits."""
    pair = float(t_tails(12 / np.sqrt(2), 200.5))
    tail = range_tail(12.0, 3, 200.5)
    assert pair < 1e-13
    assert 2.7 * pair < tail < 3 * pair


def test_quantile_and_tail_are_inverse():
    for means, df in ((3, 2.2), (7, 11.4), (20, 300.0)):
        for level in (0.5, 0.95, 0.999):
            (q,) = range_quantile(level, means, df)
            assert range_tail(q, means, df) == pytest.approx(1 - level, rel=1e-8)


def test_many_different_df_are_solved_by_a_polynomial():
    """Each one solved alone, against all at once: 40 contrasts with df of their own."""
    df = np.append(np.geomspace(3, 800, 40), INFINITY)
    together = range_quantile(0.95, 6, df)
    assert together == pytest.approx([float(range_quantile(0.95, 6, one)[0]) for one in df], rel=1e-6)
    correlation = equal(4, 0.4)
    together = many_to_one_quantile(0.95, correlation, df)
    alone = [float(many_to_one_quantile(0.95, correlation, one)[0]) for one in df]
    assert together == pytest.approx(alone, rel=1e-6)
    assert np.isnan(range_quantile(0.95, 6, [4.0, np.nan])).tolist() == [False, True]


@pytest.mark.parametrize(
    ("treatments", "df", "d"),
    [
        (2, 5, 3.03),
        (2, 20, 2.38),
        (3, 10, 2.76),
        (3, 20, 2.54),
        (5, 20, 2.73),
        (2, INFINITY, 2.21),
        (5, INFINITY, 2.51),
    ],
)
def test_tabled_dunnett_points(treatments, df, d):
    """Two-sided 5 % points for equal groups (correlation 1/2), Dunnett 1964 (Biometrics 20, 482), table II; from
    memory."""
    assert many_to_one_quantile(0.95, equal(treatments, 0.5), df) == pytest.approx(d, abs=6e-3)


def test_dunnett_is_that_of_scipy_on_one_way_data():
    """scipy.stats.dunnett, data of its own example (Dunnett 1955: blood counts), unequal groups; scipy integrates by
    chance."""
    control = [7.40, 8.50, 7.20, 8.24, 9.84, 8.32]
    drug_a = [9.76, 8.80, 7.68, 9.36]
    drug_b = [12.80, 9.68, 12.16, 9.20, 10.55]
    theirs = stats.dunnett(drug_a, drug_b, control=control, random_state=np.random.default_rng(1))
    groups = [np.array(group) for group in (control, drug_a, drug_b)]
    sizes = np.array([len(group) for group in groups])
    df = sizes.sum() - 3
    s2 = sum(((group - group.mean()) ** 2).sum() for group in groups) / df
    means = np.array([group.mean() for group in groups])
    contrasts = np.array([[-1, 1, 0], [-1, 0, 1]])
    covariance = contrasts @ np.diag(s2 / sizes) @ contrasts.T
    t = contrasts @ means / np.sqrt(np.diag(covariance))
    p, half = adjusted(t, np.full(2, float(df)), adjust="dunnett", level=0.95, means=3, covariance=covariance)
    assert t == pytest.approx(theirs.statistic)
    assert p == pytest.approx(theirs.pvalue, abs=2e-3)
    assert p == pytest.approx([0.62, 0.0059], abs=1e-3)  # Dunnett's printed example, as scipy's documentation quotes it
    interval = theirs.confidence_interval(0.95)
    assert contrasts @ means + half * np.sqrt(np.diag(covariance)) == pytest.approx(interval.high, abs=2e-2)


@pytest.mark.parametrize("df", [5.5, 40, INFINITY])
@pytest.mark.parametrize("count", [3, 5, 8])
def test_two_routes_to_the_many_to_one_tail(count, df):
    """The double integral for products of loadings against the lattice, which takes any correlation."""
    loadings = np.linspace(0.3, 0.9, count)
    correlation = np.outer(loadings, loadings)
    np.fill_diagonal(correlation, 1.0)
    for c in (1.0, 2.4, 6.0):
        exact = many_to_one_tail(c, correlation, df)
        assert _lattice_tail(c, correlation, df) == pytest.approx(exact, rel=1e-3)


def test_any_correlation_against_a_multivariate_normal():
    """scipy.stats.multivariate_normal, no product form; its error is about 1e-5."""
    rng = np.random.default_rng(4)
    a = rng.normal(size=(4, 6))
    covariance = a @ a.T
    sd = np.sqrt(np.diag(covariance))
    correlation = covariance / np.outer(sd, sd)
    c = 2.2
    inside = stats.multivariate_normal.cdf(
        np.full(4, c),
        cov=correlation,
        lower_limit=np.full(4, -c),
        rng=np.random.default_rng(2),
        abseps=1e-5,
        releps=1e-5,
    )
    assert many_to_one_tail(c, correlation, INFINITY) == pytest.approx(1 - inside, abs=3e-5)


def test_independent_contrasts_multiply():
    """Closed form: 1 - (1 - p)^k with known variance."""
    p = float(t_tails(2.3, INFINITY))
    assert many_to_one_tail(2.3, np.eye(4), INFINITY) == pytest.approx(1 - (1 - p) ** 4, rel=1e-12)


def test_a_contrast_said_twice_adds_nothing():
    twice = np.ones((2, 2))
    assert many_to_one_tail(2.1, twice, 12.5) == pytest.approx(float(t_tails(2.1, 12.5)), rel=1e-4)
    assert many_to_one_quantile(0.95, np.ones((1, 1)), 12.5) == pytest.approx(stdtrit(12.5, 0.975))


@settings(max_examples=25)
@given(st.integers(2, 5), st.floats(0.0, 0.95), st.floats(2.0, 300))
def test_adjustments_lie_between_one_test_and_bonferroni(count, rho, df):
    """A law of all of them; Holm between Bonferroni and one test as well."""
    t = np.linspace(0.5, 3.5, count)
    nu = np.full(count, df)
    single, _ = adjusted(t, nu, adjust="none", level=0.95, means=0, covariance=np.eye(count))
    for adjust, means, tests in (("dunnett", 0, count), ("holm", 0, count), ("tukey", count, count * (count - 1) / 2)):
        p, half = adjusted(t, nu, adjust=adjust, level=0.95, means=means, covariance=equal(count, rho))
        assert np.all(p >= single * (1 - 1e-9))
        assert np.all(p <= np.minimum(tests * single, 1) * (1 + 1e-6))
        assert np.all(half >= stdtrit(df, 0.975) * (1 - 1e-9))


def test_dunnett_table_against_the_first_level(reference_fit, dense):
    """Names and signs: each level minus the first, the reference; same estimates as the coefficients of a formula
    without mode."""
    expected, table = reference_fit("panel_ratings_unbalanced_int_reml")
    groups = ["listener:device", "listener", "clip"]
    matrix = model_matrix("rating ~ device", table, random=dict.fromkeys(groups, "1"))
    phi = expected["varcomp"]["variance_or_cov"]
    fit = dense(matrix.dense(), matrix.response, table, [(g, None) for g in groups], phi[:-1], phi[-1], reml=True)
    grid = reference_grid(matrix.encode, matrix.factors, matrix.covariates)
    tables = {
        adjust: contrast_table(grid, fit.beta, fit.cov, fit.df_of, "device", adjust=adjust)
        for adjust in ("dunnett", "none")
    }
    dunnett = tables["dunnett"].set_index("contrast")
    assert dunnett.index.tolist() == ["B - A", "C - A"]
    assert dunnett["estimate"].tolist() == pytest.approx(fit.beta[1:].tolist())
    single = tables["none"].set_index("contrast")
    for ours, other in (("B - A", "A - B"), ("C - A", "A - C")):
        assert single.loc[other, "p_value"] < dunnett.loc[ours, "p_value"] < 2 * single.loc[other, "p_value"]
        assert dunnett.loc[ours, "ci_low"] < -single.loc[other, "ci_high"]
    assert tables["dunnett"].attrs["family"] == 2
    assert "Dunnett" in tables["dunnett"].attrs["sentence"]
