"""Figures of the linear mixed models: against gpboost on the same ratings, and against reading them from a file.

    python tests/benchmarks/bench_mixed.py [--listeners 5000] [--rounds 3] [--million 1000000]

The ratings (simulated) are a table in memory with text columns: listener, clip, device, mode, rating; the model is
rating ~ device * mode with random listeners and clips. Ours starts at the table and ends at coefficients with degrees
of freedom. gpboost gets its fixed design ready-made and the two text columns, and ends at estimates. Both alternate
in one run; ratios are those of the medians. gpboost (extra `bench`) maximises the likelihood, so ours is fitted that
way too, once, and the estimates are compared; without gpboost its part is left out, and said. Exit code 1 if a goal
is missed.
"""

import argparse
import importlib.util
import statistics
import sys
import tempfile
import time
from functools import partial
from pathlib import Path

import numpy as np
import pandas as pd

from blindtest.stats import fit_linear_mixed, prepare_linear_mixed

TIMES_GPBOOST = 15.0
"""Goal: at least so many times as fast."""
TIMES_READING = 2.0
"""Goal: a million rows in less than so many times what pandas needs to read them."""
FORMULA = "rating ~ device * mode"
RANDOM = {"listener": "1", "clip": "1"}
SEED = 20261125


def ratings(listeners: int, clips: int, repeats: int, rng: np.random.Generator) -> pd.DataFrame:
    """Return simulated ratings: every listener hears every clip `repeats` times, devices and modes drawn."""
    listener = np.repeat(np.arange(listeners), clips * repeats)
    clip = np.tile(np.repeat(np.arange(clips), repeats), listeners)
    device, mode = rng.integers(0, 4, len(listener)), rng.integers(0, 2, len(listener))
    score = (
        60.0
        + np.array([0.0, 4.0, -6.0, 2.0])[device]
        + 3.0 * mode
        + rng.normal(0, 8, listeners)[listener]
        + rng.normal(0, 5, clips)[clip]
        + rng.normal(0, 12, len(listener))
    )
    return pd.DataFrame(
        {
            "listener": np.array([f"L{i:06d}" for i in range(listeners)], dtype=object)[listener],
            "clip": np.array([f"clip{i:02d}" for i in range(clips)], dtype=object)[clip],
            "device": np.array(["heron", "plover", "egret", "curlew"], dtype=object)[device],
            "mode": np.array(["blind", "labelled"], dtype=object)[mode],
            "rating": score.round(1),
        }
    ).astype(dict.fromkeys(("listener", "clip", "device", "mode"), "str"))


def timed(call):
    """Return the result and the seconds it took."""
    began = time.perf_counter()
    result = call()
    return result, time.perf_counter() - began


def against_gpboost(table: pd.DataFrame, rounds: int) -> bool:
    """Print both figures and return whether the goal was reached (or could not be looked at)."""
    if importlib.util.find_spec("gpboost") is None:
        print("gpboost is not installed (extra `bench`): no comparison")
        for _ in range(rounds):
            print(f"  ours: {timed(lambda: fit_linear_mixed(FORMULA, table, random=RANDOM))[1]:.3f} s")
        return True
    import gpboost

    design = prepare_linear_mixed(FORMULA, table, random=RANDOM).model.dense()
    groups, answers = table[["listener", "clip"]].to_numpy(dtype=object), table["rating"].to_numpy()

    def theirs():
        model = gpboost.GPModel(group_data=groups, likelihood="gaussian")
        model.fit(y=answers, X=design)
        return model

    own, other = [], []
    for _ in range(rounds + 1):
        own.append(timed(lambda: fit_linear_mixed(FORMULA, table, random=RANDOM))[1])
        model, seconds = timed(theirs)
        other.append(seconds)
    ours, their = statistics.median(own[1:]), statistics.median(other[1:])
    ratio = their / ours
    print(f"{len(table)} ratings: ours {ours * 1e3:.0f} ms, gpboost {their * 1e3:.0f} ms: {ratio:.1f} times as fast")
    same = fit_linear_mixed(FORMULA, table, random=RANDOM, reml=False)
    mine = same.variance_components.set_index("group")["variance"]
    found = np.asarray(model.get_cov_pars()).ravel()
    named = dict(zip(("residual", "listener", "clip"), found, strict=True))
    print("  variances (ML):", ", ".join(f"{g} {mine[g]:.4f} (gpboost {v:.4f})" for g, v in named.items()))
    return ratio >= TIMES_GPBOOST


def against_reading(table: pd.DataFrame, rounds: int) -> bool:
    """Print how long a fit takes beside reading the same rows from a file."""
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "ratings.csv"
        table.to_csv(file, index=False)
        own, reading = [], []
        for _ in range(rounds + 1):
            read, seconds = timed(lambda: pd.read_csv(file))
            reading.append(seconds)
            own.append(timed(partial(fit_linear_mixed, FORMULA, read, random=RANDOM))[1])
    ours, theirs = statistics.median(own[1:]), statistics.median(reading[1:])
    print(f"{len(table)} ratings: fit {ours:.2f} s, reading them {theirs:.2f} s: {ours / theirs:.2f} times")
    return ours < TIMES_READING * theirs


def apart(table: pd.DataFrame, rounds: int) -> None:
    """Print what has no goal: nested products, and correlated slopes."""
    for name, random in {
        "with listener:device": {**RANDOM, "listener:device": "1"},
        "with correlated slopes of the mode": {"listener": "1 + mode", "clip": "1"},
    }.items():
        fit = partial(fit_linear_mixed, FORMULA, table, random=random)
        seconds = [timed(fit)[1] for _ in range(rounds)]
        print(f"{len(table)} ratings {name}: {statistics.median(seconds) * 1e3:.0f} ms")


def simulated(rounds: int, rng: np.random.Generator) -> None:
    """Print what one fit of a survival study costs when only the answers change."""
    study = ratings(24, 5, 8, rng)
    places = np.arange(len(study))
    study["device"] = np.where(places % 2 == 0, "heron", "plover")
    study["mode"] = np.where(places // 2 % 2 == 0, "blind", "labelled")
    parts = [
        f"{group}{product}" for product in ("", ":device", ":mode", ":device:mode") for group in ("listener", "clip")
    ]
    prepared = prepare_linear_mixed(FORMULA, study, random=dict.fromkeys(parts, "1"))
    answers = [study["rating"].to_numpy() + rng.normal(0, 5, len(study)) for _ in range(20 * rounds)]
    _, seconds = timed(lambda: [prepared.fit(each).beta for each in answers])
    print(f"a study of {len(study)} ratings and 8 variances, prepared: {seconds / len(answers) * 1e3:.2f} ms a fit")


def main() -> int:
    """Return 0 if the goals were reached."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--listeners", type=int, default=5000)
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument("--million", type=int, default=1_000_000, help="rows of the comparison with reading; 0: none")
    options = parser.parse_args()
    rng = np.random.default_rng(SEED)
    table = ratings(options.listeners, 20, 1, rng)
    reached = [against_gpboost(table, options.rounds)]
    apart(table, options.rounds)
    simulated(options.rounds, rng)
    if options.million:
        reached.append(against_reading(ratings(options.million // 200, 20, 10, rng), options.rounds))
    return int(not all(reached))


if __name__ == "__main__":
    sys.exit(main())
