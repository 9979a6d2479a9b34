"""Error rates and coverage of the tests of free listening: the kept table, and a short form of its script."""

import importlib.util
import json
import sys
from math import sqrt
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

SCRIPT = Path(__file__).parents[1] / "simulate_free_listening.py"


@pytest.fixture(scope="module")
def script():
    spec = importlib.util.spec_from_file_location("simulate_free_listening", SCRIPT)
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="module")
def table(references):
    return pd.read_csv(references / "free_listening_error_rates.csv")


def error(rate: float, studies: pd.Series) -> pd.Series:
    """Monte Carlo standard error at a stated rate."""
    return np.sqrt(rate * (1 - rate) / studies)


def test_the_tests_err_as_seldom_as_stated(table):
    """Each side at 2.5 % without an effect, the margin at 5 %: within 3.5 Monte Carlo errors in each of 92 cells."""
    fair = table[table["behaviour"] != "lopsided"]
    nothing, at_margin = fair[fair["effect"] == 0], fair[fair["effect"] > 0]
    assert len(nothing) + len(at_margin) > 60
    for side in ("above", "below"):
        assert (nothing[side] <= 0.025 + 3.5 * error(0.025, nothing["studies"])).all()
    assert (at_margin["negligible"] <= 0.05 + 3.5 * error(0.05, at_margin["studies"])).all()


def test_limits_hold_the_truth_as_often_as_stated(table):
    fair = table[table["behaviour"] != "lopsided"]
    assert (fair["covered"] >= 0.95 - 3.5 * error(0.95, fair["studies"])).all()


def test_lopsided_listeners_cost_what_the_words_say(table):
    """Where one listener in ten differs a lot and the others hardly, sign flips of means are off: as documented."""
    lopsided = table[table["behaviour"] == "lopsided"]
    worst = lopsided[lopsided["effect"] == 0][["above", "below"]].to_numpy().max()
    assert 0.025 < worst <= 0.075
    assert 0.90 <= lopsided["covered"].min() < 0.95


def test_the_table_is_that_of_the_script(script, table, references):
    meta = json.loads((references / "free_listening_error_rates.json").read_text(encoding="utf-8"))
    assert len(table) == len(script.grid())
    assert table["covered"].min() == pytest.approx(meta["least_coverage"]["covered"])
    rng = np.random.default_rng(5)
    for place in (5, 21, 70, 85):
        cell, kept = script.grid()[place], table.iloc[place]
        found = script.rates(cell, 150, rng)
        assert (cell.test, cell.slots, cell.behaviour) == (kept["test"], kept["slots"], kept["behaviour"])
        for name in ("above", "negligible", "covered"):
            p = min(0.97, max(0.03, float(kept[name])))
            assert getattr(found, name) == pytest.approx(kept[name], abs=5 * sqrt(p * (1 - p) / found.studies))
