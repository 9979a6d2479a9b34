"""Degrees of freedom, joint tests, means and contrasts at R's own variances, so that nothing here depends on an
optimiser.

lme4 1.1.31 gave the variances, lmerTest 3.1.3 Satterthwaite's df and F tests, pbkrtest 0.5.2 Kenward-Roger's, emmeans
1.8.4.1 means and contrasts (R 4.2.2; calls in the JSON). Tolerances: ours and R's derivatives are both exact here, R's
variances good to about 1e-6, its studentised range to 1e-7: df to 1e-5 (lmerTest differentiates numerically),
Kenward-Roger to 1e-9, p to 1e-5 relative.
"""

from functools import cache, partial
from itertools import permutations

import numpy as np
import pandas as pd
import pytest

from blindtest.errors import BlindtestError
from blindtest.stats.mixed.contrasts import contrast_table
from blindtest.stats.mixed.degrees_of_freedom import joint_test, satterthwaite
from blindtest.stats.mixed.marginal_means import coefficient_table, marginal_means, reference_grid
from blindtest.stats.mixed.model_matrix import model_matrix
from blindtest.stats.mixed.terms import checked_term, term_hypotheses, term_tests

FORMULA = "rating ~ device * condition"
SCALAR = {
    "panel_ratings_small_cross": ["listener", "clip"],
    "panel_ratings_unbalanced_int": ["listener:device", "listener", "clip"],
    "panel_ratings_unbalanced_products": ["listener:device", "listener:condition", "clip:device", "listener", "clip"],
}
MODELS = [*SCALAR, "panel_ratings_small_slope", "lmm_sleepstudy", "lmm_penicillin"]
PANELS = [model for model in MODELS if model.startswith("panel")]
R_NAMES = {
    "(Intercept)": "Intercept",
    "deviceB": "device[T.B]",
    "deviceC": "device[T.C]",
    "conditionsighted": "condition[T.sighted]",
    "deviceB:conditionsighted": "device[T.B]:condition[T.sighted]",
    "deviceC:conditionsighted": "device[T.C]:condition[T.sighted]",
}


class Fit:
    """A model at R's variances."""

    def __init__(self, name, kind, reference_fit, dense, formula=None, table=None):
        self.expected, own = reference_fit(f"{name}_{kind}")
        table = own if table is None else table
        variances = self.expected["varcomp"]["variance_or_cov"]
        if name in SCALAR:
            self.groups = [(group, None) for group in SCALAR[name]]
            random, phi = dict.fromkeys(SCALAR[name], "1"), variances[:-1]
        elif name == "panel_ratings_small_slope":
            slope = table["condition"] == "sighted"
            self.groups = [("listener", None), ("listener", slope), ("clip", None)]
            random, phi = {"listener": "1 + condition", "clip": "1"}, [variances[i] for i in (0, 2, 1, 3)]
        elif name == "lmm_sleepstudy":
            formula = "Reaction ~ Days"
            self.groups = [("Subject", None), ("Subject", table["Days"])]
            random, phi = {"Subject": "1 + Days"}, [variances[i] for i in (0, 2, 1)]
        else:
            formula = "diameter ~ 1"
            self.groups, random, phi = (
                [("plate", None), ("sample", None)],
                {"plate": "1", "sample": "1"},
                variances[:-1],
            )
        self.matrix = model_matrix(formula or FORMULA, table, random=random)
        self.fit = dense(
            self.matrix.dense(),
            self.matrix.response,
            table,
            self.groups,
            phi,
            variances[-1],
            reml=kind == "reml",
        )
        self.grid = reference_grid(self.matrix.encode, self.matrix.factors, self.matrix.covariates)
        self.beta, self.cov = self.fit.beta, self.fit.cov

    @property
    def hypotheses(self):
        return term_hypotheses(self.matrix.spec, self.grid)

    def inference(self, kind):
        """Covariance, df of contrasts and joint test by Satterthwaite or Kenward-Roger."""
        if kind == "kenward_roger":
            adjusted = self.fit.kenward_roger
            return adjusted.cov_adjusted, adjusted.df_of, lambda w, name: adjusted.joint_test(w, self.beta, name=name)
        df_of = self.fit.df_of
        return self.cov, df_of, lambda w, name: joint_test(w, self.beta, self.cov, df_of, name=name)


@pytest.fixture(scope="session")
def at_r(reference_fit, dense):
    return cache(partial(Fit, reference_fit=reference_fit, dense=dense))


def listed(value):
    """R writes a list of one as a bare value."""
    return value if isinstance(value, list) else [value]


