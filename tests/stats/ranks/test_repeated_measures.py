"""Repeated measures: worked examples of Maxwell & Delaney, statsmodels, laws, the standard's rule, refusals."""

import json

import numpy as np
import pandas as pd
import pytest
from scipy.stats import ttest_rel

from blindtest.errors import BlindtestError
from blindtest.stats import repeated_measures

# Maxwell & Delaney 1990, Designing Experiments and Analyzing Data, table 11.5: McCarthy scores of 12 children at 30,
# 36, 42 and 48 months.
CHILDREN = [
    [108, 96, 110, 122], [103, 117, 127, 133], [96, 107, 106, 107], [84, 85, 92, 99], [118, 125, 125, 116],
    [110, 107, 96, 91], [129, 128, 123, 128], [90, 84, 101, 113], [84, 104, 100, 88], [96, 100, 103, 105],
    [105, 114, 105, 112], [113, 117, 132, 130],
]  # fmt: skip

# Maxwell & Delaney 1990, p. 497, the example of R's ?SSD: reaction times of 10 subjects, noise absent and present, at
# angles of 0, 4 and 8 degrees.
REACTION = np.array(
    [
        [420, 420, 480, 480, 600, 780], [420, 480, 480, 360, 480, 600], [480, 480, 540, 660, 780, 780],
        [420, 540, 540, 480, 780, 900], [540, 660, 540, 480, 660, 720], [360, 420, 360, 360, 480, 540],
        [480, 480, 600, 540, 720, 840], [480, 600, 660, 540, 720, 900], [540, 600, 540, 480, 720, 780],
        [480, 420, 540, 540, 660, 780],
    ]
).reshape(10, 2, 3)  # fmt: skip


def long(values, levels="ABCDEFGH"):
    rows = [(f"L{i:02}", levels[j], v) for i, row in enumerate(values) for j, v in enumerate(row)]
    return pd.DataFrame(rows, columns=["listener", "device", "rating"])


@pytest.fixture(scope="module")
def reaction():
    rows = [
        (f"S{i}", noise, f"{angle}", REACTION[i, a, b])
        for i in range(10)
        for a, noise in enumerate(("absent", "present"))
        for b, angle in enumerate((0, 4, 8))
    ]
    return pd.DataFrame(rows, columns=["listener", "noise", "angle", "rating"])


def test_the_children_of_maxwell_and_delaney():
    """Chapter 11: F(3, 33) = 3.03, p = .043; Greenhouse-Geisser .61, p = .075; Huynh-Feldt .72, p = .064 (memory)."""
    row = repeated_measures(long(CHILDREN)).effects.loc["device"]
    assert (row["df1"], row["df2"]) == (3, 33)
    assert row["f_value"] == pytest.approx(3.03, abs=0.005)
    assert row["p_value"] == pytest.approx(0.043, abs=5e-4)
    assert row["epsilon_gg"] == pytest.approx(0.6095, abs=5e-5)
    assert row["p_gg"] == pytest.approx(0.075, abs=5e-4)
    assert row["epsilon_hf"] == pytest.approx(0.7248, abs=1e-4)
    assert row["p_hf"] == pytest.approx(0.064, abs=5e-4)
    assert row["approach"] == "multivariate"


def test_the_reaction_times_of_maxwell_and_delaney(reaction):
    """R News 7/2 (Dalgaard 2007), anova.mlm with test = "Spherical" (from memory): F 40.72, 33.77, 45.31; p 2.087e-07,
    .0002560, 9.424e-08; Greenhouse-Geisser epsilon .9616, 1, .904; G-G p 3.402e-07, 3.454e-07. Huynh-Feldt's exceeds 1
    there, and is 1 here."""
    effects = repeated_measures(reaction, within=("angle", "noise")).effects
    assert effects.index.tolist() == ["angle", "noise", "angle:noise"]
    assert effects["f_value"].tolist() == pytest.approx([40.719, 33.766, 45.310], abs=5e-4)
    assert effects["p_value"].tolist() == pytest.approx([2.087e-07, 2.560e-04, 9.424e-08], rel=5e-4)
    assert effects["epsilon_gg"].tolist() == pytest.approx([0.9616, 1, 0.9040], abs=5e-5)
    assert effects["p_gg"].tolist() == pytest.approx([3.402e-07, 2.560e-04, 3.454e-07], rel=5e-4)
    assert effects["epsilon_hf"].tolist() == [1, 1, 1]


def test_epsilon_by_the_formula_on_covariances():
    """Winer 1971, of the covariance matrix of the levels: k^2 (mean variance - mean)^2 / ((k - 1) (...))."""
    s, k, n = np.cov(np.array(CHILDREN), rowvar=False), 4, 12
    over = k**2 * (np.diag(s).mean() - s.mean()) ** 2
    under = (k - 1) * (np.sum(s**2) - 2 * k * np.sum(s.mean(axis=0) ** 2) + k**2 * s.mean() ** 2)
    gg = over / under
    hf = (n * (k - 1) * gg - 2) / ((k - 1) * (n - 1 - (k - 1) * gg))
    row = repeated_measures(long(CHILDREN)).effects.loc["device"]
    assert row["epsilon_gg"] == pytest.approx(gg, rel=1e-12)
    assert row["epsilon_hf"] == pytest.approx(hf, rel=1e-12)


