"""Bradley-Terry and Davidson: R (BradleyTerry2, glm), published data, closed forms, statsmodels."""

import json
from math import log

import numpy as np
import pandas as pd
import pytest

from blindtest.errors import BlindtestError
from blindtest.stats import fit_paired_preferences


@pytest.fixture(scope="module")
def table(references):
    return pd.read_csv(references / "data" / "preference_small.csv")


def comparisons(text):
    """ "ABf" is A heard first, B second, the first preferred."""
    words = {"f": "first", "s": "second", "t": "tie"}
    return pd.DataFrame([(a, b, words[o]) for a, b, o in text.split()], columns=["first", "second", "outcome"])


def sum_zero(vcov, devices):
    """The covariance of strengths that sum to zero, from R's with the first at 0 (oracle's README): C V C'."""
    names = ["devB", "devC", "devD"]
    v = np.zeros((4, 4))
    places = [vcov["rows"].index(name) for name in names]
    v[1:, 1:] = np.array(vcov["values"])[np.ix_(places, places)]
    c = np.eye(4) - 0.25
    return pd.DataFrame(c @ v @ c.T, index=devices, columns=devices)


@pytest.mark.parametrize(("order", "key"), [(False, "no_order_effect"), (True, "with_order_effect")])
def test_davidson_is_that_of_r(table, expected, order, key):
    """R 4.2.2 glm, poisson trick; psychotools 0.7.2 agrees to 1e-14 without order (oracle)."""
    r = expected("preference_small_davidson")[key]
    result = fit_paired_preferences(table, ties="davidson", order=order)
    theirs = np.array([0, *(r["coef"][f"dev{d}"] for d in "BCD")])
    assert result.strengths["estimate"].to_numpy() == pytest.approx(theirs - theirs.mean(), abs=1e-6)
    assert result.tie_parameter == pytest.approx(np.exp(r["coef"]["tie"]), abs=1e-6)
    assert result.log_likelihood == pytest.approx(r["multinomial_logLik"], abs=1e-6)
    covariance = sum_zero(r["vcov"], list("ABCD"))
    assert result.covariance.loc[list("ABCD"), list("ABCD")].to_numpy() == pytest.approx(
        covariance.to_numpy(), abs=1e-6
    )
    assert result.strengths["std_error"].to_numpy() == pytest.approx(np.sqrt(np.diag(covariance)), abs=1e-6)
    assert result.covariance.loc["log_nu", "log_nu"] == pytest.approx(r["se"]["tie"] ** 2, abs=1e-6)
    pairs = result.contrasts()
    for ours, field in (("estimate", "estimate"), ("std_error", "se"), ("p_value", "p"), ("p_adjusted", "p_holm")):
        assert pairs[ours].tolist() == pytest.approx(r["contrasts"][field], abs=1e-6)
    if order:
        assert result.order_effect == pytest.approx(r["coef"]["order"], abs=1e-6)
        assert result.order_effect_std_error == pytest.approx(r["se"]["order"], abs=1e-6)


@pytest.mark.parametrize(("order", "key"), [(False, "no_order_effect"), (True, "with_order_effect")])
def test_bradley_terry_is_that_of_r(table, expected, order, key):
    """BradleyTerry2 1.1.2 in R 4.2.2, ties dropped, first device at 0."""
    r = expected("preference_small_bradley_terry")["ties_dropped"][key]
    result = fit_paired_preferences(table, ties=None, order=order)
    theirs = np.array([0, *(r["coef"][f"dev{d}"] for d in "BCD")])
    assert result.strengths["estimate"].to_numpy() == pytest.approx(theirs - theirs.mean(), abs=1e-6)
    covariance = sum_zero(r["vcov"], list("ABCD"))
    assert result.strengths["std_error"].to_numpy() == pytest.approx(np.sqrt(np.diag(covariance)), abs=1e-6)
    assert result.tie_parameter is None
    assert result.ties == 23
    assert result.answers == 73
    assert any("23 ties were left out" in remark for remark in result.remarks)
    if order:
        assert result.order_effect == pytest.approx(r["coef"]["pos"], abs=1e-6)


