"""How often intervals of choices hold the truth and tests reject a true null.

    python tests/stats/simulate_choices.py exact        (a minute; writes tests/references/stats/choices_error_rates.*)
    python tests/stats/simulate_choices.py simulated    (some minutes; writes .../panels_error_rates.*)

Same-different, 2-AC and unbiased d' need no random numbers: every table of counts that could come is analysed once, its
probability added up at each true value. Beta-binomial panels and trends above a guess rate are simulated (seed below).
The tests run a short form.
"""

import argparse
import csv
import datetime
import json
from itertools import product
from pathlib import Path

import numpy as np
from scipy.special import ndtr
from scipy.stats import binom, multinomial

from blindtest.stats import two_ac_test
from blindtest.stats.beta_binomial import WIDEST, _Counts, _guessing_p, _maximum
from blindtest.stats.profile_likelihood import allowed_loss, peak
from blindtest.stats.same_different import same_different_test
from blindtest.stats.sensitivity import d_prime
from blindtest.stats.trends import _heard_slope
from blindtest.stats.two_rates import two_rates

SEED = 20261125
SQRT2 = np.sqrt(2)
REFERENCES = Path(__file__).parents[1] / "references" / "stats"
FIELDS = ("what", "design", "truth", "kind", "rate", "std_error", "studies")
D_PRIMES = (0.0, 0.5, 1.0, 1.5, 2.0, 3.0)


def same_different(pairs: int, method: str) -> list[dict]:
    """Coverage of d' and tau, and type I of both tests, with `pairs` same and as many different pairs; exact."""
    counts = list(product(range(pairs + 1), repeat=2))
    results = [same_different_test(pairs - f, f, pairs - h, h, method=method) for h, f in counts]
    h, f = np.array(counts).T
    rows = []
    taus = (0.5, 1.0, 2.0) if method == "same-different" else (-0.8, 0.0, 0.8)
    for tau, d in product(taus, D_PRIMES):
        hit, false = _rates(method, tau, d)
        chance = binom.pmf(h, pairs, hit) * binom.pmf(f, pairs, false)
        held = np.array([r.d_prime_interval[0] <= d <= r.d_prime_interval[1] for r in results])
        truth = f"d' {d:g}, {'tau' if method == 'same-different' else 'criterion'} {tau:g}"
        design = f"{pairs} + {pairs} pairs, {method}"
        rows.append(_exact("d' profile interval", design, truth, "coverage", chance @ held))
        if method == "same-different":
            held = np.array([r.tau_interval[0] <= tau <= r.tau_interval[1] for r in results])
            rows.append(_exact("tau profile interval", design, truth, "coverage", chance @ held))
        if d == 0:
            for name in ("p_value", "likelihood_p_value"):
                rejected = np.array([getattr(r, name) <= 0.05 for r in results])
                rows.append(_exact(f"same-different {name}", design, truth, "type I", chance @ rejected))
    return rows


def _rates(method: str, criterion: float, d: float) -> tuple[float, float]:
    if method == "same-different":
        different = ndtr((d - criterion) / SQRT2) + ndtr((-criterion - d) / SQRT2)
        return float(different), float(2 * ndtr(-criterion / SQRT2))
    unbiased = 0.5 + 2 * (ndtr(d / 2) - 0.5) ** 2
    from scipy.special import ndtri

    half = float(ndtri(unbiased))
    return float(ndtr(half - criterion)), float(ndtr(-half - criterion))


