"""What tests that may end early really do: exact error rates and coverage, without a random number.

    python tests/stats/exact_stopping.py [--out FOLDER]

- the confidence sequence: chance that the true proportion is ever outside, by 100, 300 and 1000 trials;
- the e-process: chance of a guesser to reach 1/alpha by then;
- group sequential plans: stated and real alpha, and the coverage of the stagewise limits, least over true proportions;
- an ordinary p value looked at after every trial, for comparison.

Results are kept in tests/references/stats/stopping_exact.csv; the tests run a short form.
"""

import argparse
import csv
from math import log
from pathlib import Path

import numpy as np
from scipy.special import betaln, xlog1py, xlogy

from blindtest.stats import e_process_stopped, group_sequential, peeking_error, stagewise_result
from blindtest.stats.stopping.walk import stages

REFERENCES = Path(__file__).parents[1] / "references" / "stats"
TRIALS = (100, 300, 1000)
PROPORTIONS = (0.02, 0.05, 0.1, 0.2, 0.3, 1 / 3, 0.4, 0.5, 0.6, 0.75, 0.9, 0.98)


def ever_outside(p: float, level: float, trials: int) -> list[float]:
    """Return, for 1 ... `trials`, the chance that the confidence sequence has left out p by then."""
    limit = -log(1 - level)

    def held(n: int) -> tuple[int, int]:
        k = np.arange(n + 1)
        inside = np.flatnonzero(betaln(k + 1, n - k + 1) - xlogy(k, p) - xlog1py(n - k, -p) < limit)
        return int(inside[0]), int(inside[-1])

    bounds = {n: held(n) for n in range(1, trials + 1)}
    walk = stages(range(1, trials + 1), p, stop_high=lambda n: bounds[n][1] + 1, stop_low=lambda n: bounds[n][0] - 1)
    return np.cumsum([stage.up + stage.down for stage in walk]).tolist()


def least_coverage(looks: tuple[int, ...], spending: str, guess: float) -> tuple[float, float]:
    """Return the real alpha of a plan, and the least coverage of its 95 % limits over true proportions."""
    plan = group_sequential(looks, spending=spending, guess=guess)  # type: ignore[arg-type]
    ends: dict[tuple[int, int], tuple[float, float]] = {}
    least = 1.0
    for p in np.linspace(0.02, 0.98, 49):
        covered = 0.0
        for stage in plan.walk(float(p), futility=False):
            last = stage.trials == looks[-1]
            for place, chance in enumerate(stage.arriving.tolist()):
                k = stage.lowest + place
                if chance > 0 and (last or k >= stage.stop_high):
                    if (k, stage.trials) not in ends:
                        ends[k, stage.trials] = stagewise_result(plan, k, stage.trials).interval
                    low, high = ends[k, stage.trials]
                    covered += chance * (low <= p <= high)
        least = min(least, covered)
    return plan.real_alpha, least


def table() -> list[dict[str, object]]:
    """Return all rows."""
    rows: list[dict[str, object]] = []

    def add(what: str, setting: str, trials: int, stated: float, exact: float) -> None:
        rows.append({"what": what, "setting": setting, "trials": trials, "stated": stated, "exact": round(exact, 6)})

    for level in (0.8, 0.95, 0.99):
        for p in PROPORTIONS:
            outside = ever_outside(p, level, TRIALS[-1])
            for trials in TRIALS:
                add("confidence sequence ever wrong", f"p {p:.4g}", trials, round(1 - level, 4), outside[trials - 1])
    for guess in (1 / 2, 1 / 3):
        for alpha in (0.05, 0.01):
            for trials in TRIALS:
                chance = e_process_stopped(trials, proportion=guess, alpha=alpha, guess=guess)
                add("e-process reaches 1/alpha", f"guess {guess:.4g}", trials, alpha, chance)
                add("p value looked at after every trial", f"guess {guess:.4g}", trials, alpha,
                    peeking_error(trials, alpha=alpha, proportion=guess))  # fmt: skip
        for spending in ("obrien-fleming", "pocock", "linear"):
            for looks in ((20, 40), (10, 20, 30, 40), (20, 40, 60, 80, 100)):
                real, least = least_coverage(looks, spending, guess)
                setting = f"{spending}, guess {guess:.4g}, {len(looks)} looks"
                add("group sequential, real alpha", setting, looks[-1], 0.05, real)
                add("stagewise limits, least coverage", setting, looks[-1], 0.95, least)
    return rows


def main() -> None:
    """Write the table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--out", type=Path, default=REFERENCES)
    options = parser.parse_args()
    rows = table()
    with (options.out / "stopping_exact.csv").open("w", newline="", encoding="utf-8") as out:
        writer = csv.DictWriter(out, fieldnames=list(rows[0]), lineterminator="\n")
        writer.writeheader()
        writer.writerows(rows)


if __name__ == "__main__":
    main()
