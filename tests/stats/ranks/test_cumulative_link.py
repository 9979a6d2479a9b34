"""The cumulative-link model: R's ordinal, statsmodels, closed forms, recovery, degenerate tables."""

import json

import numpy as np
import pandas as pd
import pytest
from scipy.integrate import quad
from scipy.special import expit, logit, ndtri
from scipy.stats import chi2, norm

from blindtest.errors import BlindtestError
from blindtest.stats import fit_cumulative_link
from blindtest.stats.ranks.ordered_links import interval_derivatives

FORMULA = "outcome ~ devB + devC + devD"
LEVELS = ["second", "tie", "first"]


@pytest.fixture(scope="module")
def preferences(references):
    table = pd.read_csv(references / "data" / "preference_small.csv")
    for item in "BCD":
        table[f"dev{item}"] = (table["first"] == item).astype(int) - (table["second"] == item).astype(int)
    return table


@pytest.fixture(scope="module")
def mixed(preferences):
    return fit_cumulative_link(FORMULA, preferences, levels=LEVELS, random={"listener": "1"})


def test_without_a_random_factor_it_is_clm(preferences, expected):
    """ordinal 2022.11.16 clm, R 4.2.2."""
    r = expected("preference_small_cumulative_link")["clm"]
    result = fit_cumulative_link(FORMULA, preferences, levels=LEVELS)
    ours = {**result.thresholds["estimate"], **result.coefficients["estimate"]}
    errors = {**result.thresholds["std_error"], **result.coefficients["std_error"]}
    assert ours == pytest.approx(r["coef"], abs=1e-6)
    assert errors == pytest.approx(r["se"], abs=1e-6)
    assert result.log_likelihood == pytest.approx(r["logLik"], abs=1e-8)
    names = r["vcov"]["rows"]
    assert result.covariance.loc[names, names].to_numpy() == pytest.approx(np.array(r["vcov"]["values"]), abs=1e-7)


def test_with_a_random_factor_it_is_clmm(mixed, expected):
    """ordinal's clmm with (1 | listener), Laplace; its optimiser stops 2e-6 in log-likelihood short of ours."""
    r = expected("preference_small_cumulative_link")["clmm"]
    ours = {**mixed.thresholds["estimate"], **mixed.coefficients["estimate"]}
    errors = {**mixed.thresholds["std_error"], **mixed.coefficients["std_error"]}
    for name, estimate in r["coef"].items():
        assert ours[name] == pytest.approx(estimate, abs=1e-5 * r["se"][name]), name
        assert errors[name] == pytest.approx(r["se"][name], rel=2e-5), name
    assert np.sqrt(mixed.variance_components["variance"][0]) == pytest.approx(r["sd_listener"], abs=1e-5)
    assert mixed.log_likelihood == pytest.approx(r["logLik"], abs=1e-5)
    assert mixed.log_likelihood >= r["logLik"]
    assert mixed.convergence.converged


@pytest.mark.parametrize("link", ["logit", "probit"])
def test_it_is_statsmodels_ordered_model(preferences, link):
    """statsmodels 0.15 OrderedModel; its standard errors are differenced."""
    from statsmodels.miscmodels.ordinal_model import OrderedModel

    answers = pd.Series(pd.Categorical(preferences["outcome"], LEVELS, ordered=True))
    theirs = OrderedModel(answers, preferences[["devB", "devC", "devD"]], distr=link).fit(
        method="bfgs", disp=0, gtol=1e-9, maxiter=500
    )
    result = fit_cumulative_link(FORMULA, preferences.assign(outcome=answers), link=link)
    assert result.log_likelihood == pytest.approx(theirs.llf, abs=1e-8)
    assert result.coefficients["estimate"].to_numpy() == pytest.approx(theirs.params.to_numpy()[:3], abs=1e-5)
    assert result.coefficients["std_error"].to_numpy() == pytest.approx(theirs.bse.to_numpy()[:3], rel=1e-4)
    assert result.coefficients["statistic"].to_numpy() == pytest.approx(theirs.tvalues.to_numpy()[:3], rel=2e-4)
    assert result.coefficients["p_value"].to_numpy() == pytest.approx(theirs.pvalues.to_numpy()[:3], rel=2e-3)
    limits = theirs.conf_int(0.05).to_numpy()[:3]
    assert result.coefficients[["ci_low", "ci_high"]].to_numpy() == pytest.approx(limits, abs=1e-3)