@pytest.mark.parametrize("kind", ["reml", "ml"])
@pytest.mark.parametrize("model", MODELS)
def test_satterthwaite_is_that_of_lmertest(at_r, model, kind):
    """lmerTest 3.1.3, summary()."""
    fit = at_r(model, kind)
    assert np.abs(fit.fit.score).max() < 1e-4, "R's variances are where the criterion is flat"
    r = fit.expected["satterthwaite"]
    table = coefficient_table(fit.matrix.terms, fit.beta, fit.cov, fit.fit.df_of(np.eye(len(fit.beta))))
    assert table["df"].tolist() == pytest.approx(listed(r["df"]), rel=1e-5)
    assert table["statistic"].tolist() == pytest.approx(listed(r["t"]), rel=1e-6)
    assert table["p_value"].tolist() == pytest.approx(listed(r["p"]), rel=1e-5)
    wanted = [R_NAMES.get(term, term) for term in listed(r["term"])]
    assert table.index.tolist() == wanted


@pytest.mark.parametrize("model", MODELS)
def test_kenward_roger_is_that_of_pbkrtest(at_r, model):
    """pbkrtest 0.5.2, vcovAdj and Lb_ddf."""
    fit = at_r(model, "reml")
    r = fit.expected["kenward_roger"]
    adjusted = fit.fit.kenward_roger
    assert adjusted.cov_beta == pytest.approx(fit.cov, rel=1e-9)
    assert np.sqrt(np.diag(adjusted.cov_adjusted)) == pytest.approx(listed(r["se_adjusted"]), rel=1e-9)
    assert adjusted.df_of(np.eye(len(fit.beta))) == pytest.approx(listed(r["df"]), rel=1e-6)


@pytest.mark.parametrize("kind", ["satterthwaite", "kenward_roger"])
@pytest.mark.parametrize("model", [*PANELS, "lmm_sleepstudy"])
def test_f_tests_are_those_of_r(at_r, model, kind):
    """anova(..., ddf = "Satterthwaite" | "Kenward-Roger"), lmerTest 3.1.3 and pbkrtest 0.5.2, type III.

    lmerTest's Satterthwaite df depend in the fourth digit on the order of the levels (it takes differences with the
    first), ours don't; Kenward-Roger's are the same for any spelling.
    """
    fit = at_r(model, "reml")
    r = fit.expected[f"anova_type3_{kind}"]
    table = term_tests(fit.hypotheses, fit.inference(kind)[2])
    assert table.index.tolist() == listed(r["term"])
    assert table["statistic"].tolist() == pytest.approx(listed(r["F"]), rel=1e-6)
    assert table["numerator_df"].tolist() == listed(r["num_df"])
    spelling = 5e-4 if kind == "satterthwaite" else 1e-6
    assert table["denominator_df"].tolist() == pytest.approx(listed(r["den_df"]), rel=spelling)
    assert table["p_value"].tolist() == pytest.approx(listed(r["p"]), rel=2 * spelling)


LMERTEST_ROWS = {
    "device": [[0, 1, 0, 0, 1 / 2, 0], [0, 0, 1, 0, 0, 1 / 2]],
    "condition": [[0, 0, 0, 1, 1 / 3, 1 / 3]],
    "device:condition": [[0, 0, 0, 0, 1, 0], [0, 0, 0, 0, 0, 1]],
}


@pytest.mark.parametrize("kind", ["reml", "ml"])
@pytest.mark.parametrize("model", PANELS)
def test_f_tests_of_the_same_rows(at_r, model, kind):
    """lmerTest 3.1.3, given its own spelling of the contrasts: differences with the first level."""
    fit = at_r(model, kind)
    r = fit.expected["anova_type3_satterthwaite"]
    tests = [joint_test(LMERTEST_ROWS[name], fit.beta, fit.cov, fit.fit.df_of) for name in r["term"]]
    assert [test.denominator_df for test in tests] == pytest.approx(r["den_df"], rel=1e-5)
    assert [test.p_value for test in tests] == pytest.approx(r["p"], rel=1e-5)


@pytest.mark.parametrize("model", PANELS)
def test_f_tests_under_ml(at_r, model):
    """lmerTest 3.1.3 on lme4's ML fits."""
    fit = at_r(model, "ml")
    r = fit.expected["anova_type3_satterthwaite"]
    table = term_tests(fit.hypotheses, fit.inference("satterthwaite")[2])
    assert table["denominator_df"].tolist() == pytest.approx(r["den_df"], rel=5e-4)
    assert table["p_value"].tolist() == pytest.approx(r["p"], rel=1e-3)


