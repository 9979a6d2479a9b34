"""How often the intervals of a proportion hold the truth: exact, by adding up every possible count.

    python tests/stats/simulate_coverage.py

No random numbers are needed: with n trials there are n + 1 counts, and an interval either holds a true proportion or
not. Printed for each interval, number of trials and level: the least and the mean coverage over 999 true proportions.
The tests run the short form. `--panel` simulates what no enumeration gives: how often at least one of several guessing
listeners is named, with and without the adjustment.
"""

import argparse

import numpy as np
from scipy.stats import binom

from blindtest.stats import adjust_p_values, discrimination_test
from blindtest.stats.binomial import INTERVALS, lower_limit, upper_limit

GRID = np.arange(1, 1000) / 1000


def coverage(name: str, trials: int, level: float, grid: np.ndarray = GRID) -> np.ndarray:
    """Return the probability that the interval holds each true proportion of `grid`."""
    counts = np.arange(trials + 1)
    limits = np.array([_limits(name, int(k), trials, level) for k in counts])
    held = (limits[:, :1] <= grid) & (grid <= limits[:, 1:])
    return np.sum(binom.pmf(counts[:, None], trials, grid) * held, axis=0)


def _limits(name: str, correct: int, trials: int, level: float) -> tuple[float, float]:
    if name in ("lower limit", "lower limit, mid-p"):
        return lower_limit(correct, trials, level, mid_p=name.endswith("mid-p")), 1.0
    if name == "upper limit":
        return 0.0, upper_limit(correct, trials, level)
    return INTERVALS[name](correct, trials, level)


def panel(listeners: int, trials: int, studies: int, rng: np.random.Generator) -> tuple[float, float]:
    """Return how often a panel of guessers names somebody at 5 %: by bare p values, and by Holm's."""
    p_of = np.array([discrimination_test(k, trials).p_value for k in range(trials + 1)])
    p = p_of[rng.binomial(trials, 0.5, (studies, listeners))]
    adjusted = np.array([adjust_p_values(row) for row in p])
    return float(np.mean(p.min(axis=1) <= 0.05)), float(np.mean(adjusted.min(axis=1) <= 0.05))


def main() -> None:
    """Print the tables."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--panel", action="store_true", help="simulate panels of guessers too (seed 1)")
    options = parser.parse_args()
    print(f"{'interval':20} {'n':>4} {'level':>6} {'least':>7} {'mean':>7}")
    for name in (*INTERVALS, "lower limit", "upper limit", "lower limit, mid-p"):
        for trials in (8, 16, 28, 50, 100):
            for level in (0.9, 0.95, 0.99):
                held = coverage(name, trials, level)
                print(f"{name:20} {trials:4} {level:6} {held.min():7.4f} {held.mean():7.4f}")
    if options.panel:
        rng = np.random.default_rng(1)
        for listeners, trials in ((10, 16), (20, 28)):
            bare, holm = panel(listeners, trials, 20_000, rng)
            print(f"{listeners} guessers, {trials} trials: somebody named {bare:.3f} bare, {holm:.3f} with Holm")


if __name__ == "__main__":
    main()