def test_thresholds_alone_are_the_shares():
    """McCullagh 1980: without terms each threshold is the quantile of the share below it."""
    table = pd.DataFrame({"rating": [1] * 3 + [2] * 5 + [4] * 2})
    result = fit_cumulative_link("rating ~ 1", table)
    assert result.thresholds["estimate"].to_dict() == pytest.approx({"1|2": logit(0.3), "2|4": logit(0.8)}, abs=1e-9)
    probit = fit_cumulative_link("rating ~ 1", table, link="probit")
    assert probit.thresholds["estimate"].tolist() == pytest.approx(ndtri([0.3, 0.8]).tolist(), abs=1e-9)
    assert result.log_likelihood == pytest.approx(3 * np.log(0.3) + 5 * np.log(0.5) + 2 * np.log(0.2))


def test_two_categories_are_a_logistic_regression():
    """2 x 2 table: the coefficient is the log odds ratio, its variance the sum of 1/n."""
    table = pd.DataFrame({"device": ["A"] * 20 + ["B"] * 20, "rating": [0] * 12 + [1] * 8 + [0] * 5 + [1] * 15})
    row = fit_cumulative_link("rating ~ device", table).coefficients.loc["device[T.B]"]
    assert row["estimate"] == pytest.approx(np.log((15 / 5) / (8 / 12)), abs=1e-9)
    assert row["std_error"] == pytest.approx(np.sqrt(1 / 12 + 1 / 8 + 1 / 5 + 1 / 15), abs=1e-9)


def test_laplace_is_near_the_integral(mixed, preferences):
    """The marginal likelihood at the fitted parameters by adaptive quadrature (scipy), listener by listener."""
    theta = mixed.thresholds["estimate"].to_numpy()
    beta = mixed.coefficients["estimate"].to_numpy()
    sd = np.sqrt(mixed.variance_components["variance"][0])
    ends = np.concatenate(([-np.inf], theta, [np.inf]))
    total = 0.0
    for _, own in preferences.groupby("listener"):
        y = own["outcome"].map(LEVELS.index).to_numpy()
        eta = own[["devB", "devC", "devD"]].to_numpy() @ beta

        def integrand(u, y=y, eta=eta):
            p = expit(ends[y + 1] - eta - u) - expit(ends[y] - eta - u)
            return np.prod(p) * norm.pdf(u, scale=sd)

        total += np.log(quad(integrand, -8 * sd, 8 * sd, epsabs=0, epsrel=1e-10)[0])
    assert mixed.log_likelihood == pytest.approx(total, abs=0.005)


@pytest.mark.parametrize("link", ["logit", "probit"])
def test_derivatives_are_slopes(link):
    """Central differences, relative to the size that a gap of g gives, 1/g^k."""
    rng = np.random.default_rng(1)
    b = 2 * rng.normal(size=40)
    a = b + 0.3 + rng.exponential(size=40)
    a[0], b[1] = np.inf, -np.inf
    pairs = ("value a a", "value b b", "a a aa", "a b ab", "b b bb", "aa a aaa", "aa b aab", "bb a abb", "bb b bbb")
    for of, by, name in (pair.split() for pair in pairs):
        step = 1e-5
        up = interval_derivatives(a + step * (by == "a"), b + step * (by == "b"), link)
        down = interval_derivatives(a - step * (by == "a"), b - step * (by == "b"), link)
        slope = (getattr(up, of) - getattr(down, of)) / (2 * step)
        exact = getattr(interval_derivatives(a, b, link), name)
        assert exact == pytest.approx(slope, rel=1e-5, abs=1e-5), name


