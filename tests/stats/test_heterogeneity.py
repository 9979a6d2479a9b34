"""Preferences of listeners that differ: lme4's glmer, our own binary mixed model, the integral, recovery, refusals."""

import json

import numpy as np
import pandas as pd
import pytest
from scipy.integrate import quad
from scipy.stats import chi2, norm

from blindtest.errors import BlindtestError
from blindtest.stats import fit_binary_mixed, fit_heterogeneous_preferences, fit_paired_preferences
from blindtest.stats.comparisons import read_comparisons
from blindtest.stats.heterogeneity import _model


@pytest.fixture(scope="module")
def table(references):
    return pd.read_csv(references / "data" / "preference_small.csv")


def simulated(listeners, clips, tau, tau_clip, rng, *, order=0.2, nu=0.4, items="ABCD"):
    true = np.linspace(0.8, -0.8, len(items))
    own = rng.normal(0, tau, (listeners, len(items)))
    shared = rng.normal(0, tau_clip, (clips, len(items)))
    rows = []
    for who in range(listeners):
        for where in range(clips):
            for i in range(len(items)):
                for j in range(i):
                    a, b = (i, j) if rng.random() < 0.5 else (j, i)
                    x = true[a] - true[b] + own[who, a] - own[who, b] + shared[where, a] - shared[where, b] + order
                    weights = np.array([np.exp(x / 2), np.exp(-x / 2), nu])
                    outcome = ("first", "second", "tie")[rng.choice(3, p=weights / weights.sum())]
                    rows.append((f"L{who:03}", f"c{where}", items[a], items[b], outcome))
    return pd.DataFrame(rows, columns=["listener", "clip", "first", "second", "outcome"])


def test_order_effects_that_differ_are_glmers(table, expected):
    """lme4 1.1.31 glmer(win_first ~ devB + devC + devD + (1 | listener)) on untied trials; intercept: order effect."""
    r = expected("preference_small_glmer_order")
    result = fit_heterogeneous_preferences(table, parts=("listener:order",), ties=None)
    assert result.answers == r["nobs"]
    for item in "BCD":
        estimate, error, _ = result.difference(item, "A")
        assert estimate == pytest.approx(r["fixef"][f"dev{item}"], abs=2e-3 * r["se"][f"dev{item}"])
        assert error == pytest.approx(r["se"][f"dev{item}"], rel=1e-3)
    assert result.order_effect == pytest.approx(r["fixef"]["(Intercept)"], abs=2e-3 * r["se"]["(Intercept)"])
    assert result.order_effect_std_error == pytest.approx(r["se"]["(Intercept)"], rel=1e-3)
    assert result.parts["standard_deviation"].tolist() == pytest.approx([r["theta"]["listener.(Intercept)"]], rel=1e-4)
    assert result.log_likelihood == pytest.approx(r["logLik"], abs=1e-6)


def test_the_same_by_the_binary_mixed_model(table, expected):
    """The same glmer fit through fit_binary_mixed, with a column per item."""
    r = expected("preference_small_glmer_order")
    untied = table[table["outcome"] != "tie"]
    columns = {f"dev{i}": (untied["first"] == i).astype(float) - (untied["second"] == i).astype(float) for i in "BCD"}
    rows = untied.assign(win_first=(untied["outcome"] == "first").astype(int), **columns)
    result = fit_binary_mixed("win_first ~ devB + devC + devD", rows, random={"listener": "1"})
    for ours, theirs in (("Intercept", "(Intercept)"), ("devB", "devB"), ("devC", "devC"), ("devD", "devD")):
        row = result.coefficients.loc[ours]
        assert row["estimate"] == pytest.approx(r["fixef"][theirs], abs=2e-3 * r["se"][theirs])
        assert row["std_error"] == pytest.approx(r["se"][theirs], rel=1e-3)
    assert result.log_likelihood == pytest.approx(r["logLik"], abs=1e-4)


