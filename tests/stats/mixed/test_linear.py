"""The linear engine by other routes: plain dense matrices, closed forms, another library, and laws."""

import json
import warnings
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from blindtest.errors import BlindtestError
from blindtest.stats import fit_linear_mixed, prepare_linear_mixed
from blindtest.stats.mixed import descent, linear_fit
from blindtest.stats.mixed.crossproducts import answers_of, design_of
from blindtest.stats.mixed.linear import linear_result
from blindtest.stats.mixed.linear_fit import prepared_linear
from blindtest.stats.mixed.model_matrix import model_matrix
from blindtest.stats.mixed.moments import fixed_forms, moments_of
from blindtest.stats.mixed.profile import state_at
from blindtest.stats.mixed.sparse_fit import sparse_prepared

PRODUCTS = {"listener": "1", "clip": "1", "listener:device": "1", "listener:mode": "1", "clip:device": "1"}
RANDOM_PARTS = [
    {"listener": "1"},
    {"listener": "1", "clip": "1"},
    PRODUCTS,
    {"listener": "1 + mode", "clip": ["1", "0 + dose"]},
    {"clip": "1 + dose", "listener:device": "1"},
    {"listener": "0 + device"},
]


def panel(seed=1, *, listeners=8, clips=4, share=0.6, spread=(8, 5, 3, 4, 4), residual=6.0):
    """Invented ratings with listener, clip and product effects; some rows missing."""
    rng = np.random.default_rng(seed)
    rows = [
        (f"L{i:02d}", f"clip{j}", device, mode, repeat)
        for i in range(listeners)
        for j in range(clips)
        for device in ("egret", "heron", "plover")
        for mode in ("blind", "labelled")
        for repeat in range(2)
    ]
    table = pd.DataFrame(rows, columns=["listener", "clip", "device", "mode", "repeat"])
    table["dose"] = rng.normal(2, 1, len(table)).round(3)
    score = 50 + 5.0 * (table["device"] == "heron") - 4.0 * (table["mode"] == "blind") + 1.5 * table["dose"]
    for group, sd in zip(PRODUCTS, spread, strict=True):
        codes = pd.factorize(table[group.split(":")].agg(":".join, axis=1))[0]
        score = score + rng.normal(0, sd, codes.max() + 1)[codes]
    of_clip = rng.normal(0, 2, clips)[pd.factorize(table["clip"])[0]]
    table["rating"] = score + of_clip * table["dose"] + rng.normal(0, residual, len(table))
    return table[rng.random(len(table)) < share].reset_index(drop=True)


def dense(model, factors):
    """V by n x n matrices and what each (co)variance adds to it; X and y of every row."""
    V, parts = np.eye(model.n), []
    for term, factor in zip(model.random, factors, strict=True):
        q = len(term.columns)
        Z = np.zeros((model.n, term.grouping.count, q))
        Z[np.arange(model.n), term.codes] = term.values
        V += np.einsum("nla,ab,olb->no", Z, factor @ factor.T, Z)
        for column in range(q):
            for row in range(column, q):
                unit = np.zeros((q, q))
                unit[row, column] = unit[column, row] = 1
                parts.append(np.einsum("nla,ab,olb->no", Z, unit, Z))
    return V, parts, model.dense(), model.response


