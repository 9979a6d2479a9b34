"""How often the verdict of a survival study is wrong, and how often each verdict is reached: simulated.

    python tests/stats/simulate_survival.py            the whole grid: the table and its figure (some minutes)
    python tests/stats/simulate_survival.py --figure   draws the written table again
    python tests/stats/simulate_survival.py --tables   whole tables of ratings through survival(), a few cells

The grid: true labelled and blind effects (margin 8, share kept 2/3, alpha .05), designs (panels of 6, 12 and 24
listeners; one listener with 3 + 3, 4 + 4, 6 + 6 and 3 + 6 sittings) and spreads. Effects of units are drawn as the
means of ratings would show them (5 clips x 2 repeats) and judged by the functions that `survival` uses. A verdict is
wrong if it is a state that is not the true one; *undecided* and *nothing on record* claim no state.

With hundreds of cells the largest of many noisy rates lies above the true largest rate. So the worst cells are
simulated again with other random numbers and more studies; the second figure is the one to quote.

Writes survival_error_rates.csv, .json (seed, date, worst cells) and .png to tests/references/stats.
"""

import argparse
import json
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from math import sqrt
from pathlib import Path

import numpy as np
import pandas as pd

from blindtest.stats import VerdictChances, survival
from blindtest.stats.survival_planning import chances_of_verdicts

OUT = Path(__file__).parents[1] / "references" / "stats"
SEED = 4
STUDIES = 8000
AGAIN = 400_000
MARGIN, KEPT, ALPHA = 8.0, 2 / 3, 0.05
RATINGS = 10
"""5 clips x 2 repeats of each device."""


@dataclass(frozen=True, kw_only=True)
class Design:
    name: str
    labelled: int
    """Units in the labelled mode: listeners of a panel, or sittings of one listener."""
    blind: int
    panel: bool


@dataclass(frozen=True, kw_only=True)
class Spread:
    name: str
    listener: float
    """Standard deviation of the effect between listeners, in both modes alike."""
    labelled: float
    """New in the labelled mode: between listeners, or between sittings of one."""
    blind: float
    rating: float


DESIGNS = (
    *(Design(name=f"{n} listeners", labelled=n, blind=n, panel=True) for n in (6, 12, 24)),
    *(Design(name=f"1 listener, {a} + {b} sittings", labelled=a, blind=b, panel=False) for a, b in ((3, 3), (4, 4))),
    *(Design(name=f"1 listener, {a} + {b} sittings", labelled=a, blind=b, panel=False) for a, b in ((6, 6), (3, 6))),
)
SPREADS = (
    Spread(name="usual", listener=8, labelled=6, blind=6, rating=12),
    Spread(name="quiet", listener=2, labelled=1, blind=1, rating=3),
    Spread(name="loud", listener=16, labelled=12, blind=12, rating=20),
    Spread(name="blind three times as loud", listener=4, labelled=3, blind=9, rating=6),
    Spread(name="labelled three times as loud", listener=4, labelled=9, blind=3, rating=6),
)
LABELLED = (6.0, 12.0, 20.0, 35.0)
JUST = 1e-6


def blind_effects(labelled: float) -> tuple[float, ...]:
    """Return true blind effects: within each state, and on both sides of every border between two."""
    border = KEPT * labelled
    effects = {-25.0, -15.0, -MARGIN, -MARGIN + JUST, -4.0, 0.0, 4.0, MARGIN - JUST, MARGIN, 10.0, labelled}
    effects |= {border - JUST, border, 1.3 * labelled}
    return tuple(sorted(effects))


def simulated(
    design: Design, spread: Spread, labelled: float, blind: float, *, rng: np.random.Generator, studies: int
) -> VerdictChances:
    """Return how often each verdict is reached in one cell of the grid."""
    scatter = spread.rating * sqrt(2 / RATINGS)
    s = labelled + rng.normal(0, np.hypot(spread.labelled, scatter), (studies, design.labelled))
    d = blind + rng.normal(0, np.hypot(spread.blind, scatter), (studies, design.blind))
    if design.panel:
        own = rng.normal(0, spread.listener, (studies, design.labelled))
        s, d = s + own, d + own
    return chances_of_verdicts(
        d, s, paired=design.panel, truth=(blind, labelled), margin=MARGIN, kept=KEPT, alpha=ALPHA
    )


Cell = tuple[Design, Spread, float, float]


def cells() -> Iterator[Cell]:
    for design in DESIGNS:
        for spread in SPREADS:
            for labelled in LABELLED:
                for blind in blind_effects(labelled):
                    yield design, spread, labelled, blind


