"""How often several listeners' right answers end as *negligible* where their mean share heard is the margin: by all
answers together, and by the word, which must withstand how much they differ.

    python tests/stats/simulate_heard_scatter.py [--studies 4000] [--out FOLDER]

`people`: "camps": of all people half hear twice the margin's share of trials and half nothing, listeners are drawn
from them; "halves": the panel itself is half of each; "alike": all hear the margin's share; "guessing": nobody hears
anything. Writes heard_scatter.csv into the folder of references.
"""

import argparse
import csv
from pathlib import Path

import numpy as np
from scipy.stats import beta, binom

from blindtest.stats import decision_rule

SEED = 20261126
PANELS = ((2, 28), (3, 20), (8, 16), (20, 10), (20, 28))
"""Listeners, trials each."""
MARGINS = (0.5, 0.3, 0.2)
METHODS = ("abx", "triangle")
PEOPLE = ("camps", "halves", "alike", "guessing")
COLUMNS = ("method", "listeners", "trials_each", "margin", "people", "together", "negligible", "studies")


def shares(people, listeners, margin, studies, rng):
    """Return the share of trials that each listener hears, (studies, listeners)."""
    if people == "camps":
        return np.where(rng.random((studies, listeners)) < 0.5, 2 * margin, 0.0)
    if people == "halves":
        return np.tile(np.where(np.arange(listeners) % 2, 2 * margin, 0.0), (studies, 1))
    return np.full((studies, listeners), margin if people == "alike" else 0.0)


def words(right, trials, guess, margin):
    """Return which studies are negligible by all answers together, and which by the word."""
    listeners, of = right.shape[1], right.shape[1] * trials
    total = right.sum(axis=1)
    p = total / of
    between = listeners / (listeners - 1) * ((right - trials * p[:, None]) ** 2).sum(axis=1) / of**2
    within = p * (1 - p) / of
    effect = np.maximum(1.0, np.divide(between, within, out=np.ones(len(p)), where=within > 0))
    at_margin = guess + (1 - guess) * margin
    together = binom.cdf(total, of, at_margin) <= 0.05
    fewer = np.where(total < of, beta.sf(at_margin, total / effect + 1, np.maximum(of - total, 0.5) / effect), 1.0)
    return together, together & (fewer <= 0.05)


def rows(studies, panels=PANELS, margins=MARGINS, methods=METHODS, people=PEOPLE, seed=SEED):
    """Return a row for each method, panel, margin and people."""
    rng = np.random.default_rng(seed)
    out = []
    for method in methods:
        guess = float(decision_rule(method).guess)
        for listeners, trials in panels:
            for margin in margins:
                for who in people:
                    if who == "halves" and listeners % 2:
                        continue
                    heard = shares(who, listeners, margin, studies, rng)
                    right = rng.binomial(trials, guess + (1 - guess) * heard)
                    together, word = (share.mean().round(4).item() for share in words(right, trials, guess, margin))
                    values = (method, listeners, trials, margin, who, together, word, studies)
                    out.append(dict(zip(COLUMNS, values, strict=True)))
    return out


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--studies", type=int, default=4000)
    parser.add_argument("--out", type=Path, default=Path(__file__).parents[1] / "references" / "stats")
    asked = parser.parse_args()
    with (asked.out / "heard_scatter.csv").open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, COLUMNS, lineterminator="\n")
        writer.writeheader()
        writer.writerows(rows(asked.studies))
