"""Binary mixed models as their users meet them: ways to write answers, degenerate tables, intervals, d'."""

import json
from math import inf, isinf, isnan, nan, sqrt

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.special import expit, ndtri

from blindtest.errors import BlindtestError
from blindtest.stats import d_prime, fit_binary_mixed, proportion_correct

LISTENER = {"listener": "1"}
BOTH = {"listener": "1", "listener:pair": "1"}


@pytest.fixture(scope="module")
def abx(references):
    return pd.read_csv(references / "data" / "abx_small.csv")


@pytest.fixture(scope="module")
def counted(abx):
    """The same answers as counts, a row per listener and pair."""
    cells = abx.groupby(["listener", "pair"], as_index=False)["correct"].agg(["sum", "count"])
    return cells.rename(columns={"sum": "right", "count": "trials"})


@pytest.fixture(scope="module")
def fitted(abx):
    return fit_binary_mixed("correct ~ 0 + pair", abx, random=BOTH, link="probit", guess=0.5)


def crossed(listeners, clips, *, seed, guess=0.5, sd=(0.8, 0.4), middle=0.6):
    """Simulated: every listener answers twice about every clip."""
    rng = np.random.default_rng(seed)
    listener, clip = np.divmod(np.arange(listeners * clips).repeat(2), clips)
    eta = middle + rng.normal(0, sd[0], listeners)[listener] + rng.normal(0, sd[1], clips)[clip]
    right = rng.random(len(eta)) < guess + (1 - guess) * expit(eta)
    names = [f"L{i:03d}" for i in range(listeners)]
    return pd.DataFrame(
        {"listener": np.array(names)[listener], "clip": [f"c{i}" for i in clip], "correct": right.astype(int)}
    )


# Ways to write the same answers


def test_rows_truths_counts_and_proportions_give_the_same_fit(abx, counted):
    rows = fit_binary_mixed("correct ~ pair", abx, random=LISTENER, guess=0.5)
    others = [
        fit_binary_mixed("correct ~ pair", abx.assign(correct=abx["correct"] == 1), random=LISTENER, guess=0.5),
        fit_binary_mixed("right ~ pair", counted, random=LISTENER, guess=0.5, trials="trials"),
        fit_binary_mixed(
            "share ~ pair",
            counted.assign(share=counted["right"] / counted["trials"]),
            random=LISTENER,
            guess=0.5,
            trials="trials",
        ),
    ]
    for other in others:
        assert other.coefficients.to_numpy() == pytest.approx(rows.coefficients.to_numpy(), rel=1e-9)
        assert other.fit.value == pytest.approx(rows.log_likelihood, abs=1e-9)
    assert others[1].log_likelihood == others[2].log_likelihood > rows.log_likelihood


def test_a_row_per_listener_is_enough_where_rows_are_counts(abx):
    one = abx.groupby("listener", as_index=False)["correct"].agg(["sum", "count"])
    counts = fit_binary_mixed("k ~ 1", one.rename(columns={"sum": "k", "count": "n"}), random=LISTENER, trials="n")
    rows = fit_binary_mixed("correct ~ 1", abx, random=LISTENER)
    assert counts.coefficients.to_numpy() == pytest.approx(rows.coefficients.to_numpy(), rel=1e-9)
    assert (counts.rows, counts.trials, counts.groups) == (10, 200, {"listener": 10})


def test_rows_with_missing_values_are_left_out_and_counted(abx, counted):
    holes = abx.assign(correct=abx["correct"].where(abx.index % 10 > 0))
    result = fit_binary_mixed("correct ~ pair", holes, random=LISTENER)
    assert (result.rows, dict(result.dropped)) == (180, {"correct": 20})
    assert "20 rows with missing values left out" in result.sentence
    kept = fit_binary_mixed("correct ~ pair", abx[abx.index % 10 > 0], random=LISTENER)
    assert result.log_likelihood == kept.log_likelihood
    no_count = counted.assign(trials=counted["trials"].where(counted.index > 1))
    result = fit_binary_mixed("right ~ pair", no_count, random=LISTENER, trials="trials")
    assert (result.rows, dict(result.dropped)) == (18, {"trials": 2})
    wrong = no_count.assign(right=no_count["right"].where(no_count.index != 3, 11))
    with pytest.raises(BlindtestError, match="row 4 of the table: not a number of right answers among 10 trials"):
        fit_binary_mixed("right ~ pair", wrong, random=LISTENER, trials="trials")