def row(cell: Cell, chances: VerdictChances, studies: int) -> dict[str, object]:
    design, spread, labelled, blind = cell
    return {
        "design": design.name,
        "spread": spread.name,
        "sd_listener": spread.listener if design.panel else 0.0,
        "sd_labelled": spread.labelled,
        "sd_blind": spread.blind,
        "sd_rating": spread.rating,
        "labelled": labelled,
        "blind": blind,
        "true_state": chances.true_state,
        "survives": chances.survives,
        "shrinks": chances.shrinks,
        "vanishes": chances.vanishes,
        "reverses": chances.reverses,
        "undecided": chances.undecided,
        "nothing_on_record": chances.nothing_on_record,
        "wrong": chances.wrong,
        "std_error": sqrt(max(chances.wrong, 1 / studies) * (1 - chances.wrong) / studies),
        "studies": studies,
    }


def grid(*, rng: np.random.Generator, studies: int = STUDIES) -> pd.DataFrame:
    """Return a row per cell of the whole grid."""
    return pd.DataFrame([row(cell, simulated(*cell, rng=rng, studies=studies), studies) for cell in cells()])


def again(table: pd.DataFrame, *, rng: np.random.Generator, studies: int = AGAIN, worst: int = 12) -> pd.DataFrame:
    """Simulate the cells with the largest rates of wrong verdicts again: more studies, other random numbers."""
    places = table["wrong"].sort_values(ascending=False).index[:worst]
    every = list(cells())
    rows = []
    for place in places:
        found = [simulated(*every[place], rng=rng, studies=20_000) for _ in range(studies // 20_000)]
        wrong = float(np.mean([chances.wrong for chances in found]))
        first = table.loc[place]
        rows.append(
            {
                "design": first["design"],
                "spread": first["spread"],
                "labelled": first["labelled"],
                "blind": first["blind"],
                "true_state": first["true_state"],
                "wrong_in_grid": float(first["wrong"]),
                "wrong_again": wrong,
                "std_error": sqrt(wrong * (1 - wrong) / (20_000 * len(found))),
                "studies": 20_000 * len(found),
            }
        )
    return pd.DataFrame(rows)


def ratings_table(
    rng: np.random.Generator,
    *,
    listeners: int,
    sittings: int = 1,
    labelled: float,
    blind: float,
    spread: Spread = SPREADS[0],
    clips: int = 5,
    repeats: int = 2,
    anchors: tuple[float, float] | None = (15.0, 85.0),
    whole: bool = True,
) -> pd.DataFrame:
    """Return a simulated table of ratings: device "device", comparator "other", anchors "low" and "high".

    `whole`: rounded to whole numbers and held within 0 ... 100, as on the page. A single listener's spread of modes
    is between sittings.
    """
    rows = []
    for listener in range(listeners):
        own = rng.normal(0, spread.listener) if listeners > 1 else 0.0
        for mode, effect, new in (("labelled", labelled, spread.labelled), ("blind", blind, spread.blind)):
            in_mode = rng.normal(0, new) if listeners > 1 else 0.0
            for sitting in range(sittings):
                half = (effect + own + in_mode + (rng.normal(0, new) if listeners == 1 else 0.0)) / 2
                levels = {"device": 50 + half, "other": 50 - half}
                if anchors:
                    levels |= {"low": anchors[0], "high": anchors[1]}
                for clip in range(clips):
                    for device, level in levels.items():
                        for rating in level + rng.normal(0, spread.rating, repeats):
                            place = (f"L{listener + 1}", f"clip{clip + 1}", device, mode, f"{mode}{sitting + 1}")
                            rows.append((*place, float(np.clip(np.round(rating), 0, 100)) if whole else float(rating)))
    return pd.DataFrame(rows, columns=["listener", "clip", "device", "mode", "sitting", "rating"])


def through_tables(
    rng: np.random.Generator, *, studies: int, listeners: int, labelled: float, blind: float, **options: object
) -> pd.Series:
    """Return the shares of verdicts when whole tables go through survival(), repeats on other scales included."""
    verdicts = []
    for _ in range(studies):
        table = ratings_table(rng, listeners=listeners, labelled=labelled, blind=blind, **options)
        result = survival(
            table, device="device", comparator="other", anchor_low="low", anchor_high="high", mixed_model=False
        )
        scale = result.reason.startswith("depends on the use of the scale")
        verdicts.append("depends on the scale" if scale else result.verdict)
    return pd.Series(verdicts).value_counts(normalize=True)


def figure(table: pd.DataFrame, path: Path, *, caption: str) -> None:
    """Draw how often each verdict is reached over the true blind effect, and the rates of wrong verdicts."""
    import matplotlib as mpl

    mpl.use("Agg")
    import matplotlib.pyplot as plt

    shown = ("24 listeners", "12 listeners", "6 listeners", "1 listener, 4 + 4 sittings")
    looks = {
        "survives": ("#1b6e53", "-"),
        "shrinks": ("#b7791f", "--"),
        "vanishes": ("#3b5b92", "-."),
        "reverses": ("#8c2f39", (0, (5, 1, 1, 1, 1, 1))),
    }
    rng = np.random.default_rng(SEED + 2)
    effects = np.linspace(-26, 32, 59)
    chart, axes = plt.subplot_mosaic(
        [list("abcd"), ["wrong"] * 4], figsize=(13, 8), height_ratios=(1, 0.9), layout="constrained"
    )
    designs = {design.name: design for design in DESIGNS}
    for letter, name in zip("abcd", shown, strict=True):
        axis = axes[letter]
        found = [simulated(designs[name], SPREADS[0], 20.0, d, rng=rng, studies=2000) for d in effects]
        for state, (colour, dashes) in looks.items():
            shares = [getattr(chances, state) for chances in found]
            axis.plot(effects, shares, color=colour, ls=dashes, label=state, lw=2)
        axis.plot(effects, [chances.undecided for chances in found], color="0.55", ls=":", label="undecided")
        for border in (-MARGIN, MARGIN, KEPT * 20):
            axis.axvline(border, color="0.8", lw=0.8, zorder=0)
        axis.set(title=name, ylim=(-0.02, 1.02), xlabel="true blind effect (points)")
    axes["a"].set_ylabel("share of studies")
    axes["d"].legend(fontsize=8, loc=(0.33, 0.28))
    axis = axes["wrong"]
    for mark, design in zip("osD^v<>", DESIGNS, strict=True):
        own = table[table["design"] == design.name]
        axis.plot(own["blind"], own["wrong"], mark, ms=4, alpha=0.6, label=design.name)
    noise = 3.5 * sqrt(ALPHA * (1 - ALPHA) / int(table["studies"].iloc[0]))
    axis.axhline(ALPHA, color="#8c2f39", lw=1)
    axis.axhspan(ALPHA, ALPHA + noise, color="#8c2f39", alpha=0.1, lw=0)
    axis.text(
        -26, ALPHA + noise / 2, "alpha, and 3.5 Monte Carlo standard errors above it", color="#8c2f39", va="center"
    )
    axis.set(
        xlabel="true blind effect (points); all labelled effects and spreads of the grid",
        ylabel="share of wrong verdicts",
        title=caption,
    )
    axis.legend(fontsize=8, ncols=1, loc="center right")
    chart.suptitle("Verdicts reached with a labelled effect of 20 points, margin 8, usual spreads; and wrong verdicts")
    chart.savefig(path, dpi=110, metadata={"Software": None})


def caption_of(meta: dict[str, object]) -> str:
    """Return the one line that sums the simulation up."""
    return (
        f"{meta['cells']} cells of {meta['studies']} studies, seed {meta['seed']}, {meta['date']}: worst "
        f"{meta['worst_in_grid']:.4f}; its like simulated again {meta['worst_again']:.4f}"
    )


def main() -> None:
    """Simulate, write, print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--tables", action="store_true", help="whole tables through survival() instead")
    parser.add_argument("--figure", action="store_true", help="only draw the table that was written")
    parser.add_argument("--studies", type=int, default=STUDIES)
    parser.add_argument("--out", type=Path, default=OUT)
    options = parser.parse_args()
    if options.tables:
        for listeners, sittings in ((12, 1), (24, 1), (1, 4)):
            for blind in (20.0, 0.0, -15.0, 10.0):
                shares = through_tables(
                    np.random.default_rng(SEED),
                    studies=400,
                    listeners=listeners,
                    sittings=sittings,
                    labelled=20.0,
                    blind=blind,
                )
                print(f"{listeners} listeners, {sittings} sittings a mode, blind {blind:g}: {shares.to_dict()}")
        return
    if options.figure:
        meta = json.loads((options.out / "survival_error_rates.json").read_text(encoding="utf-8"))
        table = pd.read_csv(options.out / "survival_error_rates.csv")
        figure(table, options.out / "survival_error_rates.png", caption=caption_of(meta))
        return
    table = grid(rng=np.random.default_rng(SEED), studies=options.studies)
    second = again(table, rng=np.random.default_rng(SEED + 1))
    meta = {
        "seed": SEED,
        "seed_again": SEED + 1,
        "date": f"{datetime.now(UTC):%Y-%m-%d}",
        "numpy": np.__version__,
        "margin": MARGIN,
        "kept": KEPT,
        "alpha": ALPHA,
        "cells": len(table),
        "studies": options.studies,
        "largest_std_error": sqrt(ALPHA * (1 - ALPHA) / options.studies),
        "worst_in_grid": float(table["wrong"].max()),
        "worst_again": float(second["wrong_again"].max()),
        "worst_cells": second.to_dict("records"),
    }
    table.round(6).to_csv(options.out / "survival_error_rates.csv", index=False, lineterminator="\n")
    (options.out / "survival_error_rates.json").write_text(json.dumps(meta, indent=1) + "\n", encoding="utf-8")
    figure(table, options.out / "survival_error_rates.png", caption=caption_of(meta))
    print(caption_of(meta))
    print(second.to_string(index=False))


if __name__ == "__main__":
    main()
