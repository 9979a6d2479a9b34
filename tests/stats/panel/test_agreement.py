"""Agreement of judges: R's psych, Krippendorff's own example, laws of the figures, degenerate tables."""

import json

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from blindtest.errors import BlindtestError
from blindtest.stats import agreement, krippendorff_alpha

FORMS = ["ICC(1,1)", "ICC(2,1)", "ICC(3,1)", "ICC(1,k)", "ICC(2,k)", "ICC(3,k)"]


@pytest.fixture(scope="module")
def shrout_fleiss(references):
    return pd.read_csv(references / "data" / "ratings_matrix_shrout_fleiss.csv", index_col="target")


def test_icc_forms_are_those_of_psych(shrout_fleiss, expected):
    """R 4.2.2, psych 2.2.9 ICC(M, lmer=FALSE): estimates, F intervals, F, p. Data: Shrout & Fleiss 1979, table 2."""
    r = expected("agreement_shrout_fleiss")["icc"]
    icc = agreement(shrout_fleiss).icc.loc[r["names"]]
    columns = {"estimate": "ICC", "ci_low": "lower95", "ci_high": "upper95", "p_value": "p", "f_value": "F"}
    for ours, theirs in columns.items():
        assert icc[ours].to_numpy() == pytest.approx(np.array(r[theirs]), abs=1e-9), ours
    assert icc["df1"].tolist() == r["df1"]
    assert icc["df2"].tolist() == r["df2"]


def test_icc_as_printed_by_shrout_and_fleiss(shrout_fleiss):
    """Shrout & Fleiss 1979, table 4 (from memory, agrees): .17, .29, .71; .44, .62, .91."""
    icc = agreement(shrout_fleiss).icc["estimate"]
    assert icc.loc[FORMS].round(2).tolist() == [0.17, 0.29, 0.71, 0.44, 0.62, 0.91]


def test_alpha_and_w_are_those_of_r(shrout_fleiss, expected):
    """psych::alpha with judges as items; friedman.test(t(M)): judges are blocks, targets treatments."""
    r = expected("agreement_shrout_fleiss")
    result = agreement(shrout_fleiss)
    assert result.cronbach_alpha == pytest.approx(r["cronbach_alpha_raw"], abs=1e-9)
    assert result.cronbach_alpha_standardised == pytest.approx(r["cronbach_alpha_std"], abs=1e-9)
    assert result.kendall_w == pytest.approx(r["friedman"]["kendall_W"], abs=1e-9)
    assert result.kendall_statistic == pytest.approx(r["friedman"]["chi_squared"], abs=1e-9)
    assert result.kendall_p_value == pytest.approx(r["friedman"]["p"], abs=1e-9)
    assert result.kendall_df == 5


def test_krippendorffs_canonical_example(expected):
    """krippendorff 0.9.0; published: Krippendorff 2004, Content Analysis, 11.3: .743 .815 .849 .797."""
    r = expected("krippendorff_canonical")
    result = agreement(pd.DataFrame(r["observers_by_units"]).T)
    assert result.krippendorff_alpha == pytest.approx(r["alpha"], abs=1e-9)
    rounded = {name: round(alpha, 3) for name, alpha in result.krippendorff_alpha.items()}
    assert rounded == r["published_rounded"]
    assert result.missing == 7
    assert result.complete_targets == 8
    assert "4 of 12 targets lack a rating" in result.sentence


def test_krippendorff_of_a_complete_table(shrout_fleiss, expected):
    """krippendorff 0.9.0."""
    alphas = agreement(shrout_fleiss).krippendorff_alpha
    for name, alpha in expected("krippendorff_shrout_fleiss")["alpha"].items():
        assert alphas[name] == pytest.approx(alpha, abs=1e-9)


def test_kendalls_w_with_ties_by_its_formula():
    """Kendall 1970, with T = sum of t^3 - t over ties: W = 12 S / (k^2 (n^3 - n) - k T)."""
    ratings = np.array([[1, 2, 1], [1, 2, 3], [3, 1, 3], [4, 4, 4], [4, 5, 2]], dtype=float)
    ranks = pd.DataFrame(ratings).rank().to_numpy()
    n, k = ranks.shape
    sums = ranks.sum(axis=1)
    ties = sum(int(c) ** 3 - int(c) for column in ranks.T for c in np.unique(column, return_counts=True)[1])
    w = 12 * np.sum((sums - sums.mean()) ** 2) / (k**2 * (n**3 - n) - k * ties)
    assert ties > 0
    assert agreement(ratings).kendall_w == pytest.approx(w, abs=1e-12)


def test_a_column_named_target_names_the_rows(shrout_fleiss):
    assert agreement(shrout_fleiss.reset_index()).icc.equals(agreement(shrout_fleiss).icc)


