"""Coverage of the intervals by enumeration: the short form of simulate_coverage.py."""

import importlib.util
from pathlib import Path

import numpy as np
import pytest

SCRIPT = Path(__file__).with_name("simulate_coverage.py")


@pytest.fixture(scope="module")
def script():
    spec = importlib.util.spec_from_file_location("simulate_coverage", SCRIPT)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.mark.parametrize("trials", [1, 8, 16, 28, 50, 100])
@pytest.mark.parametrize("level", [0.9, 0.95, 0.99])
@pytest.mark.parametrize("name", ["clopper-pearson", "lower limit", "upper limit"])
def test_exact_intervals_cover_at_least_as_often_as_stated(script, name, trials, level):
    assert script.coverage(name, trials, level).min() >= level - 1e-9


@pytest.mark.parametrize(
    ("name", "least"),
    # Measured by the long form over the same 999 proportions: .837 and .820 are the worst of 8 to 100 trials at 95 %.
    [("wilson", 0.835), ("likelihood", 0.818)],
)
def test_approximate_intervals_dip_as_far_as_documented(script, name, least):
    held = np.array([script.coverage(name, trials, 0.95) for trials in (8, 16, 28, 50, 100)])
    assert held.min() < 0.95
    assert held.min() >= least
    assert held.mean(axis=1) == pytest.approx(0.95, abs=0.006)


def test_mid_p_limit_is_not_guaranteed_to_be_conservative(script):
    """Lancaster's mid-p covers about as stated on average and less at single proportions, never below 1 - 2 alpha."""
    held = script.coverage("lower limit, mid-p", 28, 0.95)
    assert 0.9 - 1e-9 <= held.min() < 0.95 < held.mean()


def test_holm_names_a_guesser_at_most_five_times_in_a_hundred(script):
    """4000 panels of 10 guessers: standard error .0034 at .05; bare p values name one in about a third of them."""
    bare, holm = script.panel(10, 16, 4000, np.random.default_rng(7))
    assert holm <= 0.05 + 3 * 0.0034
    assert bare > 0.25