def test_citations_among_journals_of_statistics(references):
    """Methods, 9.3 #32. Counts: Stigler 1994 (Stat. Sci. 9, 94), as in Agresti 2002, p. 448 (R's BradleyTerry2)."""
    counts = pd.read_csv(references / "data" / "citations.csv")
    rows = counts.loc[counts.index.repeat(counts["count"]), ["winner", "loser"]]
    rows = rows.set_axis(["first", "second"], axis=1).assign(outcome="first")
    result = fit_paired_preferences(rows, ties=None, order=False)
    strengths = result.strengths["estimate"]
    relative = [strengths[name] - strengths["Biometrika"] for name in ("Comm Statist", "JASA", "JRSS-B")]
    assert relative == pytest.approx([-2.94907, -0.47957, 0.26895], abs=5e-6)
    wins = counts.set_index(["winner", "loser"])["count"]
    saturated = sum(n * log(n / (n + wins[loser, winner])) for (winner, loser), n in wins.items())
    assert 2 * (saturated - result.log_likelihood) == pytest.approx(4.29338, abs=5e-6)


def test_two_items_with_ties_in_closed_form():
    """Davidson 1970: ln(w1/w2), t/sqrt(w1 w2). Methods, 9.3 #33: 12 and 5 wins, 3 ties."""
    rows = comparisons("xyf " * 12 + "xys " * 5 + "xyt " * 3)
    result = fit_paired_preferences(rows, order=False)
    assert result.strengths["estimate"]["x"] * 2 == pytest.approx(log(12 / 5), abs=1e-9)
    assert round(log(12 / 5), 6) == 0.875469
    assert result.tie_parameter == pytest.approx(3 / np.sqrt(60), abs=1e-9)
    assert round(3 / np.sqrt(60), 6) == 0.387298
    probability, (low, high) = result.probability("x", "y")
    assert probability == pytest.approx(12 / 17, abs=1e-9)
    assert low < probability < high


def test_without_ties_it_is_a_logistic_regression():
    """statsmodels' Logit on the differences of indicators, simulated answers to pairs of five items, seed 7."""
    from statsmodels.api import Logit

    rng = np.random.default_rng(7)
    items, true = np.array(list("ABCDE")), np.array([0.8, 0.3, 0.0, -0.4, -0.7])
    pairs = np.array([rng.choice(5, 2, replace=False) for _ in range(400)])
    won = rng.random(400) < 1 / (1 + np.exp(-(true[pairs[:, 0]] - true[pairs[:, 1]] + 0.5)))
    x = np.zeros((400, 5))
    x[np.arange(400), pairs[:, 0]] += 1
    x[np.arange(400), pairs[:, 1]] -= 1
    x[:, 0] = 1  # the first item is the base; its column holds the order effect
    logit = Logit(won.astype(float), x).fit(disp=0, tol=1e-12)
    rows = pd.DataFrame({"first": items[pairs[:, 0]], "second": items[pairs[:, 1]]})
    result = fit_paired_preferences(rows.assign(outcome=np.where(won, "first", "second")))
    strengths = result.strengths["estimate"].to_numpy()
    assert strengths[1:] - strengths[0] == pytest.approx(logit.params[1:], abs=1e-7)
    assert result.order_effect == pytest.approx(logit.params[0], abs=1e-7)
    assert result.order_effect_std_error == pytest.approx(logit.bse[0], abs=1e-7)
    assert result.log_likelihood == pytest.approx(logit.llf, abs=1e-8)
    assert result.tie_parameter == 0
    assert any("nu is 0" in remark for remark in result.remarks)


def test_strengths_sum_to_zero_and_names_may_change(table):
    result = fit_paired_preferences(table)
    assert result.strengths["estimate"].sum() == pytest.approx(0, abs=1e-12)
    turned = table.replace({"A": "z", "D": "a"})
    assert fit_paired_preferences(turned).strengths["estimate"]["z"] == pytest.approx(result.strengths["estimate"]["A"])


def test_an_item_that_never_lost_is_said_and_penalised():
    """Firth 1993: with one strength, half a success and half a failure are added: ln(8.5/.5)."""
    result = fit_paired_preferences(comparisons("xyf " * 8), ties=None, order=False)
    difference = result.strengths["estimate"]["x"] - result.strengths["estimate"]["y"]
    assert difference == pytest.approx(log(8.5 / 0.5), abs=1e-6)
    assert result.separated == ("x", "y")
    assert result.estimator == "penalised likelihood (Firth 1993)"
    assert "put no bound on x, y" in result.sentence
    assert result.convergence.converged


@pytest.mark.parametrize(
    "text",
    [
        "ABf BAs ACf CAs BCf CBf BCs CBs",  # A always preferred
        "ABf ABt BAt BAs ABf",  # ties, yet B never preferred
        "ABf BAf ABf BAf ABt",  # the first heard always preferred, or a tie
        "ABf BCf CDf DAs ACf BDf",  # a ladder
    ],
)
def test_separation_ends_in_a_defined_result(text):
    result = fit_paired_preferences(comparisons(text))
    assert result.separated
    assert np.isfinite(result.strengths.to_numpy()).all()
    assert result.convergence.converged
    assert json.loads(json.dumps(result.to_dict(), allow_nan=False))["sentence"] == result.sentence