def test_two_items_are_a_random_intercept(table):
    """Two items' deviations differ by tau sqrt 2 e: a binary mixed model whose intercept turns with the order."""
    rng = np.random.default_rng(5)
    rows = simulated(20, 4, 0.7, 0.0, rng, nu=0.0, items="AB")
    result = fit_heterogeneous_preferences(rows, parts=("listener",))
    rows = rows.assign(a_first=np.where(rows["first"] == "A", 1.0, -1.0))
    rows["win_first"] = (rows["outcome"] == "first").astype(int)
    other = fit_binary_mixed("win_first ~ a_first", rows, random={"listener": "0 + a_first"})
    difference, error, _ = result.difference("A", "B")
    assert difference == pytest.approx(other.coefficients.loc["a_first", "estimate"], rel=1e-4)
    assert error == pytest.approx(other.coefficients.loc["a_first", "std_error"], rel=1e-3)
    assert result.order_effect == pytest.approx(other.coefficients.loc["Intercept", "estimate"], abs=1e-4)
    variance = float(other.variance_components["variance"].iloc[0])
    assert result.parts.loc["listener", "standard_deviation"] == pytest.approx(np.sqrt(variance / 2), rel=1e-3)
    assert result.log_likelihood == pytest.approx(other.log_likelihood, abs=1e-5)
    own, theirs = result.listener_strengths, other.random_effects["listener"]["a_first"]
    assert (own["A"] - own["B"] - difference).to_numpy() == pytest.approx(theirs[own.index].to_numpy(), abs=1e-3)


def test_without_spread_it_is_the_pooled_fit(table):
    """Listeners of this table do not differ: standard deviations 0, and the fit is that of R's Davidson model."""
    result = fit_heterogeneous_preferences(table)
    pooled = fit_paired_preferences(table)
    assert result.parts["standard_deviation"].tolist() == [0, 0]
    assert result.parts["p_value"].tolist() == [1, 1]
    assert result.strengths.to_numpy() == pytest.approx(pooled.strengths.to_numpy(), abs=1e-5)
    assert result.tie_parameter == pytest.approx(pooled.tie_parameter, abs=1e-5)
    assert result.order_effect == pytest.approx(pooled.order_effect, abs=1e-5)
    assert result.log_likelihood == pytest.approx(pooled.log_likelihood, abs=1e-8)
    assert "standard deviation of listener is estimated as 0" in result.sentence


def test_the_gradient_is_the_slope(table):
    model, _ = _model(table, read_comparisons(table), ("listener", "clip", "listener:order"), ties=True, order=True)
    at = np.array([0.3, -0.2, 0.4, 0.1, -0.5, 0.6, 0.4, 0.3])
    steps = 1e-5 * np.eye(len(at))
    slope = [(model.laplace(at + step)[0] - model.laplace(at - step)[0]) / 2e-5 for step in steps]
    assert model.laplace(at)[1] == pytest.approx(np.array(slope), abs=1e-7)


def test_laplace_is_near_the_integral():
    """Two items, ties in the model, 40 answers each: the likelihood by adaptive quadrature (scipy).

    The approximation's error falls with the answers per listener; with 5 each it is .3 in all.
    """
    rows = simulated(12, 40, 0.8, 0.0, np.random.default_rng(9), items="AB")
    result = fit_heterogeneous_preferences(rows, parts=("listener",))
    difference = result.difference("A", "B")[0]
    sd = float(result.parts["standard_deviation"].iloc[0]) * np.sqrt(2)
    assert sd > 0
    total = 0.0
    for _, own in rows.groupby("listener"):
        turn = np.where(own["first"] == "A", 1.0, -1.0)
        code = own["outcome"].map(["first", "second", "tie"].index).to_numpy()

        def integrand(u, turn=turn, code=code):
            x = turn * (difference + u) + result.order_effect
            weights = np.stack((np.exp(x / 2), np.exp(-x / 2), np.full(len(x), result.tie_parameter)))
            return np.prod(weights[code, np.arange(len(x))] / weights.sum(axis=0)) * norm.pdf(u, scale=sd)

        total += np.log(quad(integrand, -8 * sd, 8 * sd, epsabs=0, epsrel=1e-10)[0])
    assert result.log_likelihood == pytest.approx(total, abs=0.1)


