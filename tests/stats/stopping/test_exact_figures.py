"""The kept table of exact error rates and coverage: what exact_stopping.py gives, and within what is stated."""

import importlib.util
from pathlib import Path

import pandas as pd
import pytest

from blindtest.stats import e_process_stopped, peeking_error

SCRIPT = Path(__file__).parents[1] / "exact_stopping.py"


@pytest.fixture(scope="module")
def script():
    spec = importlib.util.spec_from_file_location("exact_stopping", SCRIPT)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="module")
def table(references):
    return pd.read_csv(references / "stopping_exact.csv")


def row_of(table, what, setting, trials, stated):
    found = table.query("what == @what and setting == @setting and trials == @trials and stated == @stated")
    assert len(found) == 1
    return float(found["exact"].iloc[0])


def test_what_may_be_looked_at_at_any_time_errs_as_seldom_as_stated(table):
    for what in ("confidence sequence ever wrong", "e-process reaches 1/alpha", "group sequential, real alpha"):
        rows = table[table["what"] == what]
        assert len(rows) > 10
        assert (rows["exact"] <= rows["stated"]).all()
    limits = table[table["what"] == "stagewise limits, least coverage"]
    assert (limits["exact"] >= limits["stated"]).all()
    peeking = table[table["what"] == "p value looked at after every trial"]
    assert (peeking["exact"] > 4 * peeking["stated"]).all()


@pytest.mark.parametrize("p", [0.05, 1 / 3, 0.5, 0.9])
def test_the_table_is_that_of_the_script(script, table, p):
    outside = script.ever_outside(p, 0.95, 100)
    assert round(outside[99], 6) == row_of(table, "confidence sequence ever wrong", f"p {p:.4g}", 100, 0.05)
    assert outside == sorted(outside)


def test_so_are_its_error_rates_and_one_plan(script, table):
    real, least = script.least_coverage((20, 40), "obrien-fleming", 0.5)
    setting = "obrien-fleming, guess 0.5, 2 looks"
    assert round(real, 6) == row_of(table, "group sequential, real alpha", setting, 40, 0.05)
    assert round(least, 6) == row_of(table, "stagewise limits, least coverage", setting, 40, 0.95)
    chance = e_process_stopped(100, proportion=0.5)
    assert round(chance, 6) == row_of(table, "e-process reaches 1/alpha", "guess 0.5", 100, 0.05)
    chance = peeking_error(100)
    assert round(chance, 6) == row_of(table, "p value looked at after every trial", "guess 0.5", 100, 0.05)
