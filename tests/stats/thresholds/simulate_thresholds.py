"""How often intervals of thresholds and slopes hold the truth, and how staircase averages lie to it.

    python tests/stats/thresholds/simulate_thresholds.py      (some minutes; writes tests/references/stats/thresholds_*)

Whether a profile interval holds the true value needs no limits: it does if the best log-likelihood at that value lies
within z^2/2 of the very best. The tests run a short form.
"""

import argparse
import csv
import datetime
import json
from pathlib import Path

import numpy as np
import pandas as pd

from blindtest.stats.profile_likelihood import allowed_loss
from blindtest.stats.thresholds import (
    ThresholdPriors,
    deviance_bootstrap,
    fit_threshold,
    staircase_average,
    threshold_posterior,
    up_down_target,
)
from blindtest.stats.thresholds.answers import LevelCounts
from blindtest.stats.thresholds.curves import CURVES
from blindtest.stats.thresholds.fitting import Fitting

SEED = 20261125
REFERENCES = Path(__file__).parents[2] / "references" / "stats"
FIELDS = ("what", "design", "truth", "kind", "value", "std_error", "studies")
GUESS, PROPORTION = 0.5, 0.75


def chance(levels: np.ndarray, link: str, slope: float, lapse: float) -> np.ndarray:
    """Return the true chance to be right; 75 % right at level 0."""
    curve = CURVES[link]
    anchor = float(curve.inverse(np.array((PROPORTION - GUESS) / (1 - GUESS - lapse))))
    return GUESS + (1 - GUESS - lapse) * curve.value(anchor + slope * levels)


def profile_coverage(
    levels: int, trials: int, link: str, slope: float, lapse: float, free: bool, studies: int, rng: np.random.Generator
) -> list[dict]:
    """Coverage of threshold and slope with fixed levels from -2 to 2, 75 % right in their middle."""
    x = np.linspace(-2, 2, levels)
    p, n, allowed = chance(x, link, slope, lapse), np.full(levels, float(trials)), allowed_loss(0.95)
    threshold, slopes = [], []
    while len(threshold) < studies:
        counts = LevelCounts(level=x, correct=rng.binomial(trials, p).astype(float), trials=n)
        if counts.correct.sum() in (0, n.sum()):
            continue
        fitting = Fitting(counts, link, GUESS, None if free else lapse)
        place = (0 - fitting.centre) / fitting.scale
        threshold.append(fitting.threshold_profile(place, PROPORTION) >= fitting.best - allowed)
        slopes.append(fitting.slope_profile(slope * fitting.scale) >= fitting.best - allowed)
    design = f"{levels} levels x {trials} trials, {link}, lapse {'estimated' if free else 'fixed'}"
    truth = f"slope {slope:g}, lapse {lapse:g}"
    return [
        row("threshold profile interval", design, truth, "coverage", threshold),
        row("slope profile interval", design, truth, "coverage", slopes),
    ]


def posterior_coverage(trials: int, studies: int, rng: np.random.Generator) -> list[dict]:
    """Coverage of the posterior's threshold where place, slope and lapse are drawn from the priors themselves."""
    x = np.linspace(-2, 2, 6)
    priors = ThresholdPriors(place=(0.0, 1.0), slope=(1.5, 0.5))
    held = []
    for _ in range(studies):
        place, slope = rng.normal(0, 1), float(np.exp(rng.normal(np.log(1.5), 0.5)))
        lapse = 1.0
        while lapse > 0.06:
            lapse = rng.beta(*priors.lapse)
        p = GUESS + (1 - GUESS - lapse) * CURVES["normal"].value(slope * (x - place))
        table = pd.DataFrame({"level": x, "correct": rng.binomial(trials, p), "trials": trials})
        found = threshold_posterior(table, link="normal", guess=GUESS, priors=priors).threshold(0.75)
        true = place + float(CURVES["normal"].inverse(np.array(0.25 / (0.5 - lapse)))) / slope
        held.append(found.interval[0] <= true <= found.interval[1])
    design = f"6 levels x {trials} trials, normal, priors true"
    return [row("threshold posterior interval", design, "drawn from the priors", "coverage", held)]


def goodness(trials: int, studies: int, draws: int, rng: np.random.Generator) -> list[dict]:
    """Type I error of both tests of fit."""
    x = np.linspace(-2, 2, 6)
    p = chance(x, "normal", 1.5, 0.0)
    chi2, bootstrap = [], []
    for study in range(studies):
        table = pd.DataFrame({"level": x, "correct": rng.binomial(trials, p), "trials": trials})
        fit = fit_threshold(table, link="normal", guess=GUESS, lapse=0.0)
        chi2.append(fit.deviance_p_value <= 0.05)
        bootstrap.append(deviance_bootstrap(fit, simulations=draws, seed=study).p_value <= 0.05)
    design = f"6 levels x {trials} trials, normal, lapse fixed"
    return [
        row("deviance by chi-square", design, "slope 1.5, lapse 0", "type I", chi2),
        row(f"deviance by bootstrap of {draws}", design, "slope 1.5, lapse 0", "type I", bootstrap),
    ]