@pytest.mark.parametrize("random", RANDOM_PARTS, ids=str)
@pytest.mark.parametrize("reml", [True, False])
def test_criterion_and_forms_are_those_of_dense_matrices(random, reml):
    prepared = prepare_linear_mixed("rating ~ device * mode + dose", panel(share=0.4), random=random)
    rng = np.random.default_rng(5)
    factors = [np.tril(rng.uniform(0.2, 1, (len(t.columns),) * 2)) for t in prepared.model.random]
    V, parts, X, y = dense(prepared.model, factors)
    inverse = np.linalg.inv(V)
    information = X.T @ inverse @ X
    P = inverse - inverse @ X @ np.linalg.solve(information, X.T @ inverse)
    free = len(y) - X.shape[1] if reml else len(y)
    expected = np.linalg.slogdet(V)[1] + free * (1 + np.log(2 * np.pi * (y @ P @ y) / free))
    expected += np.linalg.slogdet(information)[1] if reml else 0
    state = state_at(prepared.design, answers_of(prepared.design, y), factors, reml=reml)
    assert state.criterion == pytest.approx(expected, abs=1e-8)
    Q = P if reml else inverse
    moments = moments_of(state, prepared.directions)
    assert moments.trace == pytest.approx([np.trace(Q @ K) for K in parts], rel=1e-9)
    assert moments.square == pytest.approx([y @ P @ K @ P @ y for K in parts], rel=1e-8)
    traces = [[np.trace(Q @ K @ Q @ J) for J in parts] for K in parts]
    squares = [[y @ P @ K @ P @ J @ P @ y for J in parts] for K in parts]
    assert np.allclose(moments.traces, traces, rtol=1e-8, atol=1e-9 * np.max(traces))
    assert np.allclose(moments.squares, squares, rtol=1e-8, atol=1e-9 * np.max(squares))
    forms, W = fixed_forms(state, prepared.directions), inverse @ X @ prepared.design.basis
    first = np.array([W.T @ K @ W for K in parts])
    second = np.array([[W.T @ K @ inverse @ J @ W for J in parts] for K in parts])
    assert np.allclose(forms.first, first, rtol=1e-8, atol=1e-10 * np.abs(first).max())
    assert np.allclose(forms.second, second, rtol=1e-8, atol=1e-10 * np.abs(second).max())


@pytest.mark.parametrize("random", RANDOM_PARTS[2:5], ids=str)
@pytest.mark.parametrize("reml", [True, False])
def test_covariance_of_the_variances_is_twice_the_inverse_curvature(random, reml):
    """Second differences of the dense deviance, not profiled, in the variances themselves."""
    table = panel(2, listeners=6, clips=8, share=0.4)
    prepared = prepare_linear_mixed("rating ~ device + dose", table, random=random)
    fit = prepared.fit(reml=reml)
    assert not fit.singular
    _, parts, X, y = dense(prepared.model, fit.factors)
    K = [*parts, np.eye(len(y))]

    def deviance(phi):
        V = np.tensordot(phi, K, axes=1)
        solved = np.linalg.solve(V, np.column_stack([X, y]))
        information = X.T @ solved[:, :-1]
        beta = np.linalg.solve(information, X.T @ solved[:, -1])
        return (
            np.linalg.slogdet(V)[1]
            + y @ (solved[:, -1] - solved[:, :-1] @ beta)
            + (np.linalg.slogdet(information)[1] if reml else 0)
        )

    step = 1e-3 * np.maximum(np.abs(fit.phi), 0.1)
    k = len(step)
    curvature = np.empty((k, k))
    for i in range(k):
        for j in range(k):
            a, b = np.eye(k)[i] * step, np.eye(k)[j] * step
            at = [deviance(fit.phi + s * a + t * b) for s, t in ((1, 1), (1, -1), (-1, 1), (-1, -1))]
            curvature[i, j] = (at[0] - at[1] - at[2] + at[3]) / (4 * step[i] * step[j])
    expected = 2 * np.linalg.inv(curvature)
    scale = np.sqrt(np.outer(np.diagonal(expected), np.diagonal(expected)))
    assert np.allclose(fit.phi_covariance() / scale, expected / scale, atol=1e-3)
    gradient = fit.cov_beta_gradient()
    for i in range(k):
        shift = 1e-2 * np.eye(k)[i] * step
        numeric = (fit.cov_beta_at(fit.phi + shift) - fit.cov_beta_at(fit.phi - shift)) / (2 * shift[i])
        assert np.allclose(gradient[i], numeric, rtol=1e-4, atol=1e-5 * np.abs(numeric).max())


