"""What a fit says beyond its tables (those: test_linear_references.py): profiles, ratios, influence, residuals.

References: lme4 1.1.31 in R 4.2.2 (tests/references/stats), scipy, statsmodels, published tables, and laws.
"""

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy import stats
from scipy.linalg import solve_triangular
from scipy.optimize import minimize

from blindtest.errors import BlindtestError
from blindtest.stats import fit_binary_mixed, fit_linear_mixed, likelihood_ratio_test
from blindtest.stats.mixed.degrees_of_freedom import satterthwaite
from blindtest.stats.mixed.residuals import normal_quantiles

REFERENCES = Path(__file__).parents[2] / "references" / "stats"
FORMULA = "rating ~ device * condition"
RANDOM = {
    "panel_ratings_small_cross": {"listener": "1", "clip": "1"},
    "panel_ratings_small_slope": {"listener": "1 + condition", "clip": "1"},
    "panel_ratings_unbalanced_int": {"listener:device": "1", "listener": "1", "clip": "1"},
    "panel_ratings_unbalanced_products": {
        "listener": "1",
        "clip": "1",
        "listener:device": "1",
        "listener:condition": "1",
        "clip:device": "1",
    },
}


@pytest.fixture(scope="module")
def fitted(reference_fit):
    known = {}

    def fit(model, kind, df="satterthwaite"):
        if (model, kind, df) not in known:
            expected, table = reference_fit(f"{model}_{kind}")
            result = fit_linear_mixed(FORMULA, table, random=RANDOM[model], reml=kind == "reml", df=df)
            known[model, kind, df] = (expected, table, result)
        return known[model, kind, df]

    return fit


def close(ours, theirs, scale, tolerance=1e-4):
    scale = np.asarray(scale, dtype=float)
    assert np.asarray(ours, dtype=float) / scale == pytest.approx(np.asarray(theirs, float) / scale, abs=tolerance)


def test_rows_and_names_do_not_matter(fitted):
    """Row order, and names of listeners that change their order, change nothing."""
    _, table, result = fitted("panel_ratings_unbalanced_int", "reml", "kenward-roger")
    shuffled = table.sample(frac=1, random_state=3)
    shuffled["listener"] = shuffled["listener"].map(lambda name: f"X{97 * int(name[1:]) % 101}")
    again = fit_linear_mixed(FORMULA, shuffled, random=RANDOM["panel_ratings_unbalanced_int"], df="kenward-roger")
    pd.testing.assert_frame_equal(again.contrast("device"), result.contrast("device"), rtol=1e-5)
    pd.testing.assert_frame_equal(again.tests(), result.tests(), rtol=1e-5)


def test_a_rating_scale_of_other_size_scales_estimates_only(fitted):
    """Law: 0 ... 100 made 0 ... 1 divides estimates and intervals by 100, and leaves df and p."""
    _, table, result = fitted("panel_ratings_unbalanced_int", "reml", "kenward-roger")
    small = fit_linear_mixed(
        FORMULA,
        table.assign(rating=table["rating"] / 100 - 5),
        random=RANDOM["panel_ratings_unbalanced_int"],
        df="kenward-roger",
    )
    one, other = small.contrast("device"), result.contrast("device")
    assert (100 * one["ci_low"]).tolist() == pytest.approx(other["ci_low"].tolist(), rel=1e-5)
    assert one["p_value"].tolist() == pytest.approx(other["p_value"].tolist(), rel=1e-4)
    assert one["df"].tolist() == pytest.approx(other["df"].tolist(), rel=1e-4)