@settings(max_examples=8)
@given(seed=st.integers(0, 2**32 - 1))
def test_neither_the_order_of_rows_nor_the_names_of_levels_matter(seed):
    table = crossed(8, 4, seed=3)
    rng = np.random.default_rng(seed)
    names = dict(zip(table["listener"].unique(), rng.permutation(table["listener"].unique()), strict=True))
    other = table.sample(frac=1, random_state=seed % 1000).assign(listener=lambda t: t["listener"].map(names))
    one, two = (fit_binary_mixed("correct ~ 1", t, guess=0.5) for t in (table, other))
    assert two.log_likelihood == pytest.approx(one.log_likelihood, abs=1e-8)
    assert two.coefficients.to_numpy() == pytest.approx(one.coefficients.to_numpy(), rel=1e-4)
    assert two.variance_components["variance"].tolist() == pytest.approx(
        one.variance_components["variance"].tolist(), rel=1e-4, abs=1e-6
    )
    effects = one.random_effects["listener"].rename(index=names)["Intercept"]
    assert two.random_effects["listener"]["Intercept"].sort_index().tolist() == pytest.approx(
        effects.sort_index().tolist(), abs=1e-4
    )


def test_another_reference_level_is_the_same_model(abx):
    turned = abx.assign(pair=pd.Categorical(abx["pair"], categories=["pair2", "pair1"]))
    one, two = (fit_binary_mixed("correct ~ pair", t, random=LISTENER, guess=0.5) for t in (abx, turned))
    assert two.log_likelihood == pytest.approx(one.log_likelihood, abs=1e-8)
    assert two.coefficients["estimate"].iloc[1] == pytest.approx(-one.coefficients["estimate"].iloc[1], rel=1e-5)
    assert two.coefficients["std_error"].iloc[1] == pytest.approx(one.coefficients["std_error"].iloc[1], rel=1e-4)


# What there is to see


def test_who_was_right_more_often_has_the_higher_effect_and_effects_are_shrunken(abx):
    result = fit_binary_mixed("correct ~ 1", abx, random=LISTENER, guess=0.5)
    right = abx.groupby("listener")["correct"].mean()
    effects = result.random_effects["listener"]["Intercept"]
    assert effects[right.sort_values().index].diff().dropna().min() > -1e-9
    assert effects.var(ddof=0) < result.variance_components["variance"].iloc[0]
    assert np.all(
        result.conditional_variances["listener"]["Intercept"] < result.variance_components["variance"].iloc[0]
    )


def test_crossed_effects_come_back_within_their_standard_errors():
    """Recovery: 300 listeners x 8 clips; four standard errors, by the seed that stands here."""
    result = fit_binary_mixed("correct ~ 1", crossed(300, 8, seed=11, middle=0.6), guess=0.5)
    assert result.convergence.converged
    assert abs(result.coefficients["estimate"].iloc[0] - 0.6) < 4 * result.coefficients["std_error"].iloc[0]
    for row, truth in zip(result.variance_components.itertuples(), (0.8**2, 0.4**2), strict=True):
        assert abs(row.variance - truth) < 4 * row.std_error
    assert list(result.variance_components.columns[:4]) == ["group", "term", "other", "variance"]


def test_correlated_slopes_are_two_scalar_effects_turned(abx):
    """0 + pair, correlated, is another coding of 1 + pair: same likelihood, variances by the sum of both."""
    sums = fit_binary_mixed("correct ~ pair", abx, random={"listener": "1 + pair"}, guess=0.5)
    cells = fit_binary_mixed("correct ~ 0 + pair", abx, random={"listener": "0 + pair"}, guess=0.5)
    assert sums.log_likelihood == pytest.approx(cells.log_likelihood, abs=1e-6)
    own = sums.variance_components
    assert own["other"].tolist() == [None, None, "pair[T.pair2]"]
    variance = own["variance"]
    assert cells.variance_components["variance"].iloc[:2].tolist() == pytest.approx(
        [variance[0], variance[0] + variance[1] + 2 * variance[2]], rel=1e-3
    )
    assert list(sums.random_effects["listener"].columns) == ["Intercept", "pair[T.pair2]"]