FAMILIES = {
    "device_pairs_within_condition_tukey": ("device", ["condition"], "tukey"),
    "device_pairs_within_condition_holm": ("device", ["condition"], "holm"),
    "device_pairs_marginal_tukey": ("device", [], "tukey"),
    "device_pairs_marginal_none": ("device", [], "none"),
    "condition_effect_by_device_unadjusted": ("condition", ["device"], "none"),
    "condition_effect_by_device_holm_across_devices": ("condition", ["device"], "holm"),
    "interaction_device_pairs_by_sighted_minus_blind_holm": ("device:condition", [], "holm"),
}


@pytest.mark.parametrize("family", FAMILIES)
@pytest.mark.parametrize("kind", ["satterthwaite", "kenward_roger"])
@pytest.mark.parametrize("model", PANELS)
def test_contrasts_are_those_of_emmeans(at_r, model, kind, family):
    """emmeans 1.8.4.1; its "sighted - blind" are ours with the sign exchanged ("blind - sighted", as levels lie)."""
    fit = at_r(model, "reml")
    r = fit.expected[f"emmeans_{kind}"][family]
    factor, by, adjust = FAMILIES[family]
    cov, df_of, _ = fit.inference(kind)
    table = contrast_table(fit.grid, fit.beta, cov, df_of, factor, by=by, adjust=adjust)
    exchanged = "condition" in factor
    sign = -1 if exchanged else 1
    if not exchanged:
        assert table["contrast"].tolist() == r["contrast"]
    for name in by:
        assert table[name].tolist() == r[name]
    scale = np.array(r["SE"])
    assert (sign * table["estimate"] / scale).tolist() == pytest.approx(np.array(r["estimate"]) / scale, abs=1e-6)
    assert table["std_error"].tolist() == pytest.approx(r["SE"], rel=1e-6)
    assert table["df"].tolist() == pytest.approx(r["df"], rel=1e-5)
    low, high = ("ci_high", "ci_low") if exchanged else ("ci_low", "ci_high")
    assert (sign * table[low] / scale).tolist() == pytest.approx(np.array(r["lower.CL"]) / scale, abs=2e-5)
    assert (sign * table[high] / scale).tolist() == pytest.approx(np.array(r["upper.CL"]) / scale, abs=2e-5)
    # R's ptukey stops at an absolute 1e-7 or so, which shows in its smallest p.
    assert table["p_value"].tolist() == pytest.approx(r["p.value"], rel=1e-5, abs=1e-7 if adjust == "tukey" else 0)


@pytest.mark.parametrize("kind", ["satterthwaite", "kenward_roger"])
@pytest.mark.parametrize("model", PANELS)
def test_means_are_those_of_emmeans(at_r, model, kind):
    """emmeans 1.8.4.1."""
    fit = at_r(model, "reml")
    cov, df_of, _ = fit.inference(kind)
    for field, factors in (("means_device_by_condition", ["device", "condition"]), ("means_device", ["device"])):
        r = fit.expected[f"emmeans_{kind}"][field]
        table = marginal_means(fit.grid, fit.beta, cov, df_of, factors)
        for name in factors:
            assert table[name].tolist() == r[name]
        names = {"estimate": "emmean", "std_error": "SE", "df": "df", "ci_low": "lower.CL", "ci_high": "upper.CL"}
        for ours, theirs in names.items():
            assert table[ours].tolist() == pytest.approx(r[theirs], rel=1e-5), ours


RECODED = [
    "rating ~ C(device, contr.sum) * C(condition, contr.helmert)",
    "rating ~ 0 + device:condition",
    "rating ~ condition * device",
]


@pytest.mark.parametrize("formula", RECODED)
def test_coding_changes_no_mean_and_no_contrast(at_r, reference_fit, dense, formula):
    """The space of means is the same, so are means, contrasts and, where the terms are, their F tests."""
    model = "panel_ratings_unbalanced_int"
    one, other = at_r(model, "reml"), Fit(model, "reml", reference_fit, dense, formula)
    for fit in (one, other):
        cov, df_of, _ = fit.inference("kenward_roger")
        fit.means = marginal_means(fit.grid, fit.beta, cov, df_of, ["device", "condition"])
        fit.pairs = contrast_table(fit.grid, fit.beta, cov, df_of, "device", by=["condition"])
    pd.testing.assert_frame_equal(one.means, other.means, rtol=1e-7)
    pd.testing.assert_frame_equal(one.pairs, other.pairs, rtol=1e-6)
    tests = [term_tests(fit.hypotheses, fit.inference("kenward_roger")[2]) for fit in (one, other)]
    if len(tests[1]) == 3:
        order = [1, 0, 2] if formula.startswith("rating ~ condition") else [0, 1, 2]
        for column in tests[0]:
            assert tests[1][column].iloc[order].tolist() == pytest.approx(tests[0][column].tolist(), rel=1e-6)


