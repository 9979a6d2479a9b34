"""How often the intervals of binary mixed models hold the truth: simulated panels over a small grid.

    python tests/stats/simulate_binary.py [--studies 100] [--seed 20261125] [--to tests/references/stats]

Listeners crossed with clips, two device pairs, the same number of answers in every cell; right with probability guess +
(1 - guess) F(pair + listener + clip), effects normal. Each study is fitted as correct ~ 0 + pair with random
listeners and clips (Laplace, observed information). Counted, over the studies that have a finite maximum: how often
the 95 % intervals hold the truth, for both pairs by Wald, for the harder one by profile, for the listeners' standard
deviation by profile, and for each listener's shrunken predictor (averaged over listeners and pairs; d' is a rising
function of it). A study is refused where a pair is never, or always, heard: the answer then is an exact count. Monte
Carlo error of a share of 100 at .95 is .02. The tests run the short form.
"""

import argparse
import csv
import json
from dataclasses import asdict, dataclass
from datetime import date
from pathlib import Path

import numpy as np
import pandas as pd

from blindtest.errors import BlindtestError
from blindtest.stats import fit_binary_mixed

LOW, HIGH = "pair1", "pair2"


@dataclass(frozen=True, kw_only=True)
class Design:
    """One cell of the grid."""

    listeners: int
    clips: int
    repeats: int
    """Answers of a listener to each clip and pair."""
    guess: float
    link: str
    low: float
    """What the first pair adds."""
    high: float
    sd_listener: float
    sd_clip: float


GRID = tuple(
    Design(
        listeners=listeners,
        clips=6,
        repeats=2,
        guess=guess,
        link=link,
        low=low,
        high=1.5,
        sd_listener=sd_listener,
        sd_clip=sd_clip,
    )
    for listeners, guess, link, low, sd_listener, sd_clip in (
        (10, 0.5, "logit", 0.3, 0.8, 0.0),
        (10, 0.5, "logit", 0.3, 0.8, 0.4),
        (24, 0.5, "logit", 0.3, 0.8, 0.4),
        (24, 0.5, "logit", -1.5, 0.8, 0.4),
        (24, 0.5, "logit", 0.3, 0.0, 0.4),
        (24, 0.5, "probit", 0.2, 0.5, 0.25),
        (24, 0.0, "logit", 0.3, 0.8, 0.4),
    )
)
PARTS = (
    "wald_low",
    "wald_high",
    "profile_low",
    "profile_sd_listener",
    "listener_predictor",
)


def panel(design: Design, rng: np.random.Generator) -> tuple[pd.DataFrame, np.ndarray]:
    """Return one study's answers, counted, and the true predictor of each listener with each pair, (listeners, 2)."""
    from scipy.special import expit, ndtr

    listener = rng.normal(0, design.sd_listener, design.listeners)
    clip = rng.normal(0, design.sd_clip, design.clips)
    truth = listener[:, None] + np.array([design.low, design.high])
    eta = truth[:, None, :] + clip[None, :, None]
    heard = expit(eta) if design.link == "logit" else ndtr(eta)
    right = rng.binomial(design.repeats, design.guess + (1 - design.guess) * heard)
    listeners = [f"L{i:02d}" for i in range(design.listeners)]
    names = np.meshgrid(
        listeners,
        [f"c{i}" for i in range(design.clips)],
        [LOW, HIGH],
        indexing="ij",
    )
    columns = dict(zip(("listener", "clip", "pair"), (values.ravel() for values in names), strict=True))
    return pd.DataFrame({**columns, "right": right.ravel(), "trials": design.repeats}), truth


def held(design: Design, rng: np.random.Generator, *, profile: bool = True) -> dict[str, float] | None:
    """Return which intervals of one simulated study hold the truth; None where it has no finite maximum."""
    table, truth = panel(design, rng)
    try:
        fit = fit_binary_mixed("right ~ 0 + pair", table, link=design.link, guess=design.guess, trials="trials")
    except BlindtestError:
        return None

    def holds(low: float, value: float, high: float) -> float:
        return float(low <= value <= high)

    wald = fit.coefficients
    found = {
        "wald_low": holds(wald["ci_low"].iloc[0], design.low, wald["ci_high"].iloc[0]),
        "wald_high": holds(wald["ci_low"].iloc[1], design.high, wald["ci_high"].iloc[1]),
    }
    if profile:
        ends = fit.profile([f"pair[{LOW}]", "sd(listener)"])
        names, values = ("profile_low", "profile_sd_listener"), (design.low, design.sd_listener)
        for name, value, (low, high) in zip(names, values, ends[["ci_low", "ci_high"]].to_numpy(), strict=True):
            found[name] = holds(low, value, high)
    each = fit.sensitivity(_method(design.guess), by=["pair"])
    half = 1.959964 * each["std_error"].to_numpy()
    found["listener_predictor"] = float(np.mean(np.abs(each["predictor"].to_numpy() - truth.ravel()) <= half))
    return found


def _method(guess: float) -> str:
    return "triangle" if 0.3 < guess < 0.4 else "abx"


def coverage(design: Design, studies: int, seed: int, *, profile: bool = True) -> dict[str, float]:
    """Return the share of studies with a finite maximum, and of those whose intervals hold the truth."""
    results = [held(design, np.random.default_rng([seed, study]), profile=profile) for study in range(studies)]
    kept = [result for result in results if result is not None]
    shares = {name: float(np.mean([result[name] for result in kept])) for name in kept[0]}
    return {"fitted": len(kept) / studies, **shares}


def main() -> None:
    """Print the table and write it beside the references."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--studies", type=int, default=100)
    parser.add_argument("--seed", type=int, default=20261125)
    parser.add_argument("--to", type=Path, default=None)
    options = parser.parse_args()
    rows = []
    about = {"script": "tests/stats/simulate_binary.py", "seed": options.seed, "studies": options.studies}
    for design in GRID:
        rows.append({**asdict(design), **coverage(design, options.studies, options.seed)})
        print(rows[-1], flush=True)
        if options.to:
            with (options.to / "binary_coverage.csv").open("w", newline="", encoding="utf-8") as file:
                writer = csv.DictWriter(file, fieldnames=list(rows[0]))
                writer.writeheader()
                writer.writerows(
                    {k: round(v, 4) if isinstance(v, float) else v for k, v in row.items()} for row in rows
                )
            text = json.dumps({**about, "date": date.today().isoformat(), "level": 0.95}, indent=2)
            (options.to / "binary_coverage.json").write_text(text + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
