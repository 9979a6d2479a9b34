"""How often tests of panels and ranks err, and intervals hold the truth: by simulation over a grid.

    python tests/stats/simulate_ranks.py [--studies 1000] [--only NAME ...] [--out FOLDER]

Writes rank_error_rates.csv (a row per figure: what, design, nominal, found, Monte Carlo error, studies) and
rank_error_rates.json (seed, date, versions, the worst cells) into the folder of references. `--only` runs some of the
families and prints them. The tests run short forms of the same functions.
"""

import argparse
import json
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pandas as pd

from blindtest.stats import (
    agreement,
    assessor_expertise,
    fit_cumulative_link,
    fit_heterogeneous_preferences,
    friedman_test,
    median_difference_test,
    planned_contrasts,
    repeated_measures,
    signed_rank_test,
)

SEED = 20261125
Row = tuple[str, str, float, float, int]
"""What, design, nominal, found, studies."""


def long(values: np.ndarray) -> pd.DataFrame:
    """Return (listeners, devices) scores as a table."""
    n, k = values.shape
    return pd.DataFrame(
        {
            "listener": np.repeat([f"L{i:03}" for i in range(n)], k),
            "device": np.tile([f"D{j}" for j in range(k)], n),
            "rating": values.ravel(),
        }
    )


def agreement_intervals(studies: int, rng: np.random.Generator) -> Iterator[Row]:
    """Coverage of the intervals of a single rating's correlation: targets, judges and error normal."""
    for targets, judges in ((6, 4), (20, 4), (8, 20)):
        for icc in (0.2, 0.6):
            judge = 0.15  # share of the spread between judges
            held = np.zeros(2)
            for _ in range(studies):
                effect = rng.normal(0, np.sqrt(icc), (targets, 1))
                error = rng.normal(0, np.sqrt(1 - icc - judge), (targets, judges))
                both = agreement(effect + rng.normal(0, np.sqrt(judge), (1, judges)) + error).icc
                held[0] += both.loc["ICC(2,1)", "ci_low"] <= icc <= both.loc["ICC(2,1)", "ci_high"]
                third = icc / (1 - judge)
                held[1] += both.loc["ICC(3,1)", "ci_low"] <= third <= both.loc["ICC(3,1)", "ci_high"]
            for form, count in zip(("ICC(2,1)", "ICC(3,1)"), held, strict=True):
                yield f"{form} interval", f"{targets} targets, {judges} judges, {icc}", 0.95, count / studies, studies


def friedman(studies: int, rng: np.random.Generator) -> Iterator[Row]:
    """Type I error: whole-number ratings with ties, no difference of devices."""
    for blocks, k in ((5, 3), (6, 4), (24, 6)):
        found = np.zeros(3)
        exact = False
        for _ in range(studies):
            values = np.round(rng.normal(0, 3, (blocks, k)) + rng.normal(0, 5, (blocks, 1)))
            result = friedman_test(long(values))
            exact = exact or result.exact
            found += np.nan_to_num([result.p_value, result.p_chi_square, result.p_f], nan=1.0) <= 0.05
        names = ("exact" if exact else "chi-square, as printed", "chi-square", "F")
        for name, count in zip(names, found, strict=True):
            yield f"Friedman, {name}", f"{blocks} blocks of {k}, ties", 0.05, count / studies, studies


def signed_ranks(studies: int, rng: np.random.Generator) -> Iterator[Row]:
    """Type I error and coverage: normal differences as they are and rounded (ties, zeros)."""
    for n in (6, 12, 24):
        for name, rounded in (("normal", False), ("rounded", True)):
            errors = held = 0
            for _ in range(studies):
                d = rng.normal(0, 2, n)
                d = np.round(d) if rounded else d
                errors += signed_rank_test(d).p_value <= 0.05
                low, high = signed_rank_test(d).interval
                held += low <= 0 <= high
            yield "signed ranks, type I", f"{n} differences, {name}", 0.05, errors / studies, studies
            yield "signed ranks, interval", f"{n} differences, {name}", 0.95, held / studies, studies


def medians(studies: int, rng: np.random.Generator) -> Iterator[Row]:
    """Type I error of the permutation test of medians, ratings with listeners' own levels."""
    for n in (8, 20):
        for paired in (False, True):
            errors = 0
            for seed in range(studies):
                own = rng.normal(50, 10, n) if paired else 50.0
                x, y = own + rng.normal(0, 8, n), own + rng.normal(0, 8, n)
                result = median_difference_test(np.round(x), np.round(y), paired=paired, draws=999, seed=seed)
                errors += result.p_value <= 0.05
            name = "paired" if paired else "pooled"
            yield f"medians, {name}", f"{n} and {n} whole ratings", 0.05, errors / studies, studies