@pytest.mark.parametrize("order", list(permutations("ABC"))[1:])
def test_order_of_levels_changes_signs_only(at_r, reference_fit, dense, order):
    model = "panel_ratings_unbalanced_int"
    _, table = reference_fit(f"{model}_reml")
    table["device"] = pd.Categorical(table["device"], categories=list(order))
    one = at_r(model, "reml")
    table_text = table.assign(device=table["device"].astype(str))
    matrix = model_matrix(FORMULA, table, random=dict.fromkeys(SCALAR[model], "1"))
    phi = one.expected["varcomp"]["variance_or_cov"]
    fit = dense(matrix.dense(), matrix.response, table_text, one.groups, phi[:-1], phi[-1], reml=True)
    grid = reference_grid(matrix.encode, matrix.factors, matrix.covariates)
    assert matrix.factors["device"] == order
    theirs = contrast_table(one.grid, one.beta, one.cov, one.fit.df_of, "device").set_index("contrast")
    for row in contrast_table(grid, fit.beta, fit.cov, fit.df_of, "device").itertuples():
        sign = 1
        name = row.contrast
        if name not in theirs.index:
            sign, name = -1, " - ".join(reversed(name.split(" - ")))
        assert sign * row.estimate == pytest.approx(theirs.loc[name, "estimate"], rel=1e-8)
        assert row.p_value == pytest.approx(theirs.loc[name, "p_value"], rel=1e-6)
    tests = [
        term_tests(term_hypotheses(m.spec, g), lambda w, name, f=f: joint_test(w, f.beta, f.cov, f.df_of, name=name))
        for m, g, f in ((matrix, grid, fit), (one.matrix, one.grid, one.fit))
    ]
    pd.testing.assert_frame_equal(tests[0], tests[1], rtol=1e-6)


def test_covariates_are_held_at_their_mean(reference_fit, dense):
    """A covariate moved by a constant moves no mean, no contrast and no test of a factor."""
    results = []
    for shift in (0.0, 1000.0):
        _, table = reference_fit("panel_ratings_unbalanced_int_reml")
        place = np.random.default_rng(5).integers(1, 20, len(table)) + shift
        table = table.assign(place=place)
        fit = Fit("panel_ratings_unbalanced_int", "reml", reference_fit, dense, f"{FORMULA} * place", table)
        cov, df_of, test = fit.inference("satterthwaite")
        results.append(
            (
                marginal_means(fit.grid, fit.beta, cov, df_of, ["device"])[["estimate", "std_error"]],
                contrast_table(fit.grid, fit.beta, cov, df_of, "device", by="condition")[["estimate", "p_value"]],
                term_tests(fit.hypotheses, test)[["statistic", "numerator_df"]],
            )
        )
        assert fit.grid.covariates == {"place": pytest.approx(place.mean())}
    for one, other in zip(*results, strict=True):
        pd.testing.assert_frame_equal(one, other, rtol=1e-5)


def test_left_out_margins_are_carried_by_the_larger_term(reference_fit, dense):
    """Degrees of freedom add up to the columns, whatever terms the formula leaves out."""
    _, table = reference_fit("panel_ratings_unbalanced_int_reml")
    table = table.assign(place=np.random.default_rng(5).integers(1, 20, len(table)))
    for formula, df in {
        "rating ~ device:condition": {"device:condition": 5},
        "rating ~ device + device:condition": {"device": 2, "device:condition": 3},
        "rating ~ device + device:place": {"device": 2, "device:place": 3},
        "rating ~ device * place": {"device": 2, "place": 1, "device:place": 2},
        "rating ~ place": {"place": 1},
        "rating ~ 1": {},
    }.items():
        fit = Fit("panel_ratings_unbalanced_int", "reml", reference_fit, dense, formula, table)
        tests = term_tests(fit.hypotheses, fit.inference("satterthwaite")[2])
        assert tests["numerator_df"].to_dict() == df


