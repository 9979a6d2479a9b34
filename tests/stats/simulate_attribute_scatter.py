"""How often choices of what has more of an attribute end as *negligible* where listeners' effect is the margin: by all
answers together, and by the word, which must withstand how much they differ.

    python tests/stats/simulate_attribute_scatter.py [--studies 20000] [--out FOLDER]

Listeners' own d' are normal with the stated SD. `at_margin`: "share": the mean share of choices is that of the margin,
which is what the limits are about; "mean d": the mean of their own d' is the margin. The two part where listeners
differ: the share flattens out. The rule is written from its definition (Rao & Scott 1992; Korn & Graubard 1998) with
scipy's distributions; nothing of blindtest is used. Writes attribute_scatter.csv into the folder of references.
"""

import argparse
import csv
from math import sqrt
from pathlib import Path

import numpy as np
from scipy.special import betainc
from scipy.stats import binom, norm

SEED = 20261126
PANELS = ((2, 30, 1.0), (3, 20, 1.0), (8, 20, 1.0), (20, 20, 1.0), (40, 10, 0.7))
"""Listeners, trials each, margin in d'."""
SPREADS = (0.0, 0.5, 1.0)
COLUMNS = ("listeners", "trials_each", "margin", "sd", "at_margin", "together", "negligible", "studies")


def own_right(listeners, trials, margin, sd, at_margin, studies, rng):
    """Return how often each listener chose what is claimed, of two, (studies, listeners)."""
    # The mean over a normal d' of Phi(d / sqrt 2) is Phi(mean / sqrt(2 + sd^2)).
    mean = margin if at_margin == "mean d" else margin * sqrt((2 + sd**2) / 2)
    own = norm.cdf(rng.normal(mean, sd, (studies, listeners)) / sqrt(2))
    return rng.binomial(trials, own)


def words(right, trials, margin):
    """Return which studies are negligible by all answers together, and which by the word."""
    share = norm.cdf(margin / sqrt(2))
    studies, listeners = right.shape
    count, of = right.sum(axis=1), listeners * trials
    p = count / of
    scatter = listeners / (listeners - 1) * ((right - trials * p[:, None]) ** 2).sum(axis=1) / of**2
    chance = p * (1 - p) / of
    effect = np.maximum(1.0, np.divide(scatter, chance, out=np.ones(studies), where=chance > 0))
    together = (binom.cdf(count, of, share) <= 0.05) & (binom.sf(count - 1, of, 1 - share) <= 0.05)
    n, x = of / effect, count / effect
    fewer = np.where(count >= of, 1.0, betainc(np.maximum(n - x, 1e-9), x + 1, 1 - share))
    more = np.where(count <= 0, 1.0, betainc(np.maximum(x, 1e-9), n - x + 1, 1 - share))
    return together, together & (fewer <= 0.05) & (more <= 0.05)


def rows(studies, panels=PANELS, spreads=SPREADS, seed=SEED):
    """Return a row for each panel, spread and meaning of the margin."""
    rng = np.random.default_rng(seed)
    out = []
    for listeners, trials, margin in panels:
        for sd in spreads:
            for at_margin in ("share", "mean d"):
                right = own_right(listeners, trials, margin, sd, at_margin, studies, rng)
                together, word = (share.mean().round(4).item() for share in words(right, trials, margin))
                values = (listeners, trials, margin, sd, at_margin, together, word, studies)
                out.append(dict(zip(COLUMNS, values, strict=True)))
    return out


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--studies", type=int, default=20_000)
    parser.add_argument("--out", type=Path, default=Path(__file__).parents[1] / "references" / "stats")
    asked = parser.parse_args()
    with (asked.out / "attribute_scatter.csv").open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, COLUMNS, lineterminator="\n")
        writer.writeheader()
        writer.writerows(rows(asked.studies))