def test_far_from_the_data_nothing_overflows():
    d = interval_derivatives(np.array([50.0, -45.0, 38.0]), np.array([45.0, -50.0, 37.0]), "logit")
    assert d.value == pytest.approx([-45.0067, -45.0067, -37.4587], abs=1e-3)
    assert np.isfinite(d.bbb).all()


def test_likelihood_ratio_tests(preferences, mixed, expected):
    full = fit_cumulative_link(FORMULA, preferences, levels=LEVELS)
    tests = full.term_tests()
    smaller = fit_cumulative_link("outcome ~ devB + devC", preferences, levels=LEVELS)
    test = full.likelihood_ratio(smaller)
    assert tests.loc["devD", "statistic"] == pytest.approx(test.statistic, abs=1e-8)
    assert test.p_value == pytest.approx(tests.loc["devD", "p_value"], abs=1e-10)
    assert "Without devD the model fits worse by" in test.sentence
    r = expected("preference_small_cumulative_link")
    ratio = 2 * (r["clmm"]["logLik"] - r["clm"]["logLik"])
    assert mixed.random_test.statistic == pytest.approx(ratio, abs=1e-5)
    # Half of chi-square's tail with one df: a variance cannot be negative.
    assert mixed.random_test.p_value == pytest.approx(norm.sf(np.sqrt(ratio)), abs=1e-4)
    assert mixed.likelihood_ratio(full).p_value == pytest.approx(mixed.random_test.p_value)
    # Self and Liang 1987: with a term and a variance more, half a chi-square of one df and half of two; scipy.stats.
    both = mixed.likelihood_ratio(smaller)
    tails = chi2.sf(both.statistic, 1), chi2.sf(both.statistic, 2)
    assert (both.df, both.p_value) == (2, pytest.approx(sum(tails) / 2))
    assert both.statistic == pytest.approx(test.statistic + mixed.random_test.statistic, abs=1e-8)
    with pytest.raises(BlindtestError, match="not nested"):
        smaller.likelihood_ratio(full)


def test_terms_inside_products_are_not_tested_apart(references):
    panel = pd.read_csv(references / "data" / "panel_ratings_small.csv")
    result = fit_cumulative_link("rating ~ device * condition", panel)
    assert result.term_tests().index.tolist() == ["device:condition"]
    assert result.term_tests().loc["device:condition", "df"] == 2


def test_contrasts_are_differences_of_coefficients(references):
    panel = pd.read_csv(references / "data" / "panel_ratings_small.csv")
    result = fit_cumulative_link("rating ~ device", panel, random={"listener": "1"})
    rows = result.contrast("device", adjust="none").set_index("contrast")
    b, c = result.coefficients["estimate"]
    assert rows["estimate"].to_dict() == pytest.approx({"A - B": -b, "A - C": -c, "B - C": b - c}, abs=1e-10)
    assert rows.loc["A - C", "p_value"] == pytest.approx(result.coefficients.loc["device[T.C]", "p_value"], abs=1e-10)
    assert (result.contrast("device")["p_value"] >= rows["p_value"].to_numpy() - 1e-12).all()


def test_an_order_preserving_change_of_the_scale_changes_nothing(references):
    panel = pd.read_csv(references / "data" / "panel_ratings_small.csv")
    a = fit_cumulative_link("rating ~ device + condition", panel)
    bent = panel.assign(rating=np.exp(panel["rating"] / 20)).sample(frac=1, random_state=3)
    b = fit_cumulative_link("rating ~ device + condition", bent)
    assert b.coefficients["estimate"].to_numpy() == pytest.approx(a.coefficients["estimate"].to_numpy(), abs=1e-7)
    assert b.log_likelihood == pytest.approx(a.log_likelihood, abs=1e-7)


