"""Coverage of the binary mixed models' intervals: the short form of simulate_binary.py, and its table."""

import csv
import importlib.util
import json
import sys
from pathlib import Path

import pytest

SCRIPT = Path(__file__).parents[1] / "simulate_binary.py"
SPEC = importlib.util.spec_from_file_location("simulate_binary", SCRIPT)
simulate_binary = importlib.util.module_from_spec(SPEC)
sys.modules["simulate_binary"] = simulate_binary
SPEC.loader.exec_module(simulate_binary)


def test_two_dozen_panels_are_held_about_as_often_as_stated():
    """Wald and shrunken predictors of 24 listeners x 6 clips: of 24 at .95, fewer than 20 has probability .006."""
    design = simulate_binary.GRID[2]
    assert (design.listeners, design.sd_clip) == (24, 0.4)
    shares = simulate_binary.coverage(design, 24, 7, profile=False)
    assert shares["fitted"] == 1
    assert shares["wald_low"] >= 20 / 24
    assert shares["wald_high"] >= 20 / 24
    assert 0.88 <= shares["listener_predictor"] <= 0.99


def test_the_table_of_the_long_form_covers_as_the_docstrings_say(references):
    about = json.loads((references / "binary_coverage.json").read_text(encoding="utf-8"))
    with (references / "binary_coverage.csv").open(encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    assert len(rows) == len(simulate_binary.GRID)
    assert about["studies"] >= 100
    for row in rows:
        for name in simulate_binary.PARTS:
            # Three Monte Carlo errors below .95, and .03 more for approximate likelihoods of few listeners and clips.
            assert float(row[name]) >= 0.95 - 3 * (0.95 * 0.05 / about["studies"]) ** 0.5 - 0.03, (name, row)


@pytest.mark.long
@pytest.mark.parametrize("design", simulate_binary.GRID)
def test_every_interval_of_the_grid(design):
    shares = simulate_binary.coverage(design, 100, 8)
    assert min(shares[name] for name in simulate_binary.PARTS) >= 0.84