@pytest.mark.parametrize("df", ["satterthwaite", "kenward-roger"])
def test_without_any_spread_it_is_a_plain_regression(df):
    """statsmodels' OLS: variances at zero leave n - p degrees of freedom and its errors, t, F and intervals."""
    import statsmodels.formula.api as smf

    rng = np.random.default_rng(6)
    table = pd.DataFrame(
        [(f"L{i}", f"c{j}", d, rng.normal()) for i in range(6) for j in range(4) for d in "ABC"],
        columns=["listener", "clip", "device", "rating"],
    )
    for group in ("listener", "clip"):
        table["rating"] -= table.groupby(group)["rating"].transform("mean")
    result = fit_linear_mixed("rating ~ device", table, df=df)
    plain = smf.ols("rating ~ device", table).fit()
    assert (result.variance_components["variance"].iloc[:2] == 0).all()
    assert result.coefficients["df"].tolist() == pytest.approx([69] * 3)
    assert result.coefficients["std_error"].tolist() == pytest.approx(plain.bse.tolist())
    assert result.coefficients["p_value"].tolist() == pytest.approx(plain.pvalues.tolist())
    test = result.test("device")
    assert (test.statistic, test.denominator_df) == (pytest.approx(plain.fvalue), pytest.approx(69))
    ends = result.profile(["sd(listener)", "sd(residual)"])
    assert ends.loc["sd(listener)", "ci_low"] == 0 < ends.loc["sd(listener)", "ci_high"]


def test_a_fit_that_did_not_converge_has_no_df():
    """A covariance of the variances that is none gives NaN, never infinity, which would claim the most."""
    df = satterthwaite(np.eye(2), np.eye(2), np.array([np.diag([1.0, 0.0])]), np.array([[-1.0]]))
    assert np.isnan(df[0])
    assert np.isinf(df[1])


# profile intervals


PROFILED = {
    "lmm_sleepstudy": (
        "Reaction ~ Days",
        {"Subject": "1 + Days"},
        [
            "sd(Subject, Intercept)",
            "cor(Subject, Intercept, Days)",
            "sd(Subject, Days)",
            "sd(residual)",
            "Intercept",
            "Days",
        ],
    ),
    "lmm_penicillin": (
        "diameter ~ 1",
        {"plate": "1", "sample": "1"},
        ["sd(plate)", "sd(sample)", "sd(residual)", "Intercept"],
    ),
}


@pytest.mark.parametrize("model", PROFILED)
def test_profile_intervals_are_those_of_lme4(reference_fit, model):
    """lme4 1.1.31, confint(profile(fit)): splines through a profile, good to about 1e-4 of the width."""
    expected, table = reference_fit(f"{model}_ml")
    formula, random, names = PROFILED[model]
    result = fit_linear_mixed(formula, table, random=random)  # REML: profiled by maximum likelihood all the same
    ours = result.profile(names)
    theirs = np.array(expected["profile_ci95_ML"]["values"])
    width = theirs[:, 1] - theirs[:, 0]
    assert ours.index.tolist() == names
    close(ours["ci_low"], theirs[:, 0], width)
    close(ours["ci_high"], theirs[:, 1], width)


def test_the_deviance_rises_by_the_quantile_at_an_end(fitted):
    """Law, with n x n matrices and another optimiser: held at an end, the rest can't do better than 3.8415 above."""
    _, table, result = fitted("panel_ratings_unbalanced_int", "ml")
    ends = result.profile(["sd(listener)", "device[T.C]"])
    keys = [table["listener"] + table["device"], table["listener"], table["clip"]]
    products = [dummies @ dummies.T for dummies in (pd.get_dummies(key).to_numpy(float) for key in keys)]
    x, y = result.fit.model.dense(), result.fit.model.response

    def deviance(sd, fixed=x, response=y):
        v = sum(a**2 * product for a, product in zip(sd, products, strict=False)) + sd[3] ** 2 * np.eye(len(y))
        root = np.linalg.cholesky(v)
        whitened = solve_triangular(root, np.column_stack([fixed, response]), lower=True)
        left = np.linalg.lstsq(whitened[:, :-1], whitened[:, -1], rcond=None)[1][0]
        return 2 * np.log(np.diag(root)).sum() + left + len(y) * np.log(2 * np.pi)

    start = np.sqrt(result.fit.phi)
    least = deviance(start)
    assert least == pytest.approx(-2 * result.log_likelihood, abs=1e-6)

    def risen(held, values):
        options = {"xatol": 1e-3, "fatol": 1e-6}
        return minimize(held, values, method="Nelder-Mead", options=options).fun - least

    sd = ends.loc["sd(listener)", "ci_high"]
    rise = risen(lambda v: deviance(np.array([v[0], sd, v[1], v[2]])), start[[0, 2, 3]])
    assert rise == pytest.approx(stats.chi2.ppf(0.95, 1), abs=1e-4)
    place = result.fit.model.terms.index("device[T.C]")
    moved = y - ends.loc["device[T.C]", "ci_low"] * x[:, place]
    rise = risen(lambda v: deviance(v, np.delete(x, place, axis=1), moved), start)
    assert rise == pytest.approx(stats.chi2.ppf(0.95, 1), abs=1e-4)