def simulated(listeners, sd, beta, rng, *, rows=8):
    effects = np.repeat(rng.normal(0, sd, listeners), rows)
    device = np.tile([0, 1], listeners * rows // 2)
    latent = effects + beta * device + rng.logistic(size=len(device))
    rating = np.digitize(latent, [-1.5, -0.5, 0.5, 1.5])
    names = np.repeat([f"L{i:03}" for i in range(listeners)], rows)
    return pd.DataFrame({"listener": names, "device": np.array(["A", "B"])[device], "rating": rating})


def test_a_known_panel_is_recovered():
    """200 listeners of spread 1, an effect of .8: within three standard errors (seed 6)."""
    result = fit_cumulative_link(
        "rating ~ device", simulated(200, 1.0, 0.8, np.random.default_rng(6)), random={"listener": "1"}
    )
    row = result.coefficients.loc["device[T.B]"]
    assert row["estimate"] == pytest.approx(0.8, abs=3 * row["std_error"])
    assert np.sqrt(result.variance_components["variance"][0]) == pytest.approx(1.0, abs=0.2)
    assert len(result.random_effects["listener"]) == 200


def test_no_spread_of_listeners_is_a_result():
    table = simulated(12, 0.0, 0.5, np.random.default_rng(16))
    result = fit_cumulative_link("rating ~ device", table, random={"listener": "1"})
    alone = fit_cumulative_link("rating ~ device", table)
    assert result.variance_components["variance"].tolist() == [0.0]
    assert "variance of listener is estimated as 0" in result.sentence
    assert result.log_likelihood == pytest.approx(alone.log_likelihood)
    assert result.random_test.p_value == 1
    assert result.convergence.converged


def test_the_result_is_json(mixed, preferences):
    said = json.loads(json.dumps(mixed.to_dict()))
    assert [row["threshold"] for row in said["thresholds"]] == ["second|tie", "tie|first"]
    assert said["variance_components"][0]["other"] is None
    assert len(said["random_effects"]["listener"]) == 8
    assert said["convergence"]["converged"]
    assert "log odds of a higher answer" in said["sentence"]
    assert said["random_test"]["p_value"] == mixed.random_test.p_value
    plain = fit_cumulative_link(FORMULA, preferences, levels=LEVELS, random={})
    assert plain.to_dict()["random_test"] is None
    assert plain.random_effects == {}


def test_missing_answers_and_unused_levels_are_counted(preferences):
    table = preferences.copy()
    table.loc[3, "outcome"] = np.nan
    result = fit_cumulative_link(FORMULA, table, levels=["never", *LEVELS])
    assert (result.answers, result.dropped) == (95, 1)
    assert "Never used, so without a threshold: never." in result.sentence
    assert result.categories == tuple(LEVELS)


ONE = pd.DataFrame({"device": list("AABB"), "listener": list("wxyz"), "rating": [1, 2, 3, 4]})


@pytest.mark.parametrize(
    ("formula", "table", "options", "message"),
    [
        ("outcome ~ device", ONE, {}, "no such column in the table, got 'outcome'"),
        ("rating ~ devise", ONE, {}, "no such column in the table, got 'devise'.*did you mean 'device'"),
        ("rating ~ device", ONE.assign(rating=5), {}, "all answers are alike"),
        ("rating ~ device", ONE.assign(rating=list("abca")), {}, "nobody said their order, got 'a, b, c'"),
        ("rating ~ device", ONE.assign(rating=list("abca")), {"levels": "ab"}, "line 3: rating: an answer of no level"),
        ("rating ~ device", ONE, {"levels": [1, 2, 2, 3, 4]}, "a level is named twice"),
        ("rating ~ device", ONE, {}, r"predict the answers without error.*device\[T.B\]"),
        ("rating ~ 0 + device", ONE, {}, "add up to a constant"),
        ("rating ~ device", ONE, {"random": {"listener": "1 + device"}}, "one random factor with a scalar variance"),
        ("rating ~ device", ONE, {"random": {"listener": "1", "device": "1"}}, "one random factor"),
        ("device", ONE, {}, "a formula names one response"),
    ],
)
def test_what_has_no_fit_is_refused(formula, table, options, message):
    with pytest.raises(BlindtestError, match=message):
        fit_cumulative_link(formula, table, **options)


def test_another_link_is_a_mistake():
    with pytest.raises(ValueError, match="no link 'cauchit'"):
        fit_cumulative_link("rating ~ device", ONE, link="cauchit")
