"""The claim that a level is enough: words by limits, against the fit itself and against scipy's t."""

import numpy as np
import pandas as pd
import pytest
from scipy import stats
from scipy.special import expit

from blindtest.stats import conclude_threshold, fit_threshold

LEVELS = np.repeat(np.arange(1.0, 7.0), 20)


def listened(names, seed=5, shift=0.4):
    """Rows of listeners whose thresholds lie about 3, each `shift` above the last; logistic, guess 1/3."""
    rng, tables = np.random.default_rng(seed), []
    for number, name in enumerate(names):
        chance = 1 / 3 + 2 / 3 * expit((LEVELS - 3 - shift * number) / 0.6)
        tables.append(
            pd.DataFrame(
                {"listener": name, "track": "one", "level": LEVELS, "correct": rng.random(len(LEVELS)) < chance}
            )
        )
    return pd.concat(tables, ignore_index=True)


@pytest.mark.parametrize(("margin", "word"), [(6.0, "shown"), (1.0, "refuted"), (3.0, "open")])
def test_one_listener_has_the_limits_of_the_fit(margin, word):
    table = listened(["L1"])
    found = conclude_threshold(table, guess=1 / 3, margin=margin, staircases=False)
    fit = fit_threshold(table[["level"]].assign(correct=table["correct"].astype(int)), link="logistic", guess=1 / 3,
                        level=0.9)  # fmt: skip
    at = fit.threshold(2 / 3)
    assert found.word == word
    assert (found.estimate, found.limits) == (at.estimate, at.interval)
    assert found.proportion == pytest.approx(2 / 3)
    assert f"a level of {margin:g}" in found.sentence
    assert found.to_dict()["word"] == word


def test_several_listeners_count_and_not_their_trials():
    table = listened(["L1", "L2", "L3", "L4"])
    found = conclude_threshold(table, guess=1 / 3, margin=6, staircases=False)
    own = [one.estimate for one in found.listeners]
    low, high = stats.t.interval(0.9, 3, loc=np.mean(own), scale=stats.sem(own))
    assert found.estimate == pytest.approx(np.mean(own))
    assert found.limits == pytest.approx((low, high))
    assert "4 listeners, mean" in found.sentence


@pytest.mark.parametrize(
    ("correct", "why"), [(True, "the answers are all right"), (None, "don't become more frequent with the level")]
)
def test_where_no_threshold_can_be_named_the_claim_stays_open(correct, why):
    table = listened(["L1"])
    table["correct"] = correct if correct is not None else table["level"] < 3
    found = conclude_threshold(table, guess=1 / 3, margin=3, staircases=False)
    assert found.word == "open"
    assert why in found.why_open
    assert found.sentence.startswith("No threshold can be named: listener L1")