def test_balanced_one_way_is_analysis_of_variance():
    """Closed form (Searle, Casella & McCulloch 1992, 3.8): REML is (MSA - MSE)/n where that is positive."""
    rng = np.random.default_rng(3)
    table = pd.DataFrame({"listener": np.repeat([f"L{i}" for i in range(7)], 5)})
    table["rating"] = 60 + np.repeat(rng.normal(0, 9, 7), 5) + rng.normal(0, 4, 35)
    means = table.groupby("listener")["rating"].mean()
    between = 5 * means.var(ddof=1)
    within = ((table["rating"] - means.loc[table["listener"]].to_numpy()) ** 2).sum() / 28
    result = fit_linear_mixed("rating ~ 1", table, random={"listener": "1"})
    assert list(result.variance_components["variance"]) == pytest.approx([(between - within) / 5, within], rel=1e-9)
    (row,) = result.coefficients.itertuples()
    assert (row.estimate, row.std_error, row.df) == pytest.approx(
        (table["rating"].mean(), np.sqrt(between / 35), 6), rel=1e-6
    )
    shrink = 1 - within / between
    assert result.random_effects["listener"]["Intercept"].to_numpy() == pytest.approx(
        shrink * (means - means.mean()).to_numpy(), rel=1e-8
    )


def test_correlated_slopes_are_those_of_statsmodels():
    # statsmodels 0.15 MixedLM, REML, another implementation throughout; its optimiser stops at about 1e-5.
    import statsmodels.formula.api as smf

    table = panel(4, listeners=4, clips=9)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        other = smf.mixedlm("rating ~ device + dose", table, groups="clip", re_formula="~dose").fit()
    result = fit_linear_mixed("rating ~ device + dose", table, random={"clip": "1 + dose"})
    assert result.coefficients["estimate"].to_numpy() == pytest.approx(other.fe_params.to_numpy(), rel=1e-4)
    covariance = other.cov_re.to_numpy()
    assert list(result.variance_components["variance"]) == pytest.approx(
        [covariance[0, 0], covariance[1, 1], covariance[0, 1], other.scale], rel=1e-2, abs=1e-2
    )


@pytest.mark.parametrize("random", [RANDOM_PARTS[1], {"listener": "1 + mode", "clip": "1"}], ids=str)
def test_sparse_factorisation_finds_the_same(random):
    table = panel(5, listeners=5, share=0.4)
    blocks = fit_linear_mixed("rating ~ device + mode", table, random=random)
    sparse = linear_result(sparse_prepared(model_matrix("rating ~ device + mode", table, random=random)).fit())
    assert sparse.convergence.converged
    assert not sparse.singular
    assert sparse.log_likelihood == pytest.approx(blocks.log_likelihood, abs=1e-6)
    for name, tolerance in (("estimate", 1e-5), ("std_error", 1e-5), ("df", 1e-3)):
        assert sparse.coefficients[name].to_numpy() == pytest.approx(
            blocks.coefficients[name].to_numpy(), rel=tolerance
        )
    spread = blocks.variance_components["variance"].to_numpy()
    assert sparse.variance_components["variance"].to_numpy() == pytest.approx(spread, rel=1e-3, abs=1e-4)
    assert sparse.fitted == pytest.approx(blocks.fitted, abs=1e-3)
    for group in blocks.random_effects:
        for ours in ("random_effects", "conditional_variances"):
            one, other = getattr(blocks, ours)[group], getattr(sparse, ours)[group]
            assert list(one.index) == list(other.index)
            assert one.to_numpy() == pytest.approx(other.to_numpy(), rel=1e-3, abs=1e-3)


