"""Coverage and error rates on small panels: the short form of simulate_inference.py, and what its long form found."""

import csv
import importlib.util
from pathlib import Path

import numpy as np
import pytest
from scipy.stats import binom

SCRIPT = Path(__file__).with_name("simulate_inference.py")
TABLE = Path(__file__).parents[2] / "references" / "stats" / "mixed_inference_coverage.csv"
RATES = (
    "miss_satterthwaite",
    "miss_kenward_roger",
    "f_satterthwaite",
    "f_kenward_roger",
    "family_satterthwaite",
    "family_kenward_roger",
)


@pytest.fixture(scope="module")
def script():
    spec = importlib.util.spec_from_file_location("simulate_inference", SCRIPT)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def test_a_small_panel_errs_no_more_often_than_it_says(script):
    """120 studies of 6 listeners, 4 clips: 5 % up to the 99.9 % point of the binomial."""
    row = script.cell(6, 4, "taste", 120, np.random.default_rng(11))
    most = binom.ppf(0.999, 120, 0.05) / 120
    for name in RATES:
        assert row[name] <= most, name
    assert 4 < row["median_df"] < 40


def test_the_long_form_found_no_rate_above_five_percent():
    """Written by the script, seed and date in its first line: none beyond Monte Carlo error over all cells (Holm)."""
    lines = TABLE.read_text(encoding="utf-8").splitlines()
    assert lines[0].startswith("# seed 202611")
    rows = list(csv.DictReader(lines[1:]))
    assert {row["spread"] for row in rows} == {"none", "people", "taste"}
    tests = [(row, name) for row in rows for name in RATES]
    for row, name in tests:
        studies = int(row["studies"])
        wrong = round(float(row[name]) * studies)
        assert binom.sf(wrong - 1, studies, 0.05) > 0.05 / len(tests), (row, name)
    for row in rows:
        if row["spread"] != "taste":
            studies = int(row["studies"])
            assert binom.sf(round(float(row["variance_test"]) * studies) - 1, studies, 0.05) > 0.001, row