def two_ac(trials: int) -> list[dict]:
    """Coverage of d' and tau, and type I of both tests; exact."""
    counts = [(a, b, trials - a - b) for a in range(trials + 1) for b in range(trials + 1 - a)]
    results = [two_ac_test(*count) for count in counts]
    rows = []
    for tau, d in product((0.2, 0.6, 1.2), (0.0, 0.5, 1.0, 2.0)):
        first, upto = ndtr((-tau - d) / SQRT2), ndtr((tau - d) / SQRT2)
        chance = multinomial.pmf(counts, trials, (first, upto - first, 1 - upto))
        design, truth = f"{trials} trials, 2-ac", f"d' {d:g}, tau {tau:g}"
        for name, value in (("d_prime", d), ("tau", tau)):
            held = np.array([getattr(r, f"{name}_interval") for r in results])
            inside = (held[:, 0] <= value) & (value <= held[:, 1])
            rows.append(_exact(f"{name} profile interval", design, truth, "coverage", chance @ inside))
        if d == 0:
            for name in ("p_value", "likelihood_p_value"):
                rejected = np.array([getattr(r, name) <= 0.05 for r in results])
                rows.append(_exact(f"2-ac {name}", design, truth, "type I", chance @ rejected))
    return rows


def unbiased_d_prime(trials: int) -> list[dict]:
    """Coverage of the unbiased d' of ABX from half of the trials on each side; exact."""
    half = trials // 2
    counts = np.array(list(product(range(half + 1), repeat=2)))
    limits = np.array([two_rates(int(h), half, int(f), half, level=0.95).distance_interval for h, f in counts])
    rows = []
    for criterion, distance in product((0.0, 0.5, 1.0), (0.0, 0.5, 1.0, 2.0)):
        chance = binom.pmf(counts[:, 0], half, ndtr(distance / 2 - criterion)) * binom.pmf(
            counts[:, 1], half, ndtr(-distance / 2 - criterion)
        )
        held = (limits[:, 0] <= distance) & (distance <= limits[:, 1])
        truth = f"d' {d_prime(float(ndtr(distance / 2)), 'abx'):.2f}, criterion {criterion:g}"
        rows.append(_exact("unbiased d' interval", f"{half} + {half} trials, abx", truth, "coverage", chance @ held))
    return rows


def beta_binomial(
    listeners: int, trials: int, guess: float, mu: float, gamma: float, studies: int, rng: np.random.Generator
) -> list[dict]:
    """Coverage of mu and gamma, and type I where one of them is at its end; simulated."""
    if gamma > 0 and 0 < mu < 1:
        heard = rng.beta(mu * (1 - gamma) / gamma, (1 - mu) * (1 - gamma) / gamma, (studies, listeners))
    else:
        heard = np.full((studies, listeners), mu)
    panels = rng.binomial(trials, guess + (1 - guess) * heard)
    numbers, allowed = np.full(listeners, trials), allowed_loss(0.95)
    mu_held, gamma_held, differ, guessing = [], [], [], []
    for panel in panels:
        model = _Counts(panel, numbers, guess)
        _, _, best, _ = _maximum(model)
        binomial = peak(lambda m, model=model: model.log_likelihood(m, 0.0), 0.0, 1.0)[1]
        best = max(best, binomial)
        at_mu = peak(lambda g, model=model: model.log_likelihood(mu, g), 0.0, WIDEST)[1]
        at_gamma = peak(lambda m, model=model: model.log_likelihood(m, gamma), 0.0, 1.0)[1]
        mu_held.append(at_mu >= best - allowed)
        gamma_held.append(at_gamma >= best - allowed)
        differ.append(2 * (best - binomial) >= 2.705543)
        against = 2 * (best - float(model.log_likelihood(0.0, 0.0)))
        guessing.append(_guessing_p(max(0.0, against), numbers, guess) <= 0.05)
    design, truth = f"{listeners} listeners x {trials} trials, guess {guess:.3g}", f"mu {mu:g}, gamma {gamma:g}"
    rows = [_simulated("mu profile interval", design, truth, "coverage", mu_held)]
    if mu > 0:
        rows.append(_simulated("gamma profile interval", design, truth, "coverage", gamma_held))
    if gamma == 0:
        rows.append(_simulated("beta-binomial p_value (listeners differ)", design, truth, "type I", differ))
    if mu == 0:
        rows.append(_simulated("beta-binomial guessing_p_value", design, truth, "type I", guessing))
    return rows