def repeated(studies: int, rng: np.random.Generator) -> Iterator[Row]:
    """Type I error of each approach, with equal spread and with spreads 1, 1.5, 2 ... of the devices."""
    for listeners, k in ((10, 3), (24, 6), (45, 4)):
        for name, spread in (("equal spread", np.ones(k)), ("unequal spread", 1 + 0.5 * np.arange(k))):
            found = np.zeros(4)
            for _ in range(studies):
                values = rng.normal(0, 2, (listeners, 1)) + rng.normal(0, 1, (listeners, k)) * spread
                row = repeated_measures(long(values)).effects.loc["device"]
                found += [row[c] <= 0.05 for c in ("p_value", "p_hf", "p_multivariate", "p_by_rule")]
            names = ("uncorrected", "Huynh-Feldt", "multivariate", "by the rule")
            for what, count in zip(names, found, strict=True):
                design = f"{listeners} listeners, {k} devices, {name}"
                yield f"repeated measures, {what}", design, 0.05, count / studies, studies


def contrasts(studies: int, rng: np.random.Generator) -> Iterator[Row]:
    """Coverage of single intervals and error of the family of three planned contrasts (Hochberg)."""
    for listeners in (6, 20):
        held, errors = 0.0, 0
        for _ in range(studies):
            rows = planned_contrasts(long(rng.normal(0, 1, (listeners, 4))), [("D0", "D1"), ("D0", "D2"), ("D0", "D3")])
            held += ((rows["ci_low"] <= 0) & (rows["ci_high"] >= 0)).mean()
            errors += rows["p_adjusted"].min() <= 0.05
        yield "planned contrasts, interval", f"{listeners} listeners", 0.95, held / studies, 3 * studies
        yield "planned contrasts, family", f"{listeners} listeners, 3 contrasts", 0.05, errors / studies, studies