def test_sparse_factorisation_ends_at_zero_where_listeners_are_alike():
    """With the mean of each listener taken off, none of the variance lies between listeners; by both ways."""
    table = panel(5, listeners=3, clips=3, share=0.4)
    table["rating"] -= table.groupby("listener")["rating"].transform("mean")
    blocks = fit_linear_mixed("rating ~ device", table, random=RANDOM_PARTS[1])
    sparse = linear_result(sparse_prepared(model_matrix("rating ~ device", table, random=RANDOM_PARTS[1])).fit())
    for result in (blocks, sparse):
        assert result.singular
        of_listeners, of_clips, _ = result.variance_components["variance"]
        assert of_listeners == 0.0
        assert of_clips > 0.5
    assert sparse.log_likelihood == pytest.approx(blocks.log_likelihood, abs=1e-6)


def test_a_large_crossing_goes_to_sparse_factorisation(monkeypatch):
    monkeypatch.setattr(linear_fit, "MOST_REST", 3)
    result = fit_linear_mixed("rating ~ device", panel(listeners=5), df="kenward-roger")
    assert result.df_method == "satterthwaite"
    assert "Kenward-Roger is not offered for random parts this large" in result.sentence
    with pytest.raises(BlindtestError, match="no group of the random part leaves the others few enough for blocks"):
        prepare_linear_mixed("rating ~ device", panel(listeners=5))


# Laws


def same(one, other, *, shift=0.0, scale=1.0, rel=1e-6):
    """Whether two results agree, the second's answers being scale * answers + shift."""
    a, b = one.coefficients, other.coefficients
    moved = scale * a["estimate"] + np.where(a.index == "Intercept", shift, 0.0)
    assert b["estimate"].to_numpy() == pytest.approx(moved.to_numpy(), rel=rel, abs=rel * scale)
    assert b["std_error"].to_numpy() == pytest.approx(scale * a["std_error"].to_numpy(), rel=rel)
    assert b["df"].to_numpy() == pytest.approx(a["df"].to_numpy(), rel=1e-3)
    assert other.variance_components["variance"].to_numpy() == pytest.approx(
        scale**2 * one.variance_components["variance"].to_numpy(), rel=10 * rel, abs=1e-6 * scale**2
    )


@pytest.mark.parametrize("random", [PRODUCTS, RANDOM_PARTS[3]], ids=str)
def test_order_of_the_rows_changes_nothing(random):
    table = panel(6)
    one = fit_linear_mixed("rating ~ device * mode", table, random=random)
    other = fit_linear_mixed("rating ~ device * mode", table.sample(frac=1, random_state=1), random=random)
    same(one, other)
    for group in one.random_effects:
        pd.testing.assert_frame_equal(one.random_effects[group], other.random_effects[group], rtol=1e-4, atol=1e-4)


def test_names_of_the_levels_change_nothing():
    table = panel(7)
    renamed = table.assign(
        listener=table["listener"].map({name: f"{hash(name) % 997:03d}{name}" for name in table["listener"].unique()}),
        clip=table["clip"].astype("category").cat.reorder_categories(["clip2", "clip0", "clip3", "clip1"]),
    )
    one = fit_linear_mixed("rating ~ device * mode", table, random=PRODUCTS)
    other = fit_linear_mixed("rating ~ device * mode", renamed, random=PRODUCTS)
    same(one, other)
    assert list(other.random_effects["clip"].index) == ["clip2", "clip0", "clip3", "clip1"]
    assert list(one.random_effects["listener:device"].index[:3]) == ["L00:egret", "L00:heron", "L00:plover"]


@pytest.mark.parametrize(("shift", "scale"), [(1e6, 1.0), (0.0, 1e-4), (-300.0, 50.0)])
def test_unit_and_origin_of_the_answers(shift, scale):
    table = panel(8)
    one = fit_linear_mixed("rating ~ device * mode", table, random=PRODUCTS)
    moved = table.assign(rating=scale * table["rating"] + shift)
    same(one, fit_linear_mixed("rating ~ device * mode", moved, random=PRODUCTS), shift=shift, scale=scale)