def test_means_and_contrasts_are_those_of_the_coefficients(fitted):
    means = fitted.means(["pair"])
    assert means["estimate"].tolist() == pytest.approx(fitted.coefficients["estimate"].tolist())
    assert means["std_error"].tolist() == pytest.approx(fitted.coefficients["std_error"].tolist())
    assert np.all(np.isinf(means["df"]))
    shares = fitted.means(["pair"], scale="proportion")
    link = fitted.fit.likelihood.rows.link
    assert shares["ci_low"].tolist() == pytest.approx(link.proportion(means["ci_low"].to_numpy()).tolist())
    h = 1e-6
    slopes = (link.proportion(means["estimate"] + h) - link.proportion(means["estimate"] - h)) / (2 * h)
    assert shares["std_error"].to_numpy() == pytest.approx((slopes * means["std_error"]).to_numpy(), rel=1e-6)
    contrast = fitted.contrast("pair").iloc[0]
    assert contrast["contrast"] == "pair1 - pair2"
    assert contrast["estimate"] == pytest.approx(means["estimate"][0] - means["estimate"][1])
    variance = fitted.covariance.to_numpy()
    assert contrast["std_error"] == pytest.approx(sqrt(variance[0, 0] + variance[1, 1] - 2 * variance[0, 1]))
    with pytest.raises(BlindtestError, match=r"no such scale, got 'odds' .allowed: link, proportion"):
        fitted.means(["pair"], scale="odds")


def test_near_chance_the_profile_has_no_lower_end_and_wald_would_have_one():
    """52 of 100 right where 50 is guessing: any predictor far below explains that, none far above does."""
    rows = pd.DataFrame({"listener": list("abcdefghij") * 2, "pair": ["near"] * 10 + ["far"] * 10, "n": 10})
    rows["k"] = [5, 5, 6, 5, 5, 5, 6, 5, 5, 5, 9, 8, 9, 10, 8, 9, 9, 8, 9, 9]
    result = fit_binary_mixed("k ~ 0 + pair", rows, random=LISTENER, guess=0.5, trials="n")
    profile = result.profile()
    near = profile.loc["pair[near]"]
    assert near["ci_low"] == -inf
    assert not isinf(result.coefficients.loc["pair[near]", "ci_low"])
    assert near["estimate"] < near["ci_high"] < 1
    far = profile.loc["pair[far]"]
    assert 0 < far["ci_low"] < far["estimate"] < far["ci_high"]
    spread = profile.loc["sd(listener)"]
    assert (spread["estimate"], spread["ci_low"]) == (0, 0)
    assert 0 < spread["ci_high"] < 2


def test_profile_ends_are_where_the_likelihood_says(abx):
    """At an end the maximised log-likelihood lies 1.92 below its maximum: refitted with that value as an offset."""
    result = fit_binary_mixed("correct ~ 0 + pair", abx, random=LISTENER, guess=0.5)
    ends = result.profile(["pair[pair1]"]).iloc[0]
    from blindtest.stats.mixed.binary_fit import fit_rows

    for end in (ends["ci_low"], ends["ci_high"]):
        start = result.fit.point.copy()
        start[0] = end
        held = np.array([True, False, False])
        fit = fit_rows(result.fit.likelihood.rows, start=start, held=held)
        assert 2 * (result.fit.value - fit.value) == pytest.approx(1.959964**2, abs=1e-4)
    wider = result.profile(["pair[pair1]"], level=0.99).iloc[0]
    assert wider["ci_low"] < ends["ci_low"] < ends["ci_high"] < wider["ci_high"]
    with pytest.raises(BlindtestError, match=r"no such parameter to profile, got 'pair1'.*sd\(listener\)"):
        result.profile(["pair1"])


# d' of listeners


def test_d_prime_of_2afc_is_root_two_times_the_probit_predictor(abx):
    """Phi(d'/sqrt 2) is the 2-AFC psychometric function (Hacker & Ratcliff 1979)."""
    result = fit_binary_mixed("correct ~ 0 + pair", abx, random=LISTENER, link="probit")
    table = result.sensitivity("2afc", by=["pair"])
    assert list(table.columns[:5]) == ["listener", "pair", "d_prime", "ci_low", "ci_high"]
    first = table.iloc[0]
    effect = result.random_effects["listener"].loc["L01", "Intercept"]
    assert first["predictor"] == pytest.approx(result.coefficients["estimate"].iloc[0] + effect)
    assert first["d_prime"] == pytest.approx(sqrt(2) * first["predictor"])
    assert first["ci_low"] == pytest.approx(sqrt(2) * (first["predictor"] - 1.959964 * first["std_error"]), rel=1e-6)
    assert proportion_correct(first["d_prime"], "2afc") == pytest.approx(first["proportion"])
    assert "sqrt 2" in table.attrs["scale"]


