"""Coverage of thresholds: the short form of simulate_thresholds.py."""

import csv
import importlib.util
from pathlib import Path

import numpy as np
import pytest

SCRIPT = Path(__file__).with_name("simulate_thresholds.py")


@pytest.fixture(scope="module")
def script():
    spec = importlib.util.spec_from_file_location("simulate_thresholds", SCRIPT)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def test_profile_intervals_cover(script):
    """80 studies: standard error .024 at .95."""
    rows = script.profile_coverage(5, 20, "logistic", 1.5, 0.0, False, 80, np.random.default_rng(3))
    assert len(rows) == 2
    assert min(row["value"] for row in rows) >= 0.95 - 3 * 0.024


def test_a_profile_that_holds_the_truth_has_it_within_its_limits(script):
    """What the simulation counts is what a user reads: both ways of saying it agree on twenty tables."""
    import pandas as pd

    from blindtest.stats import fit_threshold
    from blindtest.stats.profile_likelihood import allowed_loss
    from blindtest.stats.thresholds.answers import read_levels
    from blindtest.stats.thresholds.fitting import Fitting

    x, rng = np.linspace(-2, 2, 5), np.random.default_rng(5)
    p, agreed = script.chance(x, "normal", 1.0, 0.0), 0
    for _ in range(20):
        rows = pd.DataFrame({"level": x, "correct": rng.binomial(12, p), "trials": 12})
        low, high = fit_threshold(rows, link="normal", guess=0.5, lapse=0.0).threshold(0.75).interval
        fitting = Fitting(read_levels(rows), "normal", 0.5, 0.0)
        held = fitting.threshold_profile(0.4, 0.75) >= fitting.best - allowed_loss(0.95)
        agreed += held == (low <= 0.8 <= high)  # .4 in units of half the range, 2
    assert agreed == 20


def test_the_stored_table_holds_what_docstrings_say(references):
    with (references / "thresholds_error_rates.csv").open(encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    held = [(float(row["value"]), float(row["std_error"]), row["what"]) for row in rows if row["kind"] == "coverage"]
    assert len(held) == 23
    for value, error, what in held:
        if "profile" in what or "posterior" in what:
            assert value >= 0.92 - 3 * max(error, 0.0126), what
    errs = {
        row["what"]: float(row["value"]) for row in rows if row["kind"] == "type I" and "10 trials" in row["design"]
    }
    assert errs["deviance by bootstrap of 99"] <= 0.05 + 3 * 0.022