def test_a_standard_deviation_may_end_at_zero(fitted):
    """listener:device here: half the likelihood ratio against none is below the quantile (1.509 < 1.92)."""
    _, table, result = fitted("panel_ratings_unbalanced_int", "ml")
    interval = result.profile(["sd(listener:device)"]).iloc[0]
    without = fit_linear_mixed(FORMULA, table, random={"listener": "1", "clip": "1"}, reml=False)
    assert likelihood_ratio_test(without, result).statistic < stats.chi2.ppf(0.95, 1)
    assert interval["ci_low"] == 0
    assert interval["ci_low"] < interval["estimate"] < interval["ci_high"]
    wide = result.profile("sd(listener:device)", level=0.5).iloc[0]
    assert wide["ci_low"] > 0
    with pytest.raises(BlindtestError, match=r"got 'sd\(listner\)'.*did you mean 'sd\(listener\)'"):
        result.profile(["sd(listner)"])


# likelihood ratios


@pytest.mark.parametrize("kind", ["reml", "ml"])
def test_a_slope_more_against_its_mixture(fitted, kind):
    """Log-likelihoods of lme4 1.1.31; Stram & Lee 1994, case 3: half chi2(1), half chi2(2)."""
    small, _, one = fitted("panel_ratings_small_cross", kind)
    large, _, two = fitted("panel_ratings_small_slope", kind)
    result = likelihood_ratio_test(one, two)
    statistic = 2 * (large["logLik"] - small["logLik"])
    assert result.statistic == pytest.approx(statistic, abs=4e-4)
    assert result.mixture == ((0.5, 1), (0.5, 2))
    wanted = (stats.chi2.sf(statistic, 1) + stats.chi2.sf(statistic, 2)) / 2
    assert result.p_value == pytest.approx(wanted, rel=1e-3)
    assert not result.conservative
    assert "1 variance, 1 covariance more" in result.sentence
    assert json.loads(json.dumps(result.to_dict()))["df"] == 2


def test_several_variances_more_give_an_upper_bound(fitted):
    small, _, one = fitted("panel_ratings_unbalanced_int", "reml")
    large, _, two = fitted("panel_ratings_unbalanced_products", "reml")
    result = likelihood_ratio_test(one, two)
    statistic = 2 * (large["logLik"] - small["logLik"])
    assert result.statistic == pytest.approx(statistic, abs=4e-4)
    assert result.conservative
    assert result.p_value == pytest.approx(stats.chi2.sf(statistic, 2), rel=1e-3)
    assert "p = at most" in result.sentence


def test_fixed_effects_by_ml_as_statsmodels_has_them(reference_fit):
    """statsmodels' MixedLM, ML, one group: the log-likelihoods of both models."""
    from statsmodels.regression.mixed_linear_model import MixedLM

    _, table = reference_fit("lmm_sleepstudy_ml")
    slope = np.column_stack([np.ones(len(table)), table["Days"]])
    theirs = [
        MixedLM(table["Reaction"].to_numpy(), x, table["Subject"].to_numpy(), exog_re=slope).fit(reml=False).llf
        for x in (np.ones((len(table), 1)), slope)
    ]
    small = fit_linear_mixed("Reaction ~ 1", table, random={"Subject": "1 + Days"}, reml=False)
    large = fit_linear_mixed("Reaction ~ Days", table, random={"Subject": "1 + Days"}, reml=False)
    result = likelihood_ratio_test(small, large)
    assert result.statistic == pytest.approx(2 * (theirs[1] - theirs[0]), abs=1e-4)
    assert result.p_value == pytest.approx(stats.chi2.sf(result.statistic, 1))
    assert result.aic[1] < result.aic[0]