def test_text_is_nominal_only():
    words = [["warm", "warm", None], ["bright", "bright", "bright"], ["warm", "bright", "warm"]]
    # By hand: pairs within targets 1, 2, 3: n = 8 values, 4 of each word; observed disagreement 2 of 8 coincidences
    # (target 3: (w b) and (b w) among 6 ordered pairs of weight 1/2), expected 2 * 4 * 4 / 7.
    observed, by_chance = (4 / 2) / 8, 2 * 4 * 4 / (7 * 8)
    assert krippendorff_alpha(words, level="nominal") == pytest.approx(1 - observed / by_chance, abs=1e-12)
    with pytest.raises(ValueError, match="needs numbers"):
        krippendorff_alpha(words, level="interval")
    with pytest.raises(ValueError, match="no level of measurement 'metric'"):
        krippendorff_alpha(words, level="metric")


RATINGS = arrays(np.int64, st.tuples(st.integers(3, 6), st.integers(2, 5)), elements=st.integers(1, 9))


@settings(max_examples=40)
@given(RATINGS, st.randoms(use_true_random=False))
def test_order_of_targets_and_judges_is_nothing(ratings, random):
    rows, columns = list(range(ratings.shape[0])), list(range(ratings.shape[1]))
    random.shuffle(rows)
    random.shuffle(columns)
    a, b = agreement(ratings), agreement(ratings[np.ix_(rows, columns)])
    assert b.icc["estimate"].to_numpy() == pytest.approx(a.icc["estimate"].to_numpy(), abs=1e-9, nan_ok=True)
    assert b.kendall_w == pytest.approx(a.kendall_w, abs=1e-9, nan_ok=True)
    assert b.krippendorff_alpha == pytest.approx(a.krippendorff_alpha, abs=1e-9, nan_ok=True)


@settings(max_examples=40)
@given(RATINGS, st.integers(2, 7), st.integers(-20, 20))
def test_another_unit_of_the_scale_changes_nothing(ratings, factor, shift):
    a, b = agreement(ratings), agreement(ratings * factor + shift)
    assert b.icc["ci_low"].to_numpy() == pytest.approx(a.icc["ci_low"].to_numpy(), abs=1e-7, nan_ok=True)
    for name in ("nominal", "ordinal", "interval"):
        assert b.krippendorff_alpha[name] == pytest.approx(a.krippendorff_alpha[name], abs=1e-9, nan_ok=True)


@settings(max_examples=50)
@given(RATINGS)
def test_intervals_hold_their_estimates(ratings):
    """Those of the second form are approximate, and only made for estimates above zero."""
    icc = agreement(ratings).icc.dropna()
    icc = icc[(icc["estimate"] > 0) | ~icc.index.str.startswith("ICC(2")]
    icc = icc[np.isfinite(icc["estimate"])]
    assert (icc["ci_low"] <= icc["estimate"] + 1e-9).all()
    assert (icc["estimate"] <= icc["ci_high"] + 1e-9).all()


def test_perfect_agreement_and_a_constant_judge():
    perfect = agreement([[1, 1], [5, 5], [3, 3]])
    assert perfect.icc["estimate"].tolist() == [1.0] * 6
    assert perfect.icc["p_value"].tolist() == [0.0] * 6
    assert perfect.kendall_w == 1
    assert perfect.krippendorff_alpha["interval"] == 1
    constant = agreement([[3, 1], [3, 2], [3, 5]])
    assert np.isnan(constant.cronbach_alpha_standardised)
    assert np.isfinite(constant.icc["estimate"]).all()


def test_ratings_all_alike_have_nothing_to_share_out():
    result = agreement([[4, 4], [4, 4]])
    assert result.icc["estimate"].isna().all()
    assert all(np.isnan(alpha) for alpha in result.krippendorff_alpha.values())
    assert "All ratings are alike" in result.sentence
    assert json.loads(json.dumps(result.to_dict()))["icc"][0]["estimate"] is None


def test_no_complete_target_leaves_krippendorff():
    result = agreement([[1, None, 2], [None, 3, 3], [4, 4, None]])
    assert result.icc["estimate"].isna().all()
    assert np.isfinite(result.krippendorff_alpha["interval"])
    assert "only Krippendorff's alpha" in result.sentence


def test_ratio_alpha_needs_no_negative_numbers():
    assert np.isnan(agreement([[-1, 1], [2, 2]]).krippendorff_alpha["ratio"])


@pytest.mark.parametrize(
    ("ratings", "message"),
    [
        ([[1, 2]], "at least two targets .rows. and two judges .columns., got '1 x 2'"),
        ([[1], [2]], "got '2 x 1'"),
        (pd.DataFrame({"a": [1, 2], "b": ["x", 3]}), "line 1: b: not a number, got 'x'"),
        (pd.DataFrame({"a": [1, 2], "b": [None, None]}), "at least two targets"),
    ],
)
def test_what_is_no_table_of_ratings_is_refused(ratings, message):
    with pytest.raises(BlindtestError, match=message):
        agreement(ratings)


def test_the_result_is_json_and_says_its_method(shrout_fleiss):
    result = agreement(shrout_fleiss)
    said = json.loads(json.dumps(result.to_dict()))
    assert [row["form"] for row in said["icc"]] == FORMS
    assert "29 % of the spread of single ratings" in said["sentence"]
    assert "Shrout & Fleiss 1979" in said["source"]
