"""Stages of a chain: factorial contrasts by hand, t tests of listeners, Holm by statsmodels, tables that can't tell."""

import json
from itertools import product

import numpy as np
import pandas as pd
import pytest
from scipy import stats
from statsmodels.stats.multitest import multipletests

from blindtest.errors import BlindtestError
from blindtest.stats import attribution

STAGES = ("response", "harmonics", "source")


def ratings(rng, effects=(12.0, 0.0, 3.0), listeners=12, clips=6, together=0.0, sd_own=3.0, sd_clip=2.0, sd_rating=6.0):
    own, of_clip = rng.normal(0, sd_own, (listeners, 3)), rng.normal(0, sd_clip, (clips, 3))
    rows = []
    for i, j in product(range(listeners), range(clips)):
        for on in product((0, 1), repeat=3):
            x = np.array(on) - 0.5
            mean = 50 + (np.array(effects) + own[i] + of_clip[j]) @ x + together * x[0] * x[1]
            rows.append(
                (f"L{i:02}", f"c{j}", ("off", "on")[on[0]], bool(on[1]), on[2], mean + rng.normal(0, sd_rating))
            )
    return pd.DataFrame(rows, columns=["listener", "clip", *STAGES, "rating"])


@pytest.fixture(scope="module")
def table():
    return ratings(np.random.default_rng(3), together=5.0)


def test_effects_are_factorial_contrasts(table):
    """With minus without, by means of the table (Yates 1937); a product is the difference of two such differences."""
    result = attribution(table)
    assert [one.name for one in result.stages] == list(STAGES)
    means = table.groupby("response")["rating"].mean()
    assert result.stage("response").effect.estimate == pytest.approx(means["on"] - means["off"], abs=1e-6)
    cells = table.groupby(["response", "harmonics"])["rating"].mean()
    changed = (cells["on", True] - cells["off", True]) - (cells["on", False] - cells["off", False])
    assert result.stage("response x harmonics").effect.estimate == pytest.approx(changed, abs=1e-6)
    assert result.combinations == 8


def test_of_these_clips_a_stage_is_a_t_test_on_one_contrast_per_listener(table):
    """scipy.stats.ttest_1samp on each listener's mean with the stage minus without."""
    result = attribution(table, only_these_clips=True)
    for one in result.stages:
        switched = table[one.name].astype(str).isin(["on", "True", "1"])
        means = table.assign(switched=switched).groupby(["listener", "switched"])["rating"].mean().unstack()
        theirs = stats.ttest_1samp(means[True] - means[False], 0)
        assert one.effect.interval == pytest.approx(tuple(theirs.confidence_interval(0.95)), abs=2e-3)
        assert one.p_value == pytest.approx(theirs.pvalue, rel=5e-3)


def test_families_are_adjusted_after_holm(table):
    """statsmodels.stats.multitest: stages are one family, products another; words follow the adjusted p."""
    result = attribution(table)
    for family in (result.stages, result.interactions):
        theirs = multipletests([one.p_value for one in family], method="holm")[1]
        assert [one.adjusted_p_value for one in family] == pytest.approx(list(theirs), rel=1e-9)
        for one in family:
            directed = one.conclusion.side != "neither"
            assert directed == (one.adjusted_p_value <= 0.05)


def test_words_against_the_margin():
    rng = np.random.default_rng(5)
    result = attribution(ratings(rng, effects=(30.0, 0.0, -30.0)), margin=8)
    assert [one.word for one in result.stages] == ["shown", "negligible", "refuted"]
    loud = attribution(ratings(rng, effects=(6.0, 6.0, 6.0), listeners=4, sd_own=6.0), margin=6)
    assert "open" in [one.word for one in loud.stages]
    assert result.sentence.startswith("response: shown, +")
    assert json.loads(json.dumps(result.to_dict(), allow_nan=False))["sentence"] == result.sentence


def test_a_stage_that_only_works_with_another_is_said_not_to_be_additive():
    result = attribution(ratings(np.random.default_rng(6), together=40.0))
    assert "Not additive: response x harmonics." in result.sentence
    assert attribution(ratings(np.random.default_rng(6), together=40.0), interactions=False).interactions == ()


def test_no_effect_is_shown_no_more_often_than_alpha():
    """Forty panels without any effect, three stages each after Holm: one study in twenty may show any; 7 allow .18."""
    rng = np.random.default_rng(9)
    wrong = 0
    for _ in range(40):
        table = ratings(rng, effects=(0.0, 0.0, 0.0), listeners=8, clips=5)
        wrong += any(one.adjusted_p_value <= 0.05 for one in attribution(table, interactions=False).stages)
    assert wrong <= 7


def test_stages_are_found_by_what_their_columns_hold(table):
    other = table.assign(device="x", order="blind-first", trial=1, remark="fine")
    assert [one.name for one in attribution(other).stages] == list(STAGES)
    assert [one.name for one in attribution(other, stages=["source"]).stages] == ["source"]


@pytest.mark.parametrize(
    ("change", "options", "text"),
    [
        (lambda t: t[["listener", "clip", "rating"]], {}, "no column looks like a stage"),
        (lambda t: t, {"stages": ["respnse"]}, "respnse: the table has no such column.*did you mean 'response'"),
        (lambda t: t.assign(response="on"), {"stages": STAGES}, "response: this stage is always the same, got 'on'"),
        (
            lambda t: t.replace({"response": {"off": "of"}}),
            {"stages": STAGES},
            "response: a stage is on or off, got 'of'",
        ),
        (lambda t: t.assign(source=(t["response"] == "on")), {}, "source can't be told from the rest"),
        (lambda t: t[(t["response"] == "on") | ~t["harmonics"]], {}, "can't be told from the rest.*interactions=False"),
        (lambda t: t[t["clip"] == "c0"], {"only_these_clips": False}, "so few clips say too little about others"),
    ],
)
def test_tables_that_cannot_attribute_are_refused(table, change, options, text):
    with pytest.raises(BlindtestError, match=text):
        attribution(change(table), **options)


def test_missing_combinations_are_remarked(table):
    part = table[(table["response"] == "on") | ~table["harmonics"] | (table["source"] == 0)]
    result = attribution(part, interactions=False)
    assert any(remark.startswith("7 of 8 combinations were rated") for remark in result.remarks)


def test_unknown_stage_of_a_result(table):
    with pytest.raises(KeyError, match="no stage 'cable'"):
        attribution(table, interactions=False).stage("cable")