def test_origin_and_unit_of_a_covariate():
    table = panel(9)
    one = fit_linear_mixed("rating ~ device + dose", table, random={"listener": ["1", "0 + dose"], "clip": "1"})
    wide = fit_linear_mixed(
        "rating ~ device + dose",
        table.assign(dose=1000 * table["dose"]),
        random={"listener": ["1", "0 + dose"], "clip": "1"},
    )
    assert wide.log_likelihood == pytest.approx(one.log_likelihood - np.log(1000), abs=1e-6)
    assert 1000 * wide.coefficients.loc["dose", "estimate"] == pytest.approx(one.coefficients.loc["dose", "estimate"])
    plain = fit_linear_mixed("rating ~ device + dose", table)
    far = fit_linear_mixed("rating ~ device + dose", table.assign(dose=table["dose"] + 2e4))
    assert far.coefficients.loc["dose", "std_error"] == pytest.approx(plain.coefficients.loc["dose", "std_error"], 1e-6)


@pytest.mark.parametrize(("shift", "unit"), [(10, 1), (100, 1), (0, 1000), (0, 1e-5)])
@pytest.mark.parametrize("df", ["satterthwaite", "kenward-roger"])
def test_origin_and_unit_of_a_slope(df, shift, unit):
    """A correlated slope's model is the same whatever its column's zero and unit: degrees of freedom too."""
    table = panel(21, clips=8, listeners=4)
    random = {"clip": "1 + dose", "listener": "1"}
    one = fit_linear_mixed("rating ~ dose", table, random=random, df=df)
    moved = table.assign(dose=(table["dose"] + shift) * unit)
    other = fit_linear_mixed("rating ~ dose", moved, random=random, df=df)
    assert other.convergence.converged
    for name, scale in (("estimate", unit), ("std_error", unit), ("df", 1.0)):
        assert scale * other.coefficients.loc["dose", name] == pytest.approx(
            one.coefficients.loc["dose", name], rel=1e-4
        )


def test_a_slope_far_from_zero_is_said():
    table = panel(21, clips=8, listeners=4).assign(dose=lambda t: t["dose"] + 1e5)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        result = fit_linear_mixed("rating ~ dose", table, random={"clip": "1 + dose", "listener": "1"})
    assert not result.convergence.converged or "Centre the columns of slopes on zero" in result.sentence


def test_rows_that_are_alike_share_a_cell_and_listeners_of_one_plan_a_pattern():
    table = pd.concat([panel(10, share=1.0, listeners=6)] * 3, ignore_index=True).drop(columns="dose")
    rng = np.random.default_rng(1)
    table["rating"] += rng.normal(0, 5, len(table))
    prepared = prepare_linear_mixed("rating ~ device * mode", table, random=PRODUCTS)
    assert prepared.design.sharing.tolist() == [6.0]
    assert prepared.design.counts.tolist() == [6.0] * (6 * 4 * 3 * 2)
    apart = table.assign(spoiler=rng.normal(size=len(table)))
    whole = prepare_linear_mixed("rating ~ device * mode + spoiler", apart, random=PRODUCTS)
    assert whole.design.cells is None
    fit = prepared.fit()
    model = replace(prepared.model, cells=None)
    assert design_of(model).counts is None
    assert prepared_linear(model).fit().log_likelihood == pytest.approx(fit.log_likelihood, abs=1e-8)


def test_nested_names_without_a_product_sign():
    """Sittings named apart for each listener are nested in listener, as listener:sitting would be."""
    table = panel(11)
    table["day"] = np.where(table["repeat"] == 0, "first", "second")
    table["sitting"] = table["listener"] + "/" + table["day"]
    named = prepare_linear_mixed("rating ~ device", table, random={"listener": "1", "sitting": "1", "clip": "1"})
    product = prepare_linear_mixed("rating ~ device", table, random={"listener": "1", "listener:day": "1", "clip": "1"})
    assert (named.design.rest, named.design.layout.width) == (4, 3)
    assert named.fit().log_likelihood == pytest.approx(product.fit().log_likelihood, abs=1e-9)