def test_d_prime_of_other_methods_is_where_their_function_has_the_proportion(fitted):
    table = fitted.sensitivity("abx", by=["pair"])
    assert len(table) == 20
    row = table[(table["listener"] == "L08") & (table["pair"] == "pair2")].iloc[0]
    effects = fitted.random_effects
    eta = fitted.coefficients["estimate"].iloc[1]
    eta += effects["listener"].loc["L08", "Intercept"] + effects["listener:pair"].loc["L08:pair2", "Intercept"]
    assert row["predictor"] == pytest.approx(eta)
    assert row["d_prime"] == pytest.approx(d_prime(row["proportion"], "abx"))
    assert row["ci_low"] < row["d_prime"] < row["ci_high"]
    assert "differencing" in table.attrs["scale"]
    pooled = fitted.sensitivity("abx")
    mean = table[table["listener"] == "L08"]["predictor"].mean()
    assert pooled[pooled["listener"] == "L08"]["predictor"].iloc[0] == pytest.approx(mean)


def test_the_standard_error_of_a_listeners_predictor_is_that_of_dense_matrices(abx):
    """Slope of the mode in the parameters by refitted differences, and the inverse information of the effects."""
    from blindtest.stats.mixed.laplace import laplace

    result = fit_binary_mixed("correct ~ 0 + pair", abx, random=LISTENER, guess=0.5)
    fit, rows = result.fit, result.fit.likelihood.rows
    slopes, h = np.zeros(3), 1e-5
    for place in range(3):
        ends = []
        for side in (1, -1):
            point = fit.point + side * h * (np.arange(3) == place)
            mode = laplace(rows, point[:2], point[2:], np.zeros(rows.layout.size)).mode
            ends.append(point[1] + mode.b[3])
        slopes[place] = (ends[0] - ends[1]) / (2 * h)
    given = result.conditional_variances["listener"].loc["L04", "Intercept"]
    table = result.sensitivity("abx", by=["pair"])
    row = table[(table["listener"] == "L04") & (table["pair"] == "pair2")].iloc[0]
    assert row["std_error"] == pytest.approx(sqrt(given + slopes @ fit.covariance @ slopes), rel=1e-5)


def test_d_prime_needs_the_guess_rate_of_its_method(fitted):
    with pytest.raises(BlindtestError, match=r"guess rate 0.5 is not that of triangle.*fit with guess=1/3"):
        fitted.sensitivity("triangle")
    with pytest.raises(BlindtestError, match=r"no such method, got 'abxx'.*did you mean 'abx'\?"):
        fitted.sensitivity("abxx")
    with pytest.raises(BlindtestError, match="the random part has no such group, got 'clip'"):
        fitted.sensitivity("abx", group="clip")
    with pytest.raises(BlindtestError, match="the fixed part has no such factor, got 'clip'"):
        fitted.sensitivity("abx", by=["clip"])


# Degenerate tables


@pytest.mark.parametrize(
    ("change", "arguments", "text"),
    [
        ({"correct": 1}, {}, "correct: all 200 answers are right: .*discrimination_test"),
        ({"correct": 0}, {}, "correct: all 200 answers are wrong"),
        ({"correct": lambda t: t["correct"] * 2}, {}, "row 3 of the table: not an answer, got 2.0 .allowed: 0 or 1"),
        ({"correct": lambda t: t["correct"].astype(str)}, {}, "correct: the response is no number, got '0'"),
        ({"correct": nan}, {}, "no row has a value in all of"),
        (
            {"correct": lambda t: np.where(t["pair"] == "pair2", 1, t["correct"])},
            {},
            r"rises without end where Intercept \+ pair\[T.pair2\]: 100 of 100 right, all of them",
        ),
        (
            {"correct": lambda t: np.where(t["pair"] == "pair2", t["trial"] % 2, t["correct"])},
            {"guess": 0.5},
            "50 of 100 right, no more than guessing gives .0.5.; .*discrimination_test",
        ),
        (
            {"correct": lambda t: (t["listener"] > "L05").astype(int)},
            {},
            "the spread over 'listener' rises without end",
        ),
        ({"listener": "L01"}, {}, "a group of one level has no variance to estimate"),
        ({}, {"link": "log"}, "link: no such link, got 'log' .allowed: logit, probit"),
        ({}, {"guess": 1.0}, "guess: not a guess rate, got 1.0"),
        ({}, {"quadrature": 4}, "an odd number"),
        ({}, {"quadrature": 9, "information": "expected"}, "quadrature needs the observed information"),
        ({}, {"information": "fisher"}, "allowed: observed, expected"),
        ({}, {"level": 95}, "not a confidence level, got 95"),
        ({}, {"quadrature": 9, "random": BOTH}, "quadrature needs one group with one effect per level"),
        ({}, {"trials": "trail"}, r"no such column in the table, got 'trail'; did you mean 'trial'\?"),
        ({"trial": "one"}, {"trials": "trial"}, "row 1 of the table: not a number of trials, got 'one'"),
        (
            {"trial": 1, "correct": 2},
            {"trials": "trial"},
            "not a number of right answers among 1 trials, got 2",
        ),
        ({"trial": 2, "correct": 1.0}, {"trials": "trial"}, "only 0 and 1 as fractional numbers"),
    ],
)
def test_what_has_no_fit_is_refused_in_one_line(abx, change, arguments, text):
    with pytest.raises(BlindtestError, match=text):
        fit_binary_mixed("correct ~ pair", abx.assign(**change), **{"random": LISTENER, **arguments})


