"""How often intervals of the linear mixed model cover, and its tests err, on small panels: made-up ratings.

    python tests/stats/mixed/simulate_inference.py          writes tests/references/stats/mixed_inference_coverage.csv

Three devices rated by a few listeners on a few clips, a share of the ratings missing, no difference between devices;
listeners, clips and listener:device vary. Per cell: 95 % intervals of one contrast that miss zero, F tests of the
device at 5 %, Tukey families of all pairs with an error in them, by Satterthwaite and by Kenward-Roger; and, where
listener:device does not vary in truth, likelihood-ratio tests of its variance at 5 % by the mixture.
"""

import csv
import sys
from datetime import date
from functools import partial
from itertools import product
from pathlib import Path

import numpy as np
import pandas as pd
from scipy.special import chdtrc

from blindtest.stats.mixed.contrasts import contrast_weights
from blindtest.stats.mixed.degrees_of_freedom import joint_test, satterthwaite
from blindtest.stats.mixed.linear import prepare_linear_mixed
from blindtest.stats.mixed.marginal_means import estimates, reference_grid
from blindtest.stats.mixed.studentised_range import range_tail
from blindtest.stats.mixed.terms import term_hypotheses

SEED = 202_611
STUDIES = 1000
LISTENERS, CLIPS = (4, 8, 16), (4,)
SPREADS = {"none": (0.0, 0.0, 0.0), "people": (10.0, 5.0, 0.0), "taste": (10.0, 5.0, 6.0)}
"""Standard deviations of listener, clip, listener:device beside a residual one of 10 points."""
MISSING = 0.15
FULL = {"listener": "1", "clip": "1", "listener:device": "1"}
COLUMNS = (
    "listeners", "clips", "spread", "studies", "miss_satterthwaite", "miss_kenward_roger", "f_satterthwaite",
    "f_kenward_roger", "family_satterthwaite", "family_kenward_roger", "variance_test", "singular", "median_df",
)  # fmt: skip


def panel(listeners, clips, rng):
    """A table without ratings, some rows missing."""
    rows = [(f"L{i:02}", f"c{j}", d) for i, j, d in product(range(listeners), range(clips), "ABC")]
    table = pd.DataFrame(rows, columns=["listener", "clip", "device"])
    return table[rng.random(len(table)) >= MISSING].reset_index(drop=True)


def cell(listeners, clips, spread, studies, rng):
    """Shares of studies with an error of each kind."""
    table = panel(listeners, clips, rng)
    full = prepare_linear_mixed("rating ~ device", table, random=FULL)
    small = prepare_linear_mixed("rating ~ device", table, random={"listener": "1", "clip": "1"})
    codes = [pd.factorize(key)[0] for key in (table["listener"], table["clip"], table["listener"] + table["device"])]
    grid = reference_grid(full.model.encode, full.model.factors)
    pairs = contrast_weights(grid, "device")[2][0]
    hypothesis = term_hypotheses(full.model.spec, grid)["device"]
    counts = dict.fromkeys(COLUMNS[4:], 0.0)
    dfs = []
    for _ in range(studies):
        y = 60 + rng.normal(0, 10, len(table))
        for sd, code in zip(SPREADS[spread], codes, strict=True):
            y = y + sd * rng.normal(size=code.max() + 1)[code]
        fit = full.fit(y)
        counts["singular"] += fit.singular
        adjusted = fit.kenward_roger()
        df_of = partial(
            satterthwaite,
            cov_beta=fit.cov_beta,
            gradient=fit.cov_beta_gradient(),
            phi_covariance=fit.phi_covariance(),
        )
        for name, cov, df, test in (
            ("satterthwaite", fit.cov_beta, df_of, joint_test(hypothesis, fit.beta, fit.cov_beta, df_of)),
            ("kenward_roger", adjusted.cov_adjusted, adjusted.df_of, adjusted.joint_test(hypothesis, fit.beta)),
        ):
            found = estimates(pairs, fit.beta, cov, df, level=0.95)
            counts[f"miss_{name}"] += found["ci_low"][0] > 0 or found["ci_high"][0] < 0
            counts[f"f_{name}"] += test.p_value <= 0.05
            tails = [
                range_tail(np.sqrt(2) * abs(t), 3, nu) for t, nu in zip(found["statistic"], found["df"], strict=True)
            ]
            counts[f"family_{name}"] += min(tails) <= 0.05
        dfs.append(found["df"][0])
        if SPREADS[spread][2] == 0:
            statistic = max(small.fit(y).criterion - fit.criterion, 0.0)
            # Half chi2(0), half chi2(1), as `likelihood_ratio_test` has it.
            counts["variance_test"] += statistic > 0 and chdtrc(1, statistic) / 2 <= 0.05
    shares = {name: count / studies for name, count in counts.items()}
    if SPREADS[spread][2]:
        shares["variance_test"] = float("nan")
    return {
        "listeners": listeners, "clips": clips, "spread": spread, "studies": studies, **shares,
        "median_df": float(np.median(dfs)),
    }  # fmt: skip


def main(studies=STUDIES):
    """The whole grid."""
    out = Path(__file__).parents[2] / "references" / "stats" / "mixed_inference_coverage.csv"
    rng = np.random.default_rng(SEED)
    with out.open("w", newline="", encoding="utf-8") as file:
        file.write(f"# seed {SEED}, {date.today().isoformat()}, {studies} studies a cell\n")
        writer = csv.DictWriter(file, COLUMNS)
        writer.writeheader()
        for listeners, clips, spread in product(LISTENERS, CLIPS, SPREADS):
            row = cell(listeners, clips, spread, studies, rng)
            writer.writerow({name: f"{v:.4g}" if isinstance(v, float) else v for name, v in row.items()})
            file.flush()


if __name__ == "__main__":
    main(*map(int, sys.argv[1:]))