def test_a_panel_that_differs_is_recovered():
    """24 listeners of spread .8, 5 clips, seed 2: strengths within three standard errors, the spread found."""
    rows = simulated(24, 5, 0.8, 0.0, np.random.default_rng(2))
    result = fit_heterogeneous_preferences(rows, parts=("listener",))
    true = pd.Series(np.linspace(0.8, -0.8, 4), index=list("ABCD"))
    assert (np.abs(result.strengths["estimate"] - true) <= 3 * result.strengths["std_error"]).all()
    assert result.parts.loc["listener", "standard_deviation"] == pytest.approx(0.8, abs=0.3)
    assert result.parts.loc["listener", "p_value"] < 1e-6
    pooled = fit_paired_preferences(rows)
    assert (result.strengths["std_error"] > 1.5 * pooled.strengths["std_error"]).all()
    # Self and Liang 1987: half the tail of one degree of freedom, and what pooling loses; scipy.stats.
    part = result.parts.loc["listener"]
    assert part["statistic"] == pytest.approx(2 * (result.log_likelihood - pooled.log_likelihood), abs=1e-6)
    assert part["p_value"] == pytest.approx(chi2.sf(part["statistic"], 1) / 2, rel=1e-9)
    assert result.listener_strengths.shape == (24, 4)
    assert result.listener_strengths.sum(axis=1).to_numpy() == pytest.approx(np.zeros(24), abs=1e-9)
    assert result.convergence.converged
    assert json.loads(json.dumps(result.to_dict()))["parts"][0]["part"] == "listener"


def test_names_and_order_of_rows_are_nothing(table):
    a = fit_heterogeneous_preferences(table, parts=("listener:order",))
    turned = table.sample(frac=1, random_state=4).replace({"A": "z", "D": "a"})
    b = fit_heterogeneous_preferences(turned, parts=("listener:order",))
    assert b.strengths.loc["z", "estimate"] == pytest.approx(a.strengths.loc["A", "estimate"], abs=1e-5)
    assert b.log_likelihood == pytest.approx(a.log_likelihood, abs=1e-8)


ROWS = [("L1", "A", "B", "first"), ("L2", "B", "A", "first"), ("L1", "B", "A", "second"), ("L2", "A", "B", "second")]


@pytest.mark.parametrize(
    ("rows", "options", "message"),
    [
        (ROWS, {"parts": ("listner",)}, "no such part, got 'listner'.*did you mean 'listener'"),
        (ROWS, {"parts": ("clip",)}, "the part clip needs a column"),
        (ROWS, {"parts": ()}, "no part is named"),
        (ROWS[:1], {"parts": ("listener",)}, "one level cannot differ"),
        (ROWS[:1], {}, "neither two listeners nor two clips"),
        (ROWS, {"parts": ("listener:order",), "order": False}, "order effects differ only where there is one"),
        ([*ROWS[:1], ("L2", "A", "B", "second")], {}, "can't be told apart"),
        (ROWS[:1] * 2 + [("L2", "A", "B", "first"), ("L2", "B", "A", "second")], {"order": False}, "never lost"),
    ],
)
def test_what_has_no_fit_is_refused(rows, options, message):
    frame = pd.DataFrame(rows, columns=["listener", "first", "second", "outcome"])
    with pytest.raises(BlindtestError, match=message):
        fit_heterogeneous_preferences(frame, **options)


def test_unknown_items_and_ties_are_mistakes(table):
    with pytest.raises(ValueError, match="no model of ties 'split'"):
        fit_heterogeneous_preferences(table, ties="split")
    with pytest.raises(ValueError, match="no item 'E' among A, B, C, D"):
        fit_heterogeneous_preferences(table).difference("E", "A")
