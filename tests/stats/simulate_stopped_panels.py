"""How often panels whose sittings a stopping rule ends come out as *negligible*: by Fisher's method or the product of
e-values alone, and by the word, which must hold for the listeners' mean.

    python tests/stats/simulate_stopped_panels.py [--studies 4000] [--out FOLDER]

Answers are drawn one by one and followed through the rule's table. `people`: "camps": of all people half hear twice the
margin's share of trials (at most all) and half nothing, listeners are drawn from them; "halves": at least half of the
panel hears so much; "scattered": shares heard from a beta distribution with the margin as mean, parameters 3 margin and
3 (1 - margin); "alike": all hear the margin's share; "guessing". Writes stopped_panels.csv into the folder of
references.
"""

import argparse
import csv
from pathlib import Path

import numpy as np
from scipy.stats import chi2

from blindtest.stats import e_value, stop_table
from blindtest.stats.stopping.panel_spread import mean_p_value

SEED = 20261126
RULES = {"sprt": {}, "group-sequential": {"looks": 4, "beta": 0.05}, "e-process": {}}
TRIALS = 60
PANELS = (2, 3, 5, 8, 20)
MARGINS = (0.5, 0.3)
PEOPLE = ("camps", "halves", "scattered", "alike", "guessing")
COLUMNS = ("rule", "listeners", "margin", "people", "together", "negligible", "studies")


def shares(people, listeners, margin, studies, rng):
    """Return the share of trials that each listener hears, (studies, listeners)."""
    size = (studies, listeners)
    if people == "camps":
        return np.where(rng.random(size) < 0.5, 2 * margin, 0.0)
    if people == "halves":
        return np.tile(np.where(np.arange(listeners) % 2, 0.0, 2 * margin), (studies, 1))
    if people == "scattered":
        return rng.beta(3 * margin, 3 * (1 - margin), size)
    return np.full(size, margin if people == "alike" else 0.0)


def endings(table, heard, rng):
    """Return where each listener's answers end: rows of (trials, right), shaped like `heard` with one axis more."""
    answers = rng.random((*heard.shape, table.trials)) < (0.5 + 0.5 * heard)[..., None]
    right = answers.cumsum(axis=-1)
    ended = np.zeros(heard.shape, dtype=bool)
    trials, correct = np.full(heard.shape, table.trials), right[..., -1].copy()
    for look, high, low in zip(table.looks, table.high, table.low, strict=True):
        now = right[..., look - 1]
        hit = ~ended & ((now >= (np.inf if high is None else high)) | (now <= (-1 if low is None else low)))
        trials[hit], correct[hit] = look, now[hit]
        ended |= hit
    return np.stack([trials, correct], axis=-1)


def rows(studies, rules=tuple(RULES), panels=PANELS, margins=MARGINS, people=PEOPLE, seed=SEED):
    """Return a row for each rule, panel, margin and people."""
    rng = np.random.default_rng(seed)
    out = []
    for rule in rules:
        for margin in margins:
            table = stop_table(rule, TRIALS, method="abx", margin=margin, **RULES[rule])
            heard_at = 0.5 + 0.5 * margin
            places = {(one.trials, one.correct): at for at, one in enumerate(table.endings)}
            at_margin = np.minimum(1.0, table.chances(heard_at).cumsum())
            bets = np.array(
                [e_value(one.trials - one.correct, one.trials, guess=1 - heard_at) for one in table.endings]
            )
            own_p = np.minimum(1.0, 1 / bets) if rule == "e-process" else at_margin
            variance = table.unbiased_variance(heard_at)
            for listeners in panels:
                for who in people:
                    ended = endings(table, shares(who, listeners, margin, studies, rng), rng)
                    at = np.array([[places[int(n), int(k)] for n, k in study] for study in ended])
                    if rule == "e-process":
                        together = bets[at].prod(axis=1) >= 20
                    else:
                        together = chi2.sf(-2 * np.log(at_margin[at]).sum(axis=1), 2 * listeners) <= 0.05
                    mean = mean_p_value(table.unbiased[at], own_p[at], margin=heard_at, variance=variance)
                    found = (together.mean().round(4).item(), (together & (mean <= 0.05)).mean().round(4).item())
                    values = (rule, listeners, margin, who, *found, studies)
                    out.append(dict(zip(COLUMNS, values, strict=True)))
    return out


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--studies", type=int, default=4000)
    parser.add_argument("--out", type=Path, default=Path(__file__).parents[1] / "references" / "stats")
    asked = parser.parse_args()
    with (asked.out / "stopped_panels.csv").open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, COLUMNS, lineterminator="\n")
        writer.writeheader()
        writer.writerows(rows(asked.studies))