def test_two_listeners_and_a_duplicated_row_are_defined(abx):
    two = fit_binary_mixed("correct ~ 1", abx[abx["listener"].isin(["L01", "L07"])], random=LISTENER)
    assert two.convergence.converged
    twice = fit_binary_mixed("correct ~ pair", pd.concat([abx, abx.iloc[[3]]]), random=LISTENER)
    assert (twice.trials, twice.convergence.converged) == (201, True)


def test_guessers_have_a_spread_of_zero_and_an_estimate_near_no_hearing():
    rng = np.random.default_rng(0)
    table = pd.DataFrame({"listener": np.repeat(list("abcdefghij"), 20), "correct": rng.integers(0, 2, 200)})
    assert table["correct"].mean() == 0.555
    result = fit_binary_mixed("correct ~ 1", table, random=LISTENER, guess=0.5, link="probit")
    assert result.singular == ("listener",)
    # 111 of 200: (.555 - .5)/.5 = .11 of the trials heard, whatever the link.
    assert result.coefficients["estimate"].iloc[0] == pytest.approx(ndtri(0.11), abs=1e-6)
    assert isnan(result.variance_components["std_error"].iloc[0])
    assert result.random_effects["listener"]["Intercept"].tolist() == [0.0] * 10
    assert result.profile().loc["sd(listener)", "ci_high"] > 0


def test_effects_that_cannot_be_told_apart_are_said_not_to_have_converged(abx):
    random = {"listener": ["1", "0 + pair"]}
    result = fit_binary_mixed("correct ~ pair", abx, random=random, guess=0.5)
    plain = fit_binary_mixed("correct ~ pair", abx, random={"listener": "0 + pair"}, guess=0.5)
    assert result.log_likelihood == pytest.approx(plain.log_likelihood, abs=1e-5)
    assert not result.convergence.converged
    assert "leave out random terms" in result.convergence.remedy
    assert result.convergence.remedy in result.sentence
    assert result.coefficients["std_error"].tolist() == pytest.approx(
        plain.coefficients["std_error"].tolist(), rel=1e-2
    )


def test_the_result_says_what_it_is_and_json_can_hold_it(fitted):
    assert "Laplace's approximation (observed information)" in fitted.method
    assert fitted.method in fitted.sentence
    assert fitted.sentence.startswith("168 of 200 answers right, guessing gives 0.5; probit model")
    assert fitted.scale == "standard normal deviates of hearing beyond the guess rate"
    assert fitted.assumptions
    assert fitted.convergence.gradient < 1e-6
    assert fitted.aic == pytest.approx(2 * 4 - 2 * fitted.log_likelihood)
    told = json.loads(json.dumps(fitted.to_dict()))
    assert told["coefficients"][0]["term"] == "pair[pair1]"
    assert told["coefficients"][0]["df"] is None
    assert told["random_effects"]["listener:pair"][0]["level"] == "L01:pair1"
    assert told["convergence"]["converged"] is True
    assert told["sentence"] == fitted.sentence
    quadrature = fit_binary_mixed("correct ~ 1", crossed(6, 3, seed=1), random=LISTENER, quadrature=5)
    assert "adaptive Gauss-Hermite quadrature, 5 nodes" in quadrature.method