def test_comparisons_that_make_no_sense_are_refused(fitted):
    _, table, full = fitted("panel_ratings_unbalanced_int", "reml")
    plain = fit_linear_mixed("rating ~ device", table, random=RANDOM["panel_ratings_unbalanced_int"])
    with pytest.raises(BlindtestError, match=r"restricted likelihoods of different fixed parts.*reml=False"):
        likelihood_ratio_test(plain, full)
    small = fit_linear_mixed(FORMULA, table)
    with pytest.raises(BlindtestError, match="lacks a random part of the smaller one, got 'listener:device"):
        likelihood_ratio_test(full, small)
    with pytest.raises(BlindtestError, match="both models have the same parameters"):
        likelihood_ratio_test(small, small)
    fewer = fit_linear_mixed(FORMULA, table.iloc[3:])
    with pytest.raises(BlindtestError, match=r"fitted to other answers, got '204 rows of rating'.*201 rows"):
        likelihood_ratio_test(fewer, full)
    by_ml = fit_linear_mixed(FORMULA, table, reml=False)
    with pytest.raises(BlindtestError, match="maximise different likelihoods"):
        likelihood_ratio_test(by_ml, full)
    other = fit_linear_mixed("rating ~ condition", table, reml=False)
    with pytest.raises(BlindtestError, match="the fixed part is not within the larger model's"):
        likelihood_ratio_test(other, fit_linear_mixed("rating ~ device", table, reml=False))


# shares of the variance


def test_share_of_targets_is_the_published_icc():
    """Shrout & Fleiss 1979 (Psychol. Bull. 86, 420), tables 2 and 4: ICC(2,1) = .29; mean squares 11.24, 32.49,
    1.02."""
    ratings = np.array([[9, 2, 5, 8], [6, 1, 3, 2], [8, 4, 6, 8], [7, 1, 2, 6], [10, 5, 6, 9], [6, 2, 4, 7]])
    table = pd.DataFrame(
        [(f"t{i}", f"j{j}", float(ratings[i, j])) for i in range(6) for j in range(4)],
        columns=["target", "judge", "rating"],
    )
    result = fit_linear_mixed("rating ~ 1", table, random={"target": "1", "judge": "1"}).intraclass_shares()
    share = result.shares.loc["target", "share"]
    rows, columns, error = 56.2083333 / 5, 97.4583333 / 3, 15.2916667 / 15
    assert share == pytest.approx((rows - error) / (rows + 3 * error + 4 * (columns - error) / 6), rel=1e-5)
    assert share == pytest.approx(0.29, abs=0.005)
    assert result.shares["share"].sum() == pytest.approx(1)
    low, high = result.shares.loc["target", ["ci_low", "ci_high"]]
    assert 0 < low < share < high < 1
    assert "target 29 %" in result.sentence


@pytest.mark.parametrize("level", [0.95, 0.8])
def test_limits_of_a_share_by_hand_where_everything_is_balanced(level):
    """Searle 1971: mean squares of a one-way layout are independent, of variance 2 MS^2/df; delta method on the logit.

    The share is s/(s + MSW) with s = (MSB - MSW)/k, its logit log s - log MSW.
    """
    rng = np.random.default_rng(3)
    y = rng.normal(0, 2, (12, 1)) + rng.normal(0, 1.5, (12, 5))
    table = pd.DataFrame([(f"t{i:02}", v) for i, row in enumerate(y) for v in row], columns=["target", "rating"])
    result = fit_linear_mixed("rating ~ 1", table, random={"target": "1"}, level=level).intraclass_shares()
    row = result.shares.loc["target"]
    between, within = 5 * np.var(y.mean(axis=1), ddof=1), np.mean(np.var(y, axis=1, ddof=1))
    own = (between - within) / 5
    by_between, by_within = 1 / (5 * own), -1 / (5 * own) - 1 / within
    error = np.sqrt((by_between * between) ** 2 * 2 / 11 + (by_within * within) ** 2 * 2 / 48)
    middle, reach = np.log(own / within), stats.norm.ppf((1 + level) / 2) * error
    assert row["share"] == pytest.approx(own / (own + within), rel=1e-5)
    expected = 1 / (1 + np.exp(-(middle + np.array([-reach, reach]))))
    assert row[["ci_low", "ci_high"]].tolist() == pytest.approx(expected.tolist(), abs=1e-4)
    said = json.loads(json.dumps(result.to_dict()))
    assert [one["share"] for one in said["shares"]] == result.shares["share"].tolist()
    assert [said["level"], said["shares"][-1]["ci_low"]] == [level, result.shares["ci_low"].iloc[-1]]


