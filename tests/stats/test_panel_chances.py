"""Chances of plans of several listeners, against every pair of counts gone through and against simulations of old."""

import csv
from math import sqrt
from pathlib import Path

import numpy as np
import pytest
from scipy.stats import beta, binom, norm

from blindtest.stats import attribute_chances, panel_chances, plan_chances, preference_chances

REFERENCES = Path(__file__).parents[1] / "references" / "stats"


def exact(trials, guess, low, high, tail, at):
    """Chances of each word of two listeners who are alike, by all pairs of counts.

    The rule is written anew from its definition: Rao & Scott 1992, equation 2, for the design effect (never below 1),
    Clopper & Pearson's limits of counts divided by it (Korn & Graubard 1998), scipy's distributions.
    """
    total, counts = 2 * trials, np.arange(trials + 1)
    one = binom.pmf(counts, trials, at)
    a, b = np.meshgrid(counts, counts)
    x, chance = a + b, np.outer(one, one)
    p = x / total
    scatter = 2 * ((a - trials * p) ** 2 + (b - trials * p) ** 2) / total**2
    some = (x > 0) & (x < total)
    effect = np.where(some, np.maximum(1.0, scatter / np.where(some, p * (1 - p) / total, 1.0)), 1.0)
    n, y = total / effect, x / effect
    upper = np.where(x == total, 1.0, beta.ppf(0.95, y + 1, np.maximum(n - y, 1e-9)))
    lower = np.where(x == 0, 0.0, beta.ppf(0.05, np.maximum(y, 1e-9), n - y + 1))
    inside, near_enough = binom.cdf(x, total, high) <= 0.05, upper <= high
    if low is not None:
        inside, near_enough = inside & (binom.sf(x - 1, total, low) <= 0.05), near_enough & (lower >= low)
    differ = inside & ~near_enough
    words = {
        "negligible": inside & near_enough,
        "differ": differ,
        "shown": ~inside & (binom.sf(x - 1, total, guess) <= tail),
        "refuted": ~inside & (binom.cdf(x, total, guess) <= tail),
        "shown and differ": differ & (binom.sf(x - 1, total, guess) <= tail),
    }
    return {word: float(chance[where].sum()) for word, where in words.items()}


def near(chance, expected, studies):
    """Five standard errors; the seed is fixed, so that the same figures come every time."""
    return abs(chance - expected) <= 5 * sqrt(max(expected * (1 - expected), 1 / studies) / studies)


def test_two_who_are_alike_are_heard_as_by_all_pairs_of_counts():
    found = panel_chances("heard", method="abx", listeners=2, trials=28, margin=0.3)
    guessing, heard = (exact(28, 0.5, None, 0.65, 0.05, at) for at in (0.5, 0.65))
    assert near(found.chance_negligible, guessing["negligible"], found.studies)
    assert near(found.chance_shown, heard["shown"] + heard["shown and differ"], found.studies)
    pooled = plan_chances(56, method="abx", margin=0.3)
    assert guessing["negligible"] < pooled.chance_negligible - 0.05  # what all answers together promise is too much
    assert found.chance_refuted is None


def test_two_who_are_alike_prefer_as_by_all_pairs_of_counts():
    found = panel_chances("preferred", listeners=2, trials=24, margin=0.2)
    middle, more, less = (exact(24, 0.5, 0.3, 0.7, 0.025, at) for at in (0.5, 0.7, 0.3))
    assert near(found.chance_negligible, middle["negligible"], found.studies)
    assert near(found.chance_shown, more["shown"], found.studies)
    assert near(found.chance_refuted, less["refuted"], found.studies)


def test_two_who_are_alike_choose_as_by_all_pairs_of_counts():
    found = panel_chances("attribute", method="2afc", listeners=2, trials=30, margin=0.8)
    high = norm.cdf(0.8 / sqrt(2))
    middle, more = (exact(30, 0.5, 1 - high, high, 0.025, at) for at in (0.5, high))
    assert near(found.chance_negligible, middle["negligible"], found.studies)
    assert near(found.chance_shown, more["shown"] + more["shown and differ"], found.studies)


def test_panels_are_found_as_they_were_simulated_before():
    """heard_scatter.csv: simulate_heard_scatter.py, written before this was, 4,000 studies a row."""
    with (REFERENCES / "heard_scatter.csv").open(encoding="utf-8") as file:
        rows = [row for row in csv.DictReader(file) if row["people"] == "guessing" and row["margin"] == "0.3"]
    assert len(rows) == 10
    for row in rows:
        listeners, trials = int(row["listeners"]), int(row["trials_each"])
        found = panel_chances("heard", method=row["method"], listeners=listeners, trials=trials, margin=0.3)
        assert near(found.chance_negligible, float(row["negligible"]), 4000), row


def test_many_who_are_alike_come_near_the_binomial_sums_and_others_do_not():
    alike = panel_chances("preferred", listeners=40, trials=6, margin=0.15)
    pooled = preference_chances(240, margin=0.15)
    assert alike.chance_negligible == pytest.approx(pooled.chance_negligible, abs=0.03)
    assert alike.chance_shown == pytest.approx(pooled.chance_shown, abs=0.03)
    apart = panel_chances("preferred", listeners=40, trials=6, margin=0.15, spread=0.3)
    assert apart.chance_negligible < alike.chance_negligible - 0.2
    assert "own preferences scatter with SD 0.3" in apart.sentence
    choices = panel_chances("attribute", method="3afc", listeners=12, trials=10, margin=1.0)
    together = attribute_chances(120, method="3afc", margin=1.0)
    assert choices.chance_refuted == pytest.approx(together.chance_refuted, abs=0.03)


def test_what_makes_no_sense_is_refused():
    for wrong, said in (
        ({"listeners": 1}, "two listeners or more"),
        ({"spread": -1}, "0 or more"),
        ({"spread": 0.5}, "less than 0.4"),
        ({"margin": 0.6}, "margin"),
        ({"studies": 0}, "1 or more"),
    ):
        with pytest.raises(ValueError, match=said):
            panel_chances("preferred", **{"listeners": 4, "trials": 10, "margin": 0.2, **wrong})


def test_very_large_panels_are_simulated_less_often():
    found = panel_chances("preferred", listeners=1500, trials=2, margin=0.1)
    assert (found.studies, found.chance_negligible) == (1333, 1.0)
    assert found.to_dict()["sentence"].endswith("(simulated, 1333 studies).")