def test_a_prepared_model_fits_other_answers_as_a_new_table_would():
    table = panel(12)
    prepared = prepare_linear_mixed("rating ~ device * mode", table.drop(columns="rating"), random=PRODUCTS)
    rng = np.random.default_rng(2)
    for _ in range(3):
        answers = table["rating"].to_numpy() + rng.normal(0, 6, len(table))
        new = fit_linear_mixed("rating ~ device * mode", table.assign(rating=answers), random=PRODUCTS)
        fit = prepared.fit(answers)
        assert fit.beta == pytest.approx(new.coefficients["estimate"].to_numpy(), rel=1e-8)
        again = prepared.fit(answers, start=fit.theta)
        assert again.criterion == pytest.approx(fit.criterion, abs=1e-7)
    with pytest.raises(BlindtestError, match="rating: the table has no such column, and no answers were given"):
        prepared.fit()
    with pytest.raises(ValueError, match="the response must be"):
        prepared.fit(np.ones(3))


# Variances at their bounds


@pytest.mark.parametrize("df", ["satterthwaite", "kenward-roger"])
def test_a_variance_of_zero_leaves_the_model_without_it(df):
    table = panel(13, spread=(8, 5, 0, 0, 0))
    table["rating"] -= table.groupby(["listener", "mode"])["rating"].transform("mean")
    table["rating"] += table["mode"].map({"blind": 40, "labelled": 45})
    parts = {"listener": "1", "clip": "1", "listener:mode": "1"}
    result = fit_linear_mixed("rating ~ device * mode", table, random=parts, df=df)
    without = fit_linear_mixed("rating ~ device * mode", table, random={"clip": "1"}, df=df)
    assert result.singular
    assert result.variance_components.set_index("group").loc["listener:mode", "variance"] == 0
    assert result.variance_components.set_index("group").loc["listener", "variance"] == 0
    assert result.log_likelihood == pytest.approx(without.log_likelihood, abs=1e-7)
    for name in ("estimate", "std_error", "df", "p_value"):
        assert result.coefficients[name].to_numpy() == pytest.approx(without.coefficients[name].to_numpy(), rel=1e-5)
    assert "No variance was found for listener, listener:mode: it is exactly zero" in result.sentence
    assert np.all(result.random_effects["listener"].to_numpy() == 0)
    assert np.all(result.conditional_variances["listener"].to_numpy() == 0)


def test_a_correlation_of_one_is_said():
    rng = np.random.default_rng(14)
    table = panel(14, spread=(0, 5, 0, 0, 0))
    effect = pd.Series(rng.normal(0, 6, 8), index=sorted(table["listener"].unique()))
    table["rating"] += effect.loc[table["listener"]].to_numpy() * (1 + 0.5 * (table["mode"] == "labelled"))
    result = fit_linear_mixed("rating ~ device + mode", table, random={"listener": "1 + mode", "clip": "1"})
    components = result.variance_components
    one, other, both = components["variance"][:3]
    assert list(components["other"]) == [None, None, "mode[T.labelled]", None, None]
    assert list(components["term"])[-2:] == ["Intercept", None]
    assert result.singular
    assert both / np.sqrt(one * other) == pytest.approx(1, abs=1e-9)
    assert "perfectly correlated at the maximum" in result.sentence
    assert np.all(np.isfinite(result.coefficients.to_numpy()))
    # One factor of listeners with weights 1 and w: the same as a column that grows with the listener's effect.
    assert 0 < np.sqrt(other / one) < 1


