"""How often several listeners' preferences end as *negligible* where their mean lies at the margin, and where there is
none: by all answers together, and by limits widened by how much listeners differ.

    python tests/stats/simulate_design_effect.py [--studies 2000] [--out FOLDER]

Listeners' own preferences are drawn from a beta distribution with the stated mean and SD (0: all alike); at SD .3
around a mean near 1/2 that is close to two camps. Writes preference_scatter.csv into the folder of references.
"""

import argparse
import csv
from pathlib import Path

import numpy as np

from blindtest.stats import conclude_preference

SEED = 20261126
PANELS = (
    (2, 30, 0.2), (3, 20, 0.2), (5, 12, 0.2), (5, 20, 0.15), (8, 12, 0.15), (12, 10, 0.15), (20, 10, 0.1),
    (20, 4, 0.2), (40, 2, 0.15),
)  # fmt: skip
"""Listeners, pairs each, margin."""
SCATTER = (0.0, 0.1, 0.2, 0.3)
COLUMNS = ("listeners", "pairs_each", "margin", "sd", "mean", "negligible_together", "negligible", "studies")


def negligible(listeners, pairs, margin, sd, mean, studies, rng):
    """Return how often all answers together, and the word itself, say *negligible*."""
    own = np.full((studies, listeners), mean)
    if sd:
        size = mean * (1 - mean) / sd**2 - 1
        own = rng.beta(mean * size, (1 - mean) * size, (studies, listeners))
    found = np.zeros(2)
    for wins in rng.binomial(pairs, own):
        total = int(wins.sum())
        each = [(int(won), pairs - int(won)) for won in wins]
        one = conclude_preference(total, listeners * pairs - total, margin=margin, by_listener=each)
        found += (one.word == "negligible" or one.listeners_differ, one.word == "negligible")
    return found / studies


def rows(studies, panels=PANELS, scatter=SCATTER, seed=SEED):
    """Return a row for each panel, scatter and mean: at the margin, then 1/2."""
    rng = np.random.default_rng(seed)
    out = []
    for listeners, pairs, margin in panels:
        for sd in scatter:
            for mean in (0.5 + margin, 0.5):
                together, word = negligible(listeners, pairs, margin, sd, mean, studies, rng)
                out.append((listeners, pairs, margin, sd, mean, round(together, 4), round(word, 4), studies))
    return out


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--studies", type=int, default=2000)
    parser.add_argument("--out", type=Path, default=Path(__file__).parents[1] / "references" / "stats")
    asked = parser.parse_args()
    with (asked.out / "preference_scatter.csv").open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(COLUMNS)
        for row in rows(asked.studies):
            writer.writerow(row)
            print(*row)