def test_shares_need_random_intercepts_only(fitted):
    with pytest.raises(BlindtestError, match="with slopes the share of a group depends"):
        fitted("panel_ratings_small_slope", "reml")[2].intraclass_shares()


# influence


def test_leaving_a_listener_out_is_fitting_the_table_without(fitted):
    _, table, result = fitted("panel_ratings_unbalanced_products", "reml")
    influence = result.influence("listener")
    for name in ("L03", "L10"):
        without = fit_linear_mixed(
            FORMULA, table[table["listener"] != name], random=RANDOM["panel_ratings_unbalanced_products"]
        )
        estimate, error = (without.coefficients[column].to_numpy() for column in ("estimate", "std_error"))
        assert influence.coefficients.loc[name].to_numpy() == pytest.approx(estimate, abs=1e-5)
        change = result.coefficients["estimate"].to_numpy() - estimate
        assert influence.dfbetas.loc[name].to_numpy() == pytest.approx(change / error, abs=1e-5)
        cook = change @ np.linalg.solve(result.covariance.to_numpy(), change) / 6
        assert influence.levels.loc[name, "cooks_distance"] == pytest.approx(cook, abs=1e-6)
        sigmas = [np.sqrt(one.fit.sigma2) for one in (without, result)]
        assert influence.levels.loc[name, "log_residual_sd_change"] == pytest.approx(
            np.log(sigmas[0] / sigmas[1]), abs=1e-5
        )
    assert influence.levels["rows"].sum() == 204
    assert influence.cook_limit == pytest.approx(0.4)
    assert json.loads(json.dumps(influence.to_dict(), allow_nan=False))["sentence"] == influence.sentence


def test_a_listener_who_turned_the_scale_around_stands_out(fitted):
    _, table, _ = fitted("panel_ratings_unbalanced_int", "reml")
    turned = table["listener"] == "L05"
    table = table.assign(rating=table["rating"].where(~turned, 100 - table["rating"] + 40 * (table["device"] == "C")))
    influence = fit_linear_mixed("rating ~ device", table).influence()
    assert influence.beyond[0] == "L05"
    assert "Without listener L05 the fixed effects move most" in influence.sentence


def test_an_effect_that_one_listener_alone_gives_is_told(fitted):
    _, table, _ = fitted("panel_ratings_unbalanced_int", "reml")
    table = table[(table["listener"] == "L02") | (table["device"] != "C")]
    influence = fit_linear_mixed("rating ~ device", table).influence()
    assert influence.levels.index[~influence.levels["estimable"]].tolist() == ["L02"]
    assert "Without L02 some effect could not be estimated at all" in influence.sentence
    with pytest.raises(BlindtestError, match=r"no such group, got 'device' \(allowed: listener, clip\)"):
        fit_linear_mixed("rating ~ device", table).influence("device")


# residuals


def test_residual_numbers_are_those_of_scipy(fitted):
    """scipy.stats: skew, kurtosis, spearmanr."""
    _, table, result = fitted("panel_ratings_unbalanced_int", "reml")
    checks = result.residual_checks()
    raw = table["rating"].to_numpy() - checks.fitted
    assert checks.residuals * checks.sigma == pytest.approx(raw)
    assert checks.skewness == pytest.approx(stats.skew(raw))
    assert checks.excess_kurtosis == pytest.approx(stats.kurtosis(raw))
    assert checks.spread_trend == pytest.approx(stats.spearmanr(np.abs(raw), checks.fitted).statistic)
    assert checks.bands["rows"].sum() == len(raw)
    assert len(checks.bands) > 2
    for band in checks.bands.itertuples():
        here = (checks.fitted >= band.low) & (checks.fitted <= band.high)
        assert here.sum() == band.rows
        assert band.mean == pytest.approx(np.mean(raw[here]) / checks.sigma, abs=1e-9)
        assert band.std_dev == pytest.approx(np.std(raw[here], ddof=1) / checks.sigma)
    assert checks.bands["low"].iloc[0] == checks.fitted.min()
    assert checks.bands["high"].iloc[-1] == checks.fitted.max()
    assert checks.spread_ratio == pytest.approx(checks.bands["std_dev"].max() / checks.bands["std_dev"].min())
    sd = result.variance_components.set_index("group").loc["listener", "variance"] ** 0.5
    own = np.sort(result.random_effects["listener"]["Intercept"].to_numpy()) / sd
    assert checks.effects["listener"] == pytest.approx(own, rel=1e-6)
    by_hand = {level: np.std(raw[table["device"] == level], ddof=1) / checks.sigma for level in "ABC"}
    device = checks.factors[checks.factors["factor"] == "device"]
    assert device["level"].tolist() == list("ABC")
    assert device["std_dev"].tolist() == pytest.approx(list(by_hand.values()))
    assert checks.farthest["row"].iloc[0] == np.argmax(np.abs(raw))
    assert checks.at_highest == pytest.approx(np.mean(table["rating"] == table["rating"].max()))
    assert json.loads(json.dumps(checks.to_dict(), allow_nan=False))["sentence"] == checks.sentence