def test_convergence_is_one_record(monkeypatch):
    monkeypatch.setattr(descent, "MOST_STEPS", 1)
    with pytest.warns(UserWarning, match="The fit did not converge in 2 steps") as warned:
        result = fit_linear_mixed("rating ~ device", panel(15), random=PRODUCTS)
    record = result.convergence
    assert not record.converged
    assert record.steps == 2
    assert record.remedy
    assert str(warned[0].message) in result.sentence
    assert json.loads(json.dumps(result.to_dict()))["convergence"] == record.to_dict()
    monkeypatch.undo()
    record = fit_linear_mixed("rating ~ device", panel(15), random=PRODUCTS).convergence
    assert record.converged
    assert record.gradient < 1e-7
    assert record.criterion.startswith("deviance expected to fall by 1e-08 at most")


# Tables that can't be fitted, and tables that just can


@pytest.mark.parametrize(
    ("formula", "random", "change", "text"),
    [
        ("rating ~ devise", {"clip": "1"}, {}, "no such column in the table, got 'devise'.*did you mean 'device'"),
        ("rating ~ device", {"listner": "1"}, {}, "random.listner: no such column .*did you mean 'listener'"),
        ("rating ~ device + (1|clip)", {"clip": "1"}, {}, "random effects stand apart"),
        ("device ~ mode", {"clip": "1"}, {}, "device: the response is no number, got 'egret'"),
        ("~ device", {"clip": "1"}, {}, "a formula names one response"),
        ("rating ~ device", {}, {}, "a mixed model needs a random part"),
        ("rating ~ device", {"clip": "1 ~ mode"}, {}, "random.clip: not a formula of what varies"),
        ("rating ~ device", {"listener": "1"}, {"listener": "L01"}, "a group of one level has no variance"),
        (
            "rating ~ device",
            {"clip": "1"},
            {"device": "egret"},
            "device: a factor of one level has no effect to estimate, got 'egret'",
        ),
        ("rating ~ device + mode", {"clip": "1"}, {"mode": "blind"}, "mode: a factor of one level has no effect"),
        ("rating ~ device", {"clip": ["1", "1"]}, {}, "Intercept varies twice: clip and clip divide the rows alike"),
        ("rating ~ device", {"clip": "1"}, {"rating": 50.0}, "the fixed part reproduces every answer exactly"),
        ("rating ~ device", {"clip": "1"}, {"rating": np.inf}, "the response is not finite"),
        ("rating ~ device", {"clip": "1"}, {"rating": np.nan}, "no row has a value in all of"),
    ],
)
def test_what_cannot_be_fitted_is_said(formula, random, change, text):
    with pytest.raises(BlindtestError, match=text):
        fit_linear_mixed(formula, panel(listeners=4).assign(**change), random=random)


def test_every_row_its_own_level_is_refused():
    table = panel(listeners=3)
    table["row"] = [f"r{i}" for i in range(len(table))]
    with pytest.raises(BlindtestError, match=r"each of the \d+ rows is a level of its own"):
        fit_linear_mixed("rating ~ device", table, random={"row": "1"})
    few = table.groupby("listener").head(2)
    with pytest.raises(BlindtestError, match="3 levels x 2 columns: as many effects as rows"):
        fit_linear_mixed("rating ~ 1", few, random={"listener": "1 + dose"})


def test_an_empty_cell_is_named():
    table = panel(listeners=4)
    table = table[(table["device"] != "plover") | (table["mode"] == "blind")]
    with pytest.raises(
        BlindtestError, match=r"device\[T.plover\]:mode\[T.labelled\] is 0 in every row; no row has these levels"
    ):
        fit_linear_mixed("rating ~ device * mode", table)


def test_answers_that_the_random_part_makes_are_refused():
    table = panel(listeners=5)
    table["rating"] = table["listener"].map({f"L{i:02d}": 10.0 * i**2 for i in range(5)})
    with pytest.raises(BlindtestError, match="the random part reproduces every answer exactly"):
        fit_linear_mixed("rating ~ device", table)