def heard_slope(trials: int, intercept: float, slope: float, studies: int, rng: np.random.Generator) -> list[dict]:
    """Coverage of the slope above a guess rate of 1/2, one listener; simulated."""
    times = np.arange(trials) / (trials - 1) - 0.5
    chance = 0.5 + 0.5 / (1 + np.exp(-intercept - slope * times))
    held = []
    for _ in range(studies):
        low, high = _heard_slope([list(rng.random(trials) < chance)], 0.5, 0.95)[1]
        held.append(low <= slope <= high)
    truth = f"log odds of hearing {intercept:g}, slope {slope:g}"
    return [_simulated("heard_slope profile interval", f"{trials} trials, guess 0.5", truth, "coverage", held)]


def _exact(what: str, design: str, truth: str, kind: str, rate: float) -> dict:
    return dict(zip(FIELDS, (what, design, truth, kind, round(float(rate), 5), 0.0, "all"), strict=True))


def _simulated(what: str, design: str, truth: str, kind: str, hits: list) -> dict:
    rate = float(np.mean(hits))
    error = float(np.sqrt(max(rate * (1 - rate), 1e-9) / len(hits)))
    return dict(zip(FIELDS, (what, design, truth, kind, round(rate, 4), round(error, 4), len(hits)), strict=True))


def main() -> None:
    """Write the tables."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("part", choices=("exact", "simulated"))
    parser.add_argument("--studies", type=int, default=200)
    options = parser.parse_args()
    if options.part == "exact":
        write("choices_error_rates", exact(), seed=None, studies=None)
    else:
        rows = simulated(options.studies, np.random.default_rng(SEED))
        write("panels_error_rates", rows, seed=SEED, studies=options.studies)


def exact() -> list[dict]:
    """Return the rows that need no random numbers."""
    rows = []
    for pairs in (10, 20):
        rows += same_different(pairs, "same-different") + same_different(pairs, "same-different-independent")
    for trials in (12, 20):
        rows += two_ac(trials)
    for trials in (16, 40):
        rows += unbiased_d_prime(trials)
    return rows


def simulated(studies: int, rng: np.random.Generator) -> list[dict]:
    """Return the rows of panels and of trends."""
    rows = []
    for listeners, trials in ((8, 8), (24, 12)):
        for guess in (1 / 3, 0.5):
            for mu, gamma in ((0.0, 0.0), (0.3, 0.0), (0.3, 0.25)):
                rows += beta_binomial(listeners, trials, guess, mu, gamma, studies, rng)
    for trials in (20, 40):
        for intercept, slope in ((0.0, 0.0), (0.0, 2.0)):
            rows += heard_slope(trials, intercept, slope, studies, rng)
    return rows


def write(name: str, rows: list[dict], *, seed: int | None, studies: int | None) -> None:
    """Write the table, and beside it how it was made and its worst cells."""
    with (REFERENCES / f"{name}.csv").open("w", newline="", encoding="utf-8") as file:
        writer = csv.DictWriter(file, FIELDS)
        writer.writeheader()
        writer.writerows(rows)
    made = {"script": "tests/stats/simulate_choices.py", "seed": seed, "studies": studies}
    record = {"id": name, "source": made, "date": datetime.date.today().isoformat(), "worst": worst(rows)}
    (REFERENCES / f"{name}.json").write_text(json.dumps(record, indent=1) + "\n", encoding="utf-8")


def worst(rows: list[dict]) -> dict:
    """Return the least coverage and the largest type I rate of each thing, with its cell."""
    found: dict[str, dict] = {}
    for row in rows:
        key, sign = f"{row['what']}, {row['kind']}", 1 if row["kind"] == "coverage" else -1
        if key not in found or sign * row["rate"] < sign * found[key]["rate"]:
            found[key] = {name: row[name] for name in ("rate", "std_error", "design", "truth")}
    return found


if __name__ == "__main__":
    main()