def test_a_defeat_ends_separation():
    assert fit_paired_preferences(comparisons("ABf ABf ABf ABs BAf BAs"), order=False).separated == ()


def test_the_penalty_is_the_root_of_the_determinant():
    """Firth's maximum found by scipy's simplex on log-likelihood + log det / 2, with the model written out anew."""
    from scipy.optimize import minimize

    rows = comparisons("ABf ABf ABt BAs BAt CAs ACf BCf CBt CBs")
    result = fit_paired_preferences(rows, order=False)
    assert result.separated

    def log_weights(theta, first, second):
        strengths = {"A": theta[0], "B": theta[1], "C": -theta[0] - theta[1]}
        x = strengths[first] - strengths[second]
        return np.array([x / 2, -x / 2, theta[2]])

    def criterion(theta):
        value, information = 0.0, np.zeros((3, 3))
        for first, second, outcome in rows.itertuples(index=False):
            w = log_weights(theta, first, second)
            p = np.exp(w) / np.exp(w).sum()
            value += np.log(p[["first", "second", "tie"].index(outcome)])
            features = np.array([log_weights(unit, first, second) for unit in np.eye(3)]).T
            information += features.T @ (np.diag(p) - np.outer(p, p)) @ features
        return -(value + np.linalg.slogdet(information)[1] / 2)

    found = minimize(
        criterion, np.zeros(3), method="Nelder-Mead", options={"xatol": 1e-9, "fatol": 1e-13, "maxiter": 9999}
    )
    assert result.strengths["estimate"].to_numpy()[:2] == pytest.approx(found.x[:2], abs=1e-5)
    assert np.log(result.tie_parameter) == pytest.approx(found.x[2], abs=1e-5)


@pytest.mark.parametrize(
    ("text", "options", "message"),
    [
        ("ABt BAt", {}, "no answer of this table is a preference.*2 ties of 2 answers"),
        ("ABf BAf CDs DCf", {}, "never compared with each other.*A, B; C, D"),
        ("ABf BAs ACt CAt", {"ties": None}, "never compared with each other.*A, B; C"),
        ("ABf ABs", {}, "can't be told apart from the strengths.*order=False"),
    ],
)
def test_what_cannot_be_estimated_is_refused(text, options, message):
    with pytest.raises(BlindtestError, match=message):
        fit_paired_preferences(comparisons(text), **options)


@pytest.mark.slow
def test_intervals_hold_the_truth_as_often_as_they_say():
    """300 panels of 240 answers from Davidson's model, order effect .4, nu .8; standard error of a rate .0126."""
    rng = np.random.default_rng(11)
    true = {"A": 0.6, "B": 0.1, "C": -0.7}
    pairs = [(a, b) for a in true for b in true if a != b] * 40
    x = np.array([true[a] - true[b] + 0.4 for a, b in pairs])
    weights = np.column_stack([np.exp(x / 2), np.exp(-x / 2), np.full(len(x), 0.8)])
    edges = np.cumsum(weights / weights.sum(axis=1, keepdims=True), axis=1)
    held = []
    for _ in range(300):
        outcome = np.array(["first", "second", "tie"])[(rng.random(len(x))[:, None] > edges).sum(axis=1)]
        rows = pd.DataFrame(pairs, columns=["first", "second"]).assign(outcome=outcome)
        result = fit_paired_preferences(rows)
        low, high = result.order_effect_interval
        held.append([*((s.ci_low <= true[i] <= s.ci_high) for i, s in result.strengths.iterrows()), low <= 0.4 <= high])
    assert np.mean(held, axis=0) == pytest.approx(0.95, abs=4 * 0.0126)


def test_a_result_is_whole(table):
    result = fit_paired_preferences(table)
    out = result.to_dict()
    json.dumps(out, allow_nan=False)
    assert out["listeners"] == 8
    assert out["convergence"]["converged"] is True
    assert [row["item"] for row in out["strengths"]] == list("ABCD")
    assert "pooled" in result.assumptions[0]
    with pytest.raises(ValueError, match="no item 'E'"):
        result.probability("A", "E")
    with pytest.raises(ValueError, match="no model of ties 'drop'"):
        fit_paired_preferences(table, ties="drop")