def cumulative_panel(listeners: int, rows: int, sd: float, beta: float, rng: np.random.Generator) -> pd.DataFrame:
    """Return five-category answers of listeners with a random level, two devices."""
    device = np.tile([0, 1], listeners * rows // 2)
    latent = np.repeat(rng.normal(0, sd, listeners), rows) + beta * device + rng.logistic(size=len(device))
    return pd.DataFrame(
        {
            "listener": np.repeat([f"L{i:03}" for i in range(listeners)], rows),
            "device": np.array(["A", "B"])[device],
            "rating": np.digitize(latent, [-1.5, -0.5, 0.5, 1.5]),
        }
    )


def cumulative(studies: int, rng: np.random.Generator) -> Iterator[Row]:
    """Coverage of a coefficient, type I error of its likelihood-ratio test and of that of the variance."""
    for listeners in (8, 24):
        for sd in (0.0, 1.0):
            held = errors = spread = 0
            for _ in range(studies):
                table = cumulative_panel(listeners, 10, sd, 0.8, rng)
                result = fit_cumulative_link("rating ~ device", table, random={"listener": "1"})
                row = result.coefficients.iloc[0]
                held += row["ci_low"] <= 0.8 <= row["ci_high"]
                assert result.random_test is not None
                spread += result.random_test.p_value <= 0.05
                none = cumulative_panel(listeners, 10, sd, 0.0, rng)
                null = fit_cumulative_link("rating ~ device", none, random={"listener": "1"})
                errors += null.term_tests()["p_value"].iloc[0] <= 0.05
            design = f"{listeners} listeners of 10 answers, SD {sd:g}"
            yield "cumulative link, interval", design, 0.95, held / studies, studies
            yield "cumulative link, term's type I", design, 0.05, errors / studies, studies
            if sd == 0:
                yield "cumulative link, variance's type I", design, 0.05, spread / studies, studies


def preferences(listeners: int, clips: int, tau: float, rng: np.random.Generator, *, items: int = 4) -> pd.DataFrame:
    """Return comparisons of all pairs by listeners with strengths of their own, ties among them."""
    first, second = np.array([(i, j) for i in range(items) for j in range(i)]).T
    rows = len(first) * listeners * clips
    who = np.repeat(np.arange(listeners), len(first) * clips)
    where = np.tile(np.repeat(np.arange(clips), len(first)), listeners)
    first, second = np.tile(first, listeners * clips), np.tile(second, listeners * clips)
    turn = rng.random(rows) < 0.5
    first, second = np.where(turn, first, second), np.where(turn, second, first)
    strengths = np.linspace(0.6, -0.6, items) + rng.normal(0, tau, (listeners, items))
    x = strengths[who, first] - strengths[who, second] + 0.2
    weights = np.stack((np.exp(x / 2), np.exp(-x / 2), np.full(rows, 0.4)))
    chosen = (rng.random(rows) > np.cumsum(weights / weights.sum(axis=0), axis=0)).sum(axis=0)
    names = np.array(list("ABCDEFGH"))
    return pd.DataFrame(
        {
            "listener": [f"L{i:03}" for i in who],
            "clip": [f"c{i}" for i in where],
            "first": names[first],
            "second": names[second],
            "outcome": np.array(["first", "second", "tie"])[chosen],
        }
    )


def heterogeneity(studies: int, rng: np.random.Generator) -> Iterator[Row]:
    """Coverage of a difference in the population, and type I error of the test of listeners' spread."""
    for listeners, clips in ((8, 3), (24, 3)):
        for tau in (0.0, 0.8):
            held = spread = 0
            taus = []
            for _ in range(studies):
                result = fit_heterogeneous_preferences(preferences(listeners, clips, tau, rng), parts=("listener",))
                low, high = result.difference("A", "D")[2]
                held += low <= 1.2 <= high
                spread += result.parts["p_value"].iloc[0] <= 0.05
                taus.append(float(result.parts["standard_deviation"].iloc[0]))
            design = f"{listeners} listeners, 4 items, {clips} clips, SD {tau:g}"
            yield "heterogeneity, interval of a difference", design, 0.95, held / studies, studies
            if tau == 0:
                yield "heterogeneity, spread's type I", design, 0.05, spread / studies, studies
            else:
                yield "heterogeneity, mean of the estimated SD", design, tau, float(np.mean(taus)), studies


def expertise(studies: int, rng: np.random.Generator) -> Iterator[Row]:
    """How often a guesser passes the noise floor, with whole ratings and with ties."""
    for stimuli, name, top in ((4, "0 to 100", 101), (10, "1 to 5", 5)):
        listeners = np.repeat([f"L{i:04}" for i in range(studies)], 2 * stimuli)
        table = pd.DataFrame(
            {
                "listener": listeners,
                "device": np.tile([f"D{j}" for j in range(stimuli)], 2 * studies),
                "rating": rng.integers(0, top, len(listeners)),
            }
        )
        passed = assessor_expertise(table, stimulus="device", permutations=199).listeners["above_floor"].mean()
        yield "expertise, guesser passes", f"{stimuli} stimuli twice, {name}", 0.05, float(passed), studies


FAMILIES: dict[str, tuple[Callable[[int, np.random.Generator], Iterator[Row]], float]] = {
    "agreement": (agreement_intervals, 1.0),
    "friedman": (friedman, 1.0),
    "signed-ranks": (signed_ranks, 2.0),
    "medians": (medians, 2.0),
    "repeated": (repeated, 1.0),
    "contrasts": (contrasts, 1.0),
    "cumulative": (cumulative, 0.4),
    "heterogeneity": (heterogeneity, 0.3),
    "expertise": (expertise, 1.0),
}
"""With the share of `--studies` that each runs, by what a study costs."""


def table_of(names: list[str], studies: int) -> pd.DataFrame:
    """Return all figures of these families."""
    rows = []
    for name in names:
        function, share = FAMILIES[name]
        rng = np.random.default_rng([SEED, list(FAMILIES).index(name)])
        for what, design, nominal, found, count in function(max(20, round(share * studies)), rng):
            error = np.sqrt(nominal * (1 - nominal) / count) if "mean of" not in what else np.nan
            rows.append((what, design, nominal, round(found, 4), round(float(error), 4), count))
    return pd.DataFrame(rows, columns=["what", "design", "nominal", "found", "monte_carlo_error", "studies"])


def main() -> None:
    """Print the table, and write it where all families were run."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--studies", type=int, default=1000)
    parser.add_argument("--only", nargs="+", choices=list(FAMILIES))
    parser.add_argument("--out", type=Path, default=Path(__file__).parents[1] / "references" / "stats")
    options = parser.parse_args()
    table = table_of(options.only or list(FAMILIES), options.studies)
    print(table.to_string(index=False))
    if not options.only:
        write(table, options.out, options.studies)


def write(table: pd.DataFrame, folder: Path, studies: int) -> None:
    """Write the table, and the record beside it."""
    table.to_csv(folder / "rank_error_rates.csv", index=False)
    away = (table["found"] - table["nominal"]) / table["monte_carlo_error"]
    liberal = table[((table["nominal"] < 0.5) & (away > 3)) | ((table["nominal"] > 0.5) & (away < -3))]
    record = {
        "made_by": f"python tests/stats/simulate_ranks.py --studies {studies}",
        "seed": SEED,
        "date": datetime.now(UTC).date().isoformat(),
        "numpy": np.__version__,
        "studies": studies,
        "beyond_three_monte_carlo_errors": liberal.to_dict(orient="records"),
    }
    (folder / "rank_error_rates.json").write_text(json.dumps(record, indent=1) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
