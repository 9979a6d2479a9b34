"""Where a model and its rank companions disagree: every finding on a table made for it, and on whole panels."""

import json

import numpy as np
import pandas as pd
import pytest

from blindtest.errors import BlindtestError
from blindtest.stats import (
    fit_cumulative_link,
    fit_linear_mixed,
    friedman_test,
    rank_companions,
    signed_rank_pairs,
    where_they_disagree,
)


def contrasts(*rows):
    return pd.DataFrame(rows, columns=["contrast", "estimate", "p_value"])


def pairs(*rows):
    return pd.DataFrame(rows, columns=["a", "b", "estimate", "p_adjusted"])


@pytest.mark.parametrize(
    ("model", "ranks", "finding"),
    [
        ((5.0, 0.01), (4.0, 0.04), "agree"),
        ((5.0, 0.30), (-4.0, 0.40), "agree"),
        ((5.0, 0.01), (4.0, 0.20), "only the model"),
        ((5.0, 0.20), (4.0, 0.01), "only the companion"),
        ((5.0, 0.01), (-4.0, 0.20), "opposite directions"),
        ((5.0, 0.20), (-4.0, 0.01), "opposite directions"),
    ],
)
def test_every_finding(model, ranks, finding):
    result = where_they_disagree(contrasts(("A - B", *model)), {"ranks": pairs(("A", "B", *ranks))})
    assert result.pairs["finding"].tolist() == [finding]
    assert result.agree is (finding == "agree")
    if finding == "only the model":
        assert (
            "A - B is found by the model only, not by ranks (+5.00, p = 0.01 against +4.00, p = 0.2)" in result.sentence
        )
    if finding == "opposite directions":
        assert "points the other way in ranks" in result.sentence


def test_a_pair_may_be_named_the_other_way_round():
    result = where_they_disagree(contrasts(("A - B", 5, 0.01)), {"ranks": pairs(("B", "A", -4, 0.01))})
    assert result.agree
    assert result.pairs["companion_estimate"].tolist() == [4]


def test_pairs_that_a_companion_lacks_are_named():
    model = contrasts(("A - B", 5, 0.01), ("A - C", 5, 0.01))
    result = where_they_disagree(model, {"ranks": pairs(("A", "B", 4, 0.01))})
    assert result.lacking == ("A - C in ranks",)
    assert "Not compared: A - C in ranks." in result.sentence


@pytest.mark.parametrize(
    ("model", "companion", "message"),
    [
        (contrasts(("A - B", 1, 0.1)), pairs(("C", "D", 1, 0.1)), "no pair in common"),
        (contrasts(("A - B", 1, 0.1)).drop(columns="p_value"), pairs(), "not a table of differences"),
        (contrasts(("A - B", 1, 0.1), ("A - B", 2, 0.1)), pairs(), "a pair stands in the table twice"),
    ],
)
def test_tables_that_cannot_be_compared_are_refused(model, companion, message):
    with pytest.raises(BlindtestError, match=message):
        where_they_disagree(model, {"ranks": companion})


def panel(bend, seed=3):
    rng = np.random.default_rng(seed)
    rows = [
        (f"L{i:02}", device, clip, bend(50 + effect + rng.normal(0, 3)))
        for i in range(14)
        for device, effect in (("A", 6.0), ("B", 0.0), ("C", 0.0))
        for clip in ("c1", "c2", "c3")
    ]
    return pd.DataFrame(rows, columns=["listener", "device", "clip", "rating"])


def test_a_clear_panel_agrees():
    table = panel(lambda x: x)
    model = fit_linear_mixed("rating ~ device", table, random={"listener": "1", "listener:device": "1"})
    companions = rank_companions(table)
    latent = fit_cumulative_link("rating ~ device", table, random={"listener": "1"})
    result = companions.against(model.contrast("device"), others={"cumulative link": latent.contrast("device")})
    assert result.agree
    assert "signed ranks, cumulative link" in result.sentence
    assert len(result.pairs) == 6


def test_one_wild_listener_is_found():
    """One listener of fourteen puts A far below: the model's mean is lost, ranks count a listener as one."""
    table = panel(lambda x: x)
    wild = (table["listener"] == "L00") & (table["device"] == "A")
    table.loc[wild, "rating"] = -60
    model = fit_linear_mixed("rating ~ device", table, random={"listener": "1", "listener:device": "1"})
    result = rank_companions(table).against(model.contrast("device"))
    assert not result.agree
    assert "A - B" in result.sentence
    assert "should not be claimed from the model alone" in result.sentence


def test_companions_are_the_tests_themselves(references):
    table = pd.read_csv(references / "data" / "panel_ratings_small.csv")
    companions = rank_companions(table)
    assert companions.friedman.p_value == friedman_test(table).p_value
    assert companions.pairs.equals(signed_rank_pairs(table))
    assert "Signed ranks, adjusted (Holm)" in companions.sentence
    said = json.loads(json.dumps(companions.to_dict()))
    assert len(said["pairs"]) == 3
    assert json.loads(json.dumps(companions.against(contrasts(("A - B", 1, 0.5))).to_dict()))["agree"] in (True, False)