def test_f_is_that_of_statsmodels(references):
    """statsmodels 0.15 AnovaRM, two factors within, repeats averaged."""
    from statsmodels.stats.anova import AnovaRM

    panel = pd.read_csv(references / "data" / "panel_ratings_small.csv")
    theirs = AnovaRM(panel, "rating", "listener", within=["device", "clip"], aggregate_func="mean").fit().anova_table
    ours = repeated_measures(panel, within=("device", "clip")).effects
    assert ours["f_value"].to_numpy() == pytest.approx(theirs["F Value"].to_numpy(), rel=1e-9)
    assert ours["p_value"].to_numpy() == pytest.approx(theirs["Pr > F"].to_numpy(), rel=1e-7)
    assert ours["df2"].tolist() == theirs["Den DF"].tolist()


def test_two_levels_are_the_paired_t_test():
    values = np.array(CHILDREN)[:, :2]
    row = repeated_measures(long(values)).effects.loc["device"]
    t = ttest_rel(values[:, 0], values[:, 1])
    assert row["f_value"] == pytest.approx(t.statistic**2, rel=1e-10)
    assert row["f_multivariate"] == pytest.approx(t.statistic**2, rel=1e-10)
    assert row["p_by_rule"] == pytest.approx(t.pvalue, rel=1e-10)
    assert row["epsilon_hf"] == 1


def test_hotelling_by_differences_to_the_last_level():
    """Hotelling 1931: T^2 does not depend on which contrasts span the differences."""
    values = np.array(CHILDREN, dtype=float)
    d = values[:, :3] - values[:, 3:]
    t2 = 12 * d.mean(axis=0) @ np.linalg.solve(np.cov(d, rowvar=False), d.mean(axis=0))
    row = repeated_measures(long(values)).effects.loc["device"]
    assert row["f_multivariate"] == pytest.approx(t2 * 9 / (11 * 3), rel=1e-9)


def test_the_standards_rule():
    """BS.1534-3, attachment 4: univariate if epsilon > 0.85 and N < K + 30."""
    rng = np.random.default_rng(1)
    round_few = repeated_measures(long(rng.normal(size=(32, 3)))).effects.loc["device"]
    assert round_few["epsilon_hf"] > 0.85
    assert round_few["approach"] == "univariate, Huynh-Feldt"
    assert round_few["p_by_rule"] == round_few["p_hf"]
    round_many = repeated_measures(long(rng.normal(size=(33, 3)))).effects.loc["device"]
    assert round_many["epsilon_hf"] > 0.85
    assert round_many["approach"] == "multivariate"
    assert round_many["p_by_rule"] == round_many["p_multivariate"]


def test_too_few_listeners_for_the_multivariate_test_are_told():
    values = np.random.default_rng(2).normal(size=(4, 6)) * [1, 1, 1, 1, 9, 20]
    result = repeated_measures(long(values))
    row = result.effects.loc["device"]
    assert np.isnan(row["p_multivariate"])
    assert row["approach"] == "univariate, Huynh-Feldt"
    assert "the rule asks for the multivariate test" in result.sentence


def test_listeners_own_level_and_names_are_nothing():
    values = np.array(CHILDREN, dtype=float)
    a = repeated_measures(long(values)).effects
    moved = values[::-1] + np.arange(12)[:, None] * 7
    b = repeated_measures(long(moved[:, [2, 0, 3, 1]])).effects
    columns = ["f_value", "epsilon_gg", "p_multivariate", "p_by_rule"]
    assert b[columns].to_numpy(float) == pytest.approx(a[columns].to_numpy(float), rel=1e-9)


def test_skewed_residuals_are_said():
    values = np.random.default_rng(3).normal(size=(15, 3))
    values[0, 0] = 60
    result = repeated_measures(long(values))
    assert result.residual_skewness > 1
    assert "severely skewed" in result.sentence


def test_degenerate_tables_are_defined():
    alike = repeated_measures(long([[5, 5, 5]] * 4))
    assert np.isnan(alike.effects.loc["device", "p_by_rule"])
    assert "all ratings are alike" in alike.sentence
    assert json.loads(json.dumps(alike.to_dict()))["effects"][0]["f_value"] is None
    exact = repeated_measures(long([[1, 2, 4], [2, 3, 5], [0, 1, 3]])).effects.loc["device"]
    assert exact["f_value"] == np.inf
    assert exact["p_value"] == 0


@pytest.mark.parametrize(
    ("table", "within", "message"),
    [
        (long([[1, 2, 3]]), "device", "at least two who rated every cell, got 'L00'"),
        (long([[1], [2]]), "device", "a factor of one level has no effect"),
        (
            long([[1, 2], [2, 3]]).assign(clip=["x", "y", "x", "y"]),
            ("device", "clip"),
            "nobody rated A:y, B:x.*2 empty cells",
        ),
        (long([[1, 2], [2, 3]]).drop(index=[0, 3]), "device", "no listener was scored on every device"),
    ],
)
def test_what_has_no_analysis_is_refused(table, within, message):
    with pytest.raises(BlindtestError, match=message):
        repeated_measures(table, within=within)


def test_incomplete_listeners_are_left_out_by_name():
    result = repeated_measures(long(CHILDREN).drop(index=5))
    assert result.left_out == ("L01",)
    assert result.listeners == 11