def track(trials: int, start: float, rng: np.random.Generator) -> list[float]:
    """Return the levels of a two-down one-up track; steps 2, 1, then 1/2 after the first two reversals."""
    levels, level, step, run, direction, turns = [], start, 2.0, 0, 0, 0
    for _ in range(trials):
        levels.append(level)
        right = rng.random() < chance(np.array([level]), "normal", 1.0, 0.0)[0]
        run = run + 1 if right else 0
        move = -1 if run == 2 else 0 if right else 1
        if move:
            run = 0
            if direction and move != direction:
                turns += 1
                step = max(step / 2, 0.5)
            direction = move
            level += move * step
    return levels


def staircases(tracks: int, trials: int, studies: int, rng: np.random.Generator) -> list[dict]:
    """Bias of the average of late reversals, and coverage of its interval, of the level it is meant to settle at."""
    target = up_down_target(down=2)
    true = float(CURVES["normal"].inverse(np.array((target - GUESS) / (1 - GUESS)))) - float(
        CURVES["normal"].inverse(np.array((PROPORTION - GUESS) / (1 - GUESS)))
    )
    errors, held = [], []
    for _ in range(studies):
        rows = [(i, level) for i in range(tracks) for level in track(trials, 4.0, rng)]
        found = staircase_average(pd.DataFrame(rows, columns=["track", "level"]), down=2)
        errors.append(found.estimate - true)
        held.append(found.interval[0] <= true <= found.interval[1])
    design = f"{tracks} tracks x {trials} trials, two down one up"
    bias = row("staircase average minus target", design, "normal, slope 1, last step 0.5", "bias", errors)
    return [bias, row("staircase interval", design, "normal, slope 1, last step 0.5", "coverage", held)]


def row(what: str, design: str, truth: str, kind: str, values: list) -> dict:
    """Return a row of the table with its Monte Carlo standard error."""
    data = np.asarray(values, dtype=float)
    error = float(data.std() / np.sqrt(len(data)))
    return dict(
        zip(FIELDS, (what, design, truth, kind, round(float(data.mean()), 4), round(error, 4), len(data)), strict=True)
    )


def main() -> None:
    """Write the tables."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--studies", type=int, default=200)
    studies = parser.parse_args().studies
    rng = np.random.default_rng(SEED)
    rows: list[dict] = []
    for levels, trials in ((5, 10), (6, 20), (8, 40)):
        rows += profile_coverage(levels, trials, "normal", 1.5, 0.0, False, studies, rng)
        rows += profile_coverage(levels, trials, "normal", 1.5, 0.02, True, studies, rng)
    for slope in (0.7, 4.0):
        rows += profile_coverage(6, 20, "normal", slope, 0.02, True, studies, rng)
    for link in ("logistic", "weibull"):
        rows += profile_coverage(6, 20, link, 1.5, 0.02, False, studies, rng)
    rows += posterior_coverage(10, studies // 2, rng)
    for trials in (10, 40):
        rows += goodness(trials, studies // 2, 99, rng)
    for tracks, trials in ((3, 40), (6, 80)):
        rows += staircases(tracks, trials, studies, rng)
    with (REFERENCES / "thresholds_error_rates.csv").open("w", newline="", encoding="utf-8") as file:
        writer = csv.DictWriter(file, FIELDS)
        writer.writeheader()
        writer.writerows(rows)
    (REFERENCES / "thresholds_error_rates.json").write_text(
        json.dumps(
            {
                "id": "thresholds_error_rates",
                "source": {
                    "script": "tests/stats/thresholds/simulate_thresholds.py",
                    "seed": SEED,
                    "studies": studies,
                },
                "date": datetime.date.today().isoformat(),
                "least_coverage": least(rows),
            },
            indent=1,
        )
        + "\n",
        encoding="utf-8",
    )


def least(rows: list[dict]) -> dict:
    """Return the least coverage of each thing, with its cell."""
    found: dict[str, dict] = {}
    for one in rows:
        if one["kind"] == "coverage" and (one["what"] not in found or one["value"] < found[one["what"]]["value"]):
            found[one["what"]] = {name: one[name] for name in ("value", "std_error", "design", "truth")}
    return found


if __name__ == "__main__":
    main()