def test_one_contrast_as_f_is_its_t_squared(at_r):
    fit = at_r("panel_ratings_unbalanced_products", "reml")
    weights = np.array([[0, 1.0, 0, 0, 0.5, 0]])
    t = (weights @ fit.beta)[0] / np.sqrt(weights @ fit.cov @ weights.T)[0, 0]
    single = joint_test(weights, fit.beta, fit.cov, fit.fit.df_of)
    assert single.statistic == pytest.approx(t**2)
    assert single.denominator_df == pytest.approx(fit.fit.df_of(weights)[0])
    adjusted = fit.fit.kenward_roger
    both = adjusted.joint_test(weights, fit.beta)
    assert both.scaling == pytest.approx(1, abs=1e-9)
    assert both.denominator_df == pytest.approx(adjusted.df_of(weights)[0])


def test_implied_contrasts_count_once(at_r):
    fit = at_r("panel_ratings_unbalanced_int", "reml")
    two = np.array([[0, 1.0, 0, 0, 0.5, 0], [0, 0, 1.0, 0, 0, 0.5]])
    three = np.vstack([two, two[0] - two[1]])
    for test in (fit.inference("satterthwaite")[2], fit.inference("kenward_roger")[2]):
        one, other = test(two, "device"), test(three, "device")
        assert (one.numerator_df, other.numerator_df) == (2, 2)
        assert other.statistic == pytest.approx(one.statistic)
        # Satterthwaite's depend a little on how the same span is said; Kenward-Roger's don't.
        assert other.denominator_df == pytest.approx(one.denominator_df, rel=1e-3 if one.scaling == 1 else 1e-9)
        assert other.to_dict()["p_value"] == pytest.approx(one.p_value, rel=2e-3)
        assert f"F = {one.statistic:.4g} on 2 and" in one.sentence
        # Whatever rounding leaves of what is implied several times over.
        many = test(np.vstack([three, 2 * two[0] + two[1], two[0] / 3 - two[1], -5 * two[1]]), "device")
        assert (many.numerator_df, many.statistic) == (2, pytest.approx(one.statistic))
        with pytest.raises(ValueError, match="at least one contrast"):
            test(np.zeros((2, 6)), "device")


def test_known_variances_give_infinite_df():
    """z tests: binary models and plans with known spread."""
    df = satterthwaite(np.eye(2), np.eye(2), np.zeros((0, 2, 2)), np.zeros((0, 0)))
    assert np.all(np.isinf(df))
    table = coefficient_table(["a", "b"], [1.959963984540054, 0.0], np.eye(2), df)
    assert table["p_value"].tolist() == pytest.approx([0.05, 1.0])
    assert table["ci_low"].tolist() == pytest.approx([0.0, -1.959963984540054], abs=1e-9)
    joint = joint_test(np.eye(2), [1.0, 2.0], np.eye(2), lambda w: np.full(len(w), np.inf))
    assert joint.p_value == pytest.approx(np.exp(-2.5))  # chi square on 2 degrees of freedom, 5 or more


def test_faults_of_a_user_are_told(at_r):
    fit = at_r("panel_ratings_unbalanced_int", "reml")
    arguments = (fit.grid, fit.beta, fit.cov, fit.fit.df_of)
    with pytest.raises(
        BlindtestError, match=r"contrast: the fixed part has no such factor, got 'devise'.*device.*did you"
    ):
        contrast_table(*arguments, "devise")
    with pytest.raises(BlindtestError, match="contrast: the same factor twice, got 'device'"):
        contrast_table(*arguments, "device", by="device")
    with pytest.raises(
        BlindtestError, match=r"no such adjustment, got 'tuckey' \(allowed: tukey, holm, dunnett, none\)"
    ):
        contrast_table(*arguments, "device", adjust="tuckey")
    with pytest.raises(BlindtestError, match="tukey is about differences of means"):
        contrast_table(*arguments, "device:condition")
    with pytest.raises(BlindtestError, match="means: the fixed part has no such factor, got 'listener'"):
        marginal_means(*arguments, ["listener"])
    with pytest.raises(BlindtestError, match="term: the fixed part has no such term, got 'clip'"):
        checked_term(fit.hypotheses, "clip")
    assert checked_term(fit.hypotheses, "condition:device").shape == (2, 6)


def test_a_factor_that_the_formula_makes_is_no_term(reference_fit):
    """Its levels are not the table's, so no mean of theirs is known."""
    _, table = reference_fit("panel_ratings_unbalanced_int_reml")
    matrix = model_matrix("rating ~ C(device.str.lower()) + condition", table, random=None)
    grid = reference_grid(matrix.encode, matrix.factors, matrix.covariates)
    with pytest.raises(
        BlindtestError, match=r"a factor that the formula makes can't be tested as a term.*make a column"
    ):
        term_hypotheses(matrix.spec, grid)
