"""What plans promise against whole studies: the short form of simulate_promises.py, and what its table says."""

import csv
import importlib.util
from math import sqrt
from pathlib import Path

import pytest

SCRIPT = Path(__file__).with_name("simulate_promises.py")
TABLE = Path(__file__).parents[1] / "references" / "stats" / "promised_chances.csv"
ERRORS = ("sides", "unequal", "biased")
"""Rows about how often a word is said where it is false: what is promised there is alpha, at most."""


@pytest.fixture(scope="module")
def script():
    spec = importlib.util.spec_from_file_location("simulate_promises", SCRIPT)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="module")
def stored():
    with TABLE.open(encoding="utf-8") as file:
        return list(csv.DictReader(file))


def apart(row):
    """Return how many standard errors a share lies above the promised one, of as many studies at that chance."""
    promised, found, studies = float(row["promised"]), float(row["found"]), int(row["studies"])
    return (found - promised) / sqrt(max(promised * (1 - promised), 1 / studies) / studies)


def test_what_one_listener_is_promised_is_what_every_count_ends_as(script):
    rows = [*script.of_one_listener(0), *script.of_named_pairs(0)]
    assert len(rows) == 23
    for row in rows:
        assert row["found"] == pytest.approx(row["promised"], abs=2e-5), row


def test_several_end_as_often_as_they_were_promised(script):
    """50 studies a cell, each through the whole conclusion; four standard errors, the seed is fixed."""
    rows = list(script.of_several_listeners(50))
    assert len(rows) == 16
    assert max(abs(apart(row)) for row in rows) < 4


def test_every_kind_was_compared_and_none_is_off(stored):
    """Of some seventy cells one may lie beyond three standard errors by chance; none was seen beyond four."""
    simulated = [row for row in stored if int(row["studies"]) and not any(one in row["kind"] for one in ERRORS)]
    kinds = {row["kind"].split(",")[0] for row in simulated}
    assert kinds == {
        "heard", "preferred", "attribute", "keeps listening", "scale", "small impairment", "contrast", "survival",
        "unreliable labels", "stages", "stage pairs",
    }  # fmt: skip
    far = sorted(apart(row) for row in simulated)
    assert -4 < far[0] <= far[-1] < 4
    assert sum(abs(one) > 3 for one in far) <= 1
    # None of them is off one way as a whole, either: sums of so many independent cells are normal.
    assert abs(sum(far)) / sqrt(len(far)) < 3.3


def test_words_of_unequal_and_of_biased_listeners_err_as_told(stored):
    """With alike listeners no word errs oftener than stated; where they differ, as design_effect.py says."""
    rows = {(row["kind"], row["plan"]): row for row in stored if "unequal" in row["kind"] or "biased" in row["kind"]}
    assert len(rows) == 12
    differing = {
        key: float(row["found"]) for key, row in rows.items() if key[1].endswith(("SD 0.2", "SD 0.25", "SD 0.5"))
    }
    assert max(apart(row) for key, row in rows.items() if key not in differing) < 3
    assert list(differing.values()) == pytest.approx([0.0985, 0.069, 0.105])


def test_a_panels_side_is_one_of_these_listeners(stored):
    """The numbers that preference.py, attribute.py and the guide quote."""

    def rate(kind, listeners, sd, whose="people"):
        (row,) = [
            row
            for row in stored
            if row["kind"] == kind
            and row["plan"].startswith(f"{listeners} listeners,")
            and row["plan"].endswith(f"SD {sd}")
            and row["truth"].endswith(whose)
        ]
        return float(row["found"])

    assert [rate("preferred, sides", n, 0.2) for n in (3, 8, 20)] == pytest.approx([0.282, 0.0855, 0.003])
    fallen = [rate("preferred, sides if differing were no word", n, 0.2) for n in (3, 8, 20)]
    assert fallen == pytest.approx([0.282, 0.278, 0.021])
    these = [rate("preferred, sides", n, sd, "these listeners") for n in (3, 8, 20) for sd in (0.1, 0.2, 0.3)]
    assert max(these) == pytest.approx(0.0205, abs=1e-4)
    assert [rate("attribute, sides", n, 1) for n in (3, 8)] == pytest.approx([0.3365, 0.222])
    assert max(rate("attribute, sides", n, 1, "these listeners") for n in (3, 8, 20)) == pytest.approx(0.012, abs=1e-4)
