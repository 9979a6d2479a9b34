"""Expertise of assessors: one-way analysis of variance by scipy, simulated listeners, degenerate tables."""

import json

import numpy as np
import pandas as pd
import pytest
from scipy.stats import f_oneway

from blindtest.errors import BlindtestError
from blindtest.stats import assessor_expertise


@pytest.fixture(scope="module")
def panel(references):
    return pd.read_csv(references / "data" / "panel_ratings_small.csv")


def simulated(spread, noise, *, stimuli=8, replicates=2, seed=5, name="L1"):
    rng = np.random.default_rng(seed)
    true = np.linspace(-1, 1, stimuli) * spread
    rows = [
        (name, f"S{s}", 50 + true[s] + noise * rng.standard_normal()) for _ in range(replicates) for s in range(stimuli)
    ]
    return pd.DataFrame(rows, columns=["listener", "device", "rating"])


def test_f_is_that_of_the_analysis_of_variance(panel):
    """scipy 1.17 f_oneway on each listener's ratings by stimulus."""
    result = assessor_expertise(panel, permutations=99)
    for name, own in panel.groupby("listener"):
        groups = [cell["rating"].to_numpy() for _, cell in own.groupby(["device", "clip"])]
        assert result.listeners.loc[name, "f_value"] == pytest.approx(f_oneway(*groups).statistic, rel=1e-10)


def test_reliability_of_two_replicates_is_the_sd_of_differences_over_root_two(panel):
    result = assessor_expertise(panel, permutations=19)
    for name, own in panel.groupby("listener"):
        pairs = np.array([cell["rating"].to_numpy() for _, cell in own.groupby(["device", "clip"])])
        sd = np.std(pairs[:, 1] - pairs[:, 0], ddof=1) / np.sqrt(2)
        assert result.listeners.loc[name, "reliability"] == pytest.approx(sd, rel=1e-10)


def test_agreement_is_the_correlation_with_the_rest(panel):
    means = panel.groupby(["listener", "device", "clip"])["rating"].mean().unstack("listener")
    result = assessor_expertise(panel, permutations=19)
    for name in means:
        rest = means.drop(columns=name).mean(axis=1)
        assert result.listeners.loc[name, "agreement"] == pytest.approx(means[name].corr(rest), rel=1e-10)


def test_a_good_listener_passes_and_a_guesser_is_named():
    table = pd.concat([simulated(20, 4), simulated(0, 10, name="L2", seed=6)])
    result = assessor_expertise(table, stimulus="device")
    assert result.listeners.loc["L1", "above_floor"]
    assert not result.listeners.loc["L2", "above_floor"]
    assert result.sentence.startswith("1 of 2 listeners tell the 8 stimuli apart")
    assert "not L2" in result.sentence
    assert result.listeners.loc["L1", "reliability"] == pytest.approx(4, abs=2.5)


def test_the_noise_floor_keeps_its_level():
    """A guesser passes in 5 % of panels: 200 guessers, seed 11; three Monte Carlo errors are .046."""
    rng = np.random.default_rng(11)
    rows = [(f"L{i:03}", f"S{s}", v) for i in range(200) for s in range(5) for v in rng.integers(0, 8, 2)]
    table = pd.DataFrame(rows, columns=["listener", "device", "rating"])
    result = assessor_expertise(table, stimulus="device", permutations=99)
    assert result.listeners["above_floor"].mean() == pytest.approx(0.05, abs=0.046)
    assert (result.listeners["above_floor"] <= (result.listeners["p_value"] <= 0.05 + 1e-9)).all()


def test_a_shift_of_a_whole_replicate_is_no_unreliability():
    table = pd.DataFrame(
        [("L1", f"S{s}", 10 * s + 5 * r) for r in range(3) for s in range(4)], columns=["listener", "device", "rating"]
    )
    assert assessor_expertise(table, stimulus="device").listeners.loc["L1", "reliability"] == pytest.approx(0, abs=1e-9)


def test_same_seed_same_floor(panel):
    one, two = (assessor_expertise(panel, permutations=99, seed=3) for _ in range(2))
    assert one.listeners.equals(two.listeners)


def test_degenerate_listeners_are_said():
    table = pd.concat(
        [
            simulated(20, 3),
            pd.DataFrame([("L2", "S0", 5), ("L2", "S0", 6)], columns=["listener", "device", "rating"]),
            pd.DataFrame([("L3", f"S{s}", 50) for s in (0, 1, 0, 1)], columns=["listener", "device", "rating"]),
        ]
    )
    result = assessor_expertise(table, stimulus="device")
    assert "L2: rated one stimulus only" in result.sentence
    assert "L3: gave one rating throughout" in result.sentence
    assert not result.listeners.loc[["L2", "L3"], "above_floor"].any()
    assert json.loads(json.dumps(result.to_dict()))["listeners"][1]["f_value"] is None


@pytest.mark.parametrize(
    ("rows", "message"),
    [
        ([("L1", "A", 5), ("L1", "A", 6)], "one stimulus cannot be told apart"),
        ([("L1", "A", 5), ("L1", "B", 6)], "nobody rated a stimulus twice"),
        ([("L1", "A", "good")], "line 1: rating: not a number, got 'good'"),
        ([("L1", None, 3)], "line 1: device: the row does not say this"),
        ([], "the table holds no score"),
    ],
)
def test_tables_without_an_answer_are_refused(rows, message):
    with pytest.raises(BlindtestError, match=message):
        assessor_expertise(pd.DataFrame(rows, columns=["listener", "device", "rating"]), stimulus="device")
    with pytest.raises(BlindtestError, match=r"no such column.*did you mean 'rating'"):
        assessor_expertise(
            pd.DataFrame(rows, columns=["listener", "device", "rating"]), stimulus="device", value="ratin"
        )