@pytest.mark.parametrize(
    ("power", "skewed", "words"),
    [
        (0.0, "within .5", "within the .5 that BS.1534 attachment 4 lets pass"),
        (0.45, "warning", "beyond .5, a warning"),
        (1.0, "severe", "beyond 1.0, severe"),
    ],
)
def test_skewness_in_the_words_of_the_standard(power, skewed, words):
    """ITU-R BS.1534-3 attachment 4: .5 warns, 1.0 is severe. Errors are powers of log-normal ones, skewness 0 to
    1.75."""
    rng = np.random.default_rng(8)
    z = rng.normal(size=(20, 12))
    error = z if not power else np.expm1(0.5 * power * z)
    table = pd.DataFrame(
        [(f"L{i:02}", f"c{j}", 50 + 2 * np.sin(i) + j % 3 + 8 * error[i, j]) for i in range(20) for j in range(12)],
        columns=["listener", "clip", "rating"],
    )
    checks = fit_linear_mixed("rating ~ 1", table).residual_checks()
    assert checks.skewed == skewed, checks.skewness
    assert words in checks.sentence


def test_a_pile_at_the_end_of_the_scale_is_told(fitted):
    _, table, _ = fitted("panel_ratings_small_cross", "reml")
    checks = fit_linear_mixed(FORMULA, table.assign(rating=table["rating"].clip(upper=65))).residual_checks()
    assert checks.at_highest > 0.2
    assert "% the highest: compare the analysis by ranks" in checks.sentence


def test_normal_quantiles_are_bloms():
    """Blom 1958: (i - 3/8)/(n + 1/4); for three values .1923, .5, .8077 by hand."""
    expected, observed = normal_quantiles(np.array([3.0, 1.0, 2.0]))
    assert observed.tolist() == [1, 2, 3]
    assert expected == pytest.approx(stats.norm.ppf([0.625 / 3.25, 0.5, 2.625 / 3.25]))


def test_binary_models_are_compared_too(fitted):
    """Laplace by the observed Hessian, from a separate dense program: -82.932699 and -82.574909, guess rate 1/2,
    probit."""
    table = pd.read_csv(REFERENCES / "data" / "abx_small.csv").astype({"listener": str, "pair": str})
    options = {"link": "probit", "guess": 0.5}
    small = fit_binary_mixed("correct ~ 0 + pair", table, random={"listener": "1"}, **options)
    large = fit_binary_mixed("correct ~ 0 + pair", table, random={"listener": "1", "listener:pair": "1"}, **options)
    result = likelihood_ratio_test(small, large)
    assert result.statistic == pytest.approx(2 * (82.932699 - 82.574909), abs=4e-4)
    assert result.mixture == ((0.5, 0), (0.5, 1))
    assert result.p_value == pytest.approx(stats.chi2.sf(0.71558, 1) / 2, abs=1e-4)
    logit = fit_binary_mixed("correct ~ 0 + pair", table, random={"listener": "1"}, guess=0.5)
    with pytest.raises(BlindtestError, match="link: the fits maximise different likelihoods, got 'probit'"):
        likelihood_ratio_test(logit, large)
    with pytest.raises(BlindtestError, match="have no likelihood in common"):
        likelihood_ratio_test(fitted("panel_ratings_small_cross", "ml")[2], large)