def test_missing_values_are_counted():
    table = panel(16)
    table.loc[3, "rating"] = np.nan
    table.loc[[5, 9], "clip"] = None
    result = fit_linear_mixed("rating ~ device", table)
    assert result.n == len(table) - 3
    assert dict(result.dropped) == {"clip": 2, "rating": 1}
    assert "3 rows with a missing value (clip, rating) were left out." in result.sentence
    same(fit_linear_mixed("rating ~ device", table.dropna()), result)


def test_methods_are_checked():
    with pytest.raises(BlindtestError, match="df: no such method for degrees of freedom, got 'kenward'"):
        fit_linear_mixed("rating ~ device", panel(), df="kenward")
    with pytest.raises(BlindtestError, match="Kenward-Roger corrects REML fits"):
        fit_linear_mixed("rating ~ device", panel(), df="kenward-roger", reml=False)


def test_fitted_values_and_residuals_add_up():
    table = panel(17)
    result = fit_linear_mixed("rating ~ device + dose", table, random={"listener": "1 + dose", "clip": "1"})
    assert result.fitted + result.residuals == pytest.approx(table["rating"].to_numpy(), abs=1e-9)
    clip = result.random_effects["clip"]["Intercept"]
    listener = result.random_effects["listener"]
    by_hand = (
        model_matrix("rating ~ device + dose", table, random={"clip": "1"}).dense()
        @ result.coefficients["estimate"].to_numpy()
        + clip.loc[table["clip"]].to_numpy()
        + listener["Intercept"].loc[table["listener"]].to_numpy()
        + listener["dose"].loc[table["listener"]].to_numpy() * table["dose"].to_numpy()
    )
    assert result.fitted == pytest.approx(by_hand, abs=1e-9)


def test_a_transform_that_looks_at_the_whole_column_sees_all_rows():
    """center() over the distinct doses would subtract another mean."""
    table = panel(18).assign(dose=lambda t: np.where(t["repeat"] == 0, 1.0, 5.0)).iloc[:60]
    centred = fit_linear_mixed("rating ~ center(dose)", table, random={"listener": "1"})
    plain = fit_linear_mixed("rating ~ dose", table, random={"listener": "1"})
    mean = table["dose"].mean()
    assert abs(mean - 3) > 0.01
    assert centred.coefficients["estimate"].iloc[0] == pytest.approx(
        plain.coefficients["estimate"].iloc[0] + mean * plain.coefficients["estimate"].iloc[1], rel=1e-8
    )


def test_types_of_columns_change_nothing():
    table = panel(20, listeners=5)
    plain = fit_linear_mixed("rating ~ device * mode", table)
    typed = table.assign(
        rating=table["rating"].astype("Float64"),
        listener=table["listener"].astype(object),
        device=pd.Categorical(table["device"], categories=["egret", "heron", "never heard", "plover"]),
        mode=table["mode"] == "labelled",
    ).set_index(pd.Index([0] * len(table)))
    other = fit_linear_mixed("rating ~ device * mode", typed)
    assert other.coefficients["estimate"].to_numpy() == pytest.approx(plain.coefficients["estimate"].to_numpy())
    assert other.log_likelihood == pytest.approx(plain.log_likelihood, abs=1e-9)
    assert list(other.means(["mode"])["mode"]) == ["False", "True"]


def test_numbers_read_as_levels():
    table = panel(19).assign(position=lambda t: t["repeat"] + 9)
    result = fit_linear_mixed("rating ~ C(position)", table, random={"listener": "1", "position:clip": "1"})
    assert list(result.coefficients.index) == ["Intercept", "C(position)[T.10]"]
    assert list(result.means(["position"])["position"]) == ["9", "10"]
    assert list(result.random_effects["position:clip"].index[[0, 4]]) == ["9:clip0", "10:clip0"]
