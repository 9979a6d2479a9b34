"""Coverage and type I error of choices: the short form of simulate_choices.py."""

import importlib.util
import json
from pathlib import Path

import numpy as np
import pytest

SCRIPT = Path(__file__).with_name("simulate_choices.py")


@pytest.fixture(scope="module")
def script():
    spec = importlib.util.spec_from_file_location("simulate_choices", SCRIPT)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="module")
def counted(script):
    """Every table of a few trials, with its exact probability."""
    rows = script.same_different(6, "same-different") + script.same_different(6, "same-different-independent")
    return rows + script.two_ac(8) + script.unbiased_d_prime(12)


def test_exact_tests_err_no_oftener_than_stated(counted):
    exact = [row for row in counted if row["kind"] == "type I" and row["what"].endswith(" p_value")]
    assert len(exact) == 9
    assert max(row["rate"] for row in exact) <= 0.05


def test_likelihood_tests_err_up_to_twice_as_often_with_few_trials(counted):
    """They are approximate, and their docstrings say so."""
    rates = [row["rate"] for row in counted if row["what"].endswith("likelihood_p_value")]
    assert len(rates) == 9
    assert 0.05 < max(rates) <= 0.13


def test_profile_intervals_dip_as_far_as_documented(counted):
    """Worst cells of a handful of trials, exact; more trials in the stored table."""
    held = np.array([row["rate"] for row in counted if row["kind"] == "coverage"])
    assert len(held) == 90
    assert held.min() >= 0.82
    assert held.mean() == pytest.approx(0.95, abs=0.025)


@pytest.mark.parametrize("name", ["choices_error_rates", "panels_error_rates"])
def test_the_stored_tables_hold_what_docstrings_say(references, name):
    stored = json.loads((references / f"{name}.json").read_text(encoding="utf-8"))
    assert len(stored["worst"]) >= 4
    for what, cell in stored["worst"].items():
        if what.endswith(" p_value, type I") and "likelihood" not in what:
            assert cell["rate"] <= 0.05 + 3 * cell["std_error"], what
        if what.endswith("coverage"):
            assert cell["rate"] >= 0.85 - 3 * cell["std_error"], what


@pytest.mark.long
def test_panels_of_guessers_and_of_equals_are_seldom_called_otherwise(script):
    """300 panels: standard error .0126 at .05."""
    rng = np.random.default_rng(12)
    guessers = script.beta_binomial(12, 10, 0.5, 0.0, 0.0, 300, rng)
    equals = script.beta_binomial(12, 10, 0.5, 0.4, 0.0, 300, rng)
    rates = {row["what"]: row["rate"] for row in guessers + equals if row["kind"] == "type I"}
    assert len(rates) == 2
    assert max(rates.values()) <= 0.05 + 3 * 0.0126
    held = [row["rate"] for row in equals if row["kind"] == "coverage"]
    assert min(held) >= 0.95 - 3 * 0.0126


def test_a_few_panels_of_guessers(script):
    """60 panels: standard error .028 at .05."""
    rows = script.beta_binomial(10, 8, 0.5, 0.0, 0.0, 60, np.random.default_rng(12))
    rates = {(row["kind"], row["what"]): row["rate"] for row in rows}
    assert rates["type I", "beta-binomial guessing_p_value"] <= 0.05 + 3 * 0.028
    assert rates["coverage", "mu profile interval"] >= 0.95 - 3 * 0.028
