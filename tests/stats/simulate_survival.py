"""How often the verdict of a survival study is wrong, and how often each verdict is reached: simulated.

    python tests/stats/simulate_survival.py             the whole grid: the table and its figure (some minutes)
    python tests/stats/simulate_survival.py --figure    draws the written table again
    python tests/stats/simulate_survival.py --tables    whole tables of ratings through survival(), a few cells
    python tests/stats/simulate_survival.py --missing   panels with a fifth of the ratings missing, by REML
    python tests/stats/simulate_survival.py --limits    the limits alone, over ratios of mean squares, for few clips

The grid: true labelled and blind effects (margin 8, share kept 2/3, alpha .05), designs (panels of 6, 12 and 24
listeners with clips as a sample or these clips only, in one order of phases or crossed; one listener with 3 + 3, 4 + 4,
6 + 6 and 3 + 6 sittings) and spreads, with clips that differ in the effect and in what blinding does to it. What
scatters is drawn once for a design and its spreads and moved to each pair of true effects: the error of an estimate
does not depend on them. It is judged by the functions that `survival` uses. A verdict is wrong if it is a state that is
not the true one; *undecided* and *nothing on record* claim no state. Where the verdict is about these clips their own
effects are the truth, so clips do not scatter there.

Beside it the same studies by one contrast per listener, which takes the clips as they are.

With thousands of cells the largest of many noisy rates lies above the true largest rate. So the worst cells are
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
from scipy.special import stdtrit

from blindtest.stats import VerdictChances, survival
from blindtest.stats.contrasts import Contrasts, Estimates, two_sample_contrasts
from blindtest.stats.panel_scatter import Spreads, panel_contrasts
from blindtest.stats.ratings import Panel
from blindtest.stats.survival_model import prepared_ratings, term_of
from blindtest.stats.survival_planning import chances_of_contrasts

OUT = Path(__file__).parents[1] / "references" / "stats"
SEED = 4
STUDIES = 20_000
AGAIN = 200_000
MARGIN, KEPT, ALPHA = 8.0, 2 / 3, 0.05
RULE = {"margin": MARGIN, "kept": KEPT, "alpha": ALPHA}
REPEATS = 2
CLIPS = 5


@dataclass(frozen=True, kw_only=True)
class Design:
    name: str
    labelled: int
    """Units in the labelled mode: listeners of a panel, or sittings of one listener."""
    blind: int
    panel: bool
    clips: int = CLIPS
    drawn: bool = True
    """Clips are a sample of clips; else the verdict is about these."""
    crossed: bool = False
    """Half of the listeners blind first: device x order is in the model."""


@dataclass(frozen=True, kw_only=True)
class Spread:
    name: str
    listener: float
    """Standard deviation of the effect between listeners, in both modes alike."""
    labelled: float
    """New in the labelled mode: between listeners, or between sittings of one."""
    blind: float
    rating: float
    clip: float = 0.0
    """Between clips, in both modes alike."""
    clip_labelled: float = 0.0
    clip_blind: float = 0.0

    @property
    def spreads(self) -> Spreads:
        return Spreads(
            listener=self.listener,
            labelled=self.labelled,
            blind=self.blind,
            clip=self.clip,
            clip_labelled=self.clip_labelled,
            clip_blind=self.clip_blind,
            rating=self.rating,
        )


def _panel(listeners: int, clips: int = CLIPS, **how: bool) -> Design:
    what = f"these {clips} clips" if not how.get("drawn", True) else f"{clips} clips"
    name = f"{listeners} listeners, {what}{', crossed' if how.get('crossed') else ''}"
    return Design(name=name, labelled=listeners, blind=listeners, panel=True, clips=clips, **how)


DESIGNS = (
    *(_panel(n) for n in (6, 12, 24)),
    _panel(12, 10),
    _panel(24, crossed=True),
    _panel(12, drawn=False),
    _panel(24, drawn=False),
    _panel(24, 2, drawn=False),
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
CLIP_SPREADS = tuple(
    Spread(
        name=name,
        listener=a,
        labelled=b,
        blind=c,
        rating=d,
        clip=clip,
        clip_labelled=clip_labelled,
        clip_blind=clip_blind,
    )
    for name, (a, b, c, d), (clip, clip_labelled, clip_blind) in (
        ("usual, clips", (8, 6, 6, 12), (4, 3, 3)),
        ("usual, clips a little", (8, 6, 6, 12), (2, 1, 1)),
        ("usual, clips much", (8, 6, 6, 12), (8, 6, 6)),
        ("quiet, clips", (2, 1, 1, 3), (4, 3, 3)),
        ("loud, clips", (16, 12, 12, 20), (8, 6, 6)),
        ("blind louder, clips too", (4, 3, 9, 6), (3, 2, 6)),
        ("labelled louder, clips too", (4, 9, 3, 6), (3, 6, 2)),
        ("nothing but clips and chance", (0, 0, 0, 12), (3, 2, 2)),
    )
)
LABELLED = (6.0, 12.0, 20.0, 35.0)
JUST = 1e-6
PARTS = ("mean", "std_error", "df", "clip_variance", "clip_floor", "clip_df")


def blind_effects(labelled: float) -> tuple[float, ...]:
    """Return true blind effects: within each state, and on both sides of every border between two."""
    border = KEPT * labelled
    effects = {-25.0, -15.0, -MARGIN, -MARGIN + JUST, -4.0, 0.0, 4.0, MARGIN - JUST, MARGIN, 10.0, labelled}
    effects |= {border - JUST, border, 1.3 * labelled}
    return tuple(sorted(effects))


def spreads_of(design: Design) -> tuple[Spread, ...]:
    return (*SPREADS, *CLIP_SPREADS) if design.panel and design.drawn else SPREADS


def noise(
    design: Design, spread: Spread, *, rng: np.random.Generator, studies: int
) -> tuple[Contrasts, Contrasts | None]:
    """Return the contrasts of studies with true effects of 0: the model's, and those of one contrast per listener."""
    if not design.panel:
        scatter = [
            np.hypot(new, spread.rating * sqrt(2 / (CLIPS * REPEATS))) for new in (spread.labelled, spread.blind)
        ]
        s, d = (rng.normal(0, sd, (studies, n)) for sd, n in zip(scatter, (design.labelled, design.blind), strict=True))
        return two_sample_contrasts(d, s, kept=KEPT), None
    both = []
    seed = int(rng.integers(2**62))
    for drawn, order in (
        (design.drawn, np.arange(design.labelled) % 2 == 0 if design.crossed else None),
        (False, None),
    ):
        both.append(
            panel_contrasts(
                spread.spreads,
                listeners=design.labelled,
                clips=design.clips,
                ratings=(REPEATS, REPEATS),
                kept=KEPT,
                clips_drawn=drawn,
                order=order,
                rng=np.random.default_rng(seed),  # the same studies for both
                studies=studies,
            )
        )
    return both[0], both[1]


def simulated(
    design: Design, spread: Spread, labelled: float, blind: float, *, rng: np.random.Generator, studies: int
) -> VerdictChances:
    """Return how often each verdict is reached in one cell of the grid."""
    return chances_of_contrasts(noise(design, spread, rng=rng, studies=studies)[0], truth=(blind, labelled), **RULE)


Cell = tuple[Design, Spread, float, float]


def cells() -> Iterator[Cell]:
    for design in DESIGNS:
        for spread in spreads_of(design):
            for labelled in LABELLED:
                for blind in blind_effects(labelled):
                    yield design, spread, labelled, blind


def row(cell: Cell, model: Contrasts, contrasts: Contrasts | None, studies: int) -> dict[str, object]:
    design, spread, labelled, blind = cell
    chances = chances_of_contrasts(model, truth=(blind, labelled), **RULE)
    beside = None if contrasts is None else chances_of_contrasts(contrasts, truth=(blind, labelled), **RULE)
    return {
        "design": design.name,
        "spread": spread.name,
        "sd_listener": spread.listener if design.panel else 0.0,
        "sd_labelled": spread.labelled,
        "sd_blind": spread.blind,
        "sd_rating": spread.rating,
        "sd_clip": spread.clip,
        "sd_clip_labelled": spread.clip_labelled,
        "sd_clip_blind": spread.clip_blind,
        "labelled": labelled,
        "blind": blind,
        "true_state": chances.true_state,
        "survives": chances.survives,
        "shrinks": chances.shrinks,
        "vanishes": chances.vanishes,
        "reverses": chances.reverses,
        "undecided": chances.undecided,
        "nothing_on_record": chances.nothing_on_record,
        "right": chances.right,
        "wrong": chances.wrong,
        "std_error": sqrt(max(chances.wrong, 1 / studies) * (1 - chances.wrong) / studies),
        "contrasts_right": np.nan if beside is None else beside.right,
        "contrasts_wrong": np.nan if beside is None else beside.wrong,
        "studies": studies,
    }


def grid(*, rng: np.random.Generator, studies: int = STUDIES) -> pd.DataFrame:
    """Return a row per cell of the whole grid."""
    rows, drawn, scatter = [], None, None
    for cell in cells():
        if drawn != cell[:2]:
            drawn, scatter = cell[:2], noise(*cell[:2], rng=rng, studies=studies)
        rows.append(row(cell, *scatter, studies))
    return pd.DataFrame(rows)


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


def missing(
    spread: Spread,
    *,
    listeners: int,
    clips: int,
    rng: np.random.Generator,
    studies: int,
    crossed: bool = False,
    share: float = 0.2,
) -> Contrasts:
    """Return the contrasts of panels with true effects of 0 and the same `share` of cells missing, by REML.

    A cell is a listener's mean of one device on one clip in one mode. Every listener keeps a cell in each mode.
    """
    there = rng.random((2, listeners, clips, 2)) >= share
    there[:, np.arange(listeners), np.arange(listeners) % clips] = True
    order = np.arange(listeners) % 2 == 0 if crossed else None
    names = tuple(f"L{i}" for i in range(listeners)), tuple(f"c{j}" for j in range(clips))
    panel = Panel(
        listeners=names[0],
        clips=names[1],
        ratings=np.where(there, 0.0, np.nan),
        signs=np.where(there.all(axis=-1), 0.0, np.nan),
        order=order,
        remarks=(),
    )
    ready = {modes: prepared_ratings(panel, modes, clips_drawn=True)[:2] for modes in ((0,), (1,), (0, 1))}
    half = np.array([0.5, -0.5])
    found: dict[str, list[dict[str, float]]] = {"labelled": [], "blind": [], "kept": []}
    for _ in range(studies):
        ratings = rng.normal(0, spread.rating / sqrt(REPEATS), there.shape)
        ratings += rng.normal(0, 8, (1, listeners, 1, 1)) + rng.normal(0, 8, (1, 1, clips, 1))
        ratings += rng.normal(0, 4, (2, listeners, clips, 1))  # the page: both devices side by side
        effects = rng.normal(0, spread.listener, (1, listeners, 1)) + rng.normal(0, spread.clip, (1, 1, clips))
        for mode, new, of_clip in ((0, spread.labelled, spread.clip_labelled), (1, spread.blind, spread.clip_blind)):
            own = effects[0] + rng.normal(0, new, (listeners, 1)) + rng.normal(0, of_clip, (1, clips))
            ratings[mode] += own[:, :, None] * half
        for name, modes, weights in (
            ("labelled", (0,), (1.0, 0.0)),
            ("blind", (1,), (0.0, 1.0)),
            ("kept", (0, 1), (KEPT, 1.0)),
        ):
            prepared, places = ready[modes]
            fit = prepared.fit(ratings[places] * np.array(weights)[places[0]])
            term = term_of(fit, "x:m" if len(modes) == 2 else "x", panel)
            found[name].append({part: float(getattr(term, part)) for part in PARTS})
    whole = {
        name: Estimates(**{part: np.array([one[part] for one in each]) for part in PARTS})
        for name, each in found.items()
    }
    return Contrasts(labelled=whole["labelled"], blind=whole["blind"], difference=whole["kept"], kept=whole["kept"])


def limits_of_few_clips(*, rng: np.random.Generator, studies: int = 200_000) -> pd.DataFrame:
    """Return how often a one-sided limit of a mean fails, at worst over ratios of mean squares.

    From independent mean squares: of listeners with ratio a, of clips with ratio b to the residual's, a and b from 1 to
    30. `satterthwaite`: REML's variance and Satterthwaite's degrees of freedom, without the parts at zero.
    """
    rows = []
    for listeners in (4, 6, 12, 24):
        for clips in (2, 3, 4, 5, 8, 12):
            for alpha in (0.05, 0.025):
                worst = {"weighed": 0.0, "satterthwaite": 0.0}
                for a in (1, 1.2, 1.5, 2, 3, 5, 10, 30):
                    for b in (1, 1.2, 1.5, 2, 3, 5, 10, 30):
                        for name, rate in _failures(listeners, clips, a, b, alpha, rng, studies).items():
                            worst[name] = max(worst[name], rate)
                rows.append({"listeners": listeners, "clips": clips, "alpha": alpha, **worst, "studies": studies})
    return pd.DataFrame(rows)


def _failures(
    listeners: int, clips: int, a: float, b: float, alpha: float, rng: np.random.Generator, studies: int
) -> dict[str, float]:
    df = (listeners - 1, clips - 1, (listeners - 1) * (clips - 1))
    own, of_clips, rest = (
        ratio * rng.chisquare(free, studies) / free for ratio, free in zip((a, b, 1.0), df, strict=True)
    )
    mean = rng.normal(0, sqrt(a + b - 1), studies)
    t, t_clips = stdtrit(df[0], 1 - alpha), stdtrit(df[1], 1 - alpha)
    added = np.maximum(of_clips - rest, 0.0)
    variance = own + added
    share = added / variance
    half = np.maximum(((1 - share) * t + share * t_clips) * np.sqrt(variance), t * np.sqrt(own))
    half = np.maximum(half, np.where(added > 0, t_clips * np.sqrt(of_clips), 0.0))
    # REML, one part at a time: the smaller mean square is pooled with the residual first if it lies below it.
    squares, free = rest.copy(), np.full(studies, float(df[2]))
    zero = {0: np.zeros(studies, bool), 1: np.zeros(studies, bool)}
    for turn in (own <= of_clips, own > of_clips):
        for place, square in ((0, own), (1, of_clips)):
            first = turn if place == 0 else ~turn
            pooled = first & (square < squares)
            squares = np.where(pooled, (free * squares + df[place] * square) / (free + df[place]), squares)
            free = np.where(pooled, free + df[place], free)
            zero[place] |= pooled
    one, two = np.where(zero[0], squares, own), np.where(zero[1], squares, of_clips)
    variance = one + two - squares
    shared = variance**2 / (own**2 / df[0] + of_clips**2 / df[1] + squares**2 / df[2])
    found = np.where(zero[0] & zero[1], sum(df), np.where(zero[1], df[0], np.where(zero[0], df[1], shared)))
    other = stdtrit(found, 1 - alpha) * np.sqrt(variance)
    return {"weighed": float(np.mean(mean > half)), "satterthwaite": float(np.mean(mean > other))}


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
    rounded: bool = True,
) -> pd.DataFrame:
    """Return a simulated table of ratings: device "device", comparator "other", anchors "low" and "high".

    `rounded`: rounded to whole numbers and held within 0 ... 100, as on the page. A single listener's spread of modes
    is between sittings.
    """
    rows = []
    of_clip = rng.normal(0, spread.clip, clips)
    of_clips = [of_clip + rng.normal(0, new, clips) for new in (spread.clip_labelled, spread.clip_blind)]
    for listener in range(listeners):
        own = rng.normal(0, spread.listener) if listeners > 1 else 0.0
        for mode, effect, new, clip_effects in (
            ("labelled", labelled, spread.labelled, of_clips[0]),
            ("blind", blind, spread.blind, of_clips[1]),
        ):
            in_mode = rng.normal(0, new) if listeners > 1 else 0.0
            for sitting in range(sittings):
                whole = effect + own + in_mode + (rng.normal(0, new) if listeners == 1 else 0.0)
                for clip in range(clips):
                    half = (whole + clip_effects[clip]) / 2
                    levels = {"device": 50 + half, "other": 50 - half}
                    if anchors:
                        levels |= {"low": anchors[0], "high": anchors[1]}
                    for device, level in levels.items():
                        for rating in level + rng.normal(0, spread.rating, repeats):
                            place = (f"L{listener + 1}", f"clip{clip + 1}", device, mode, f"{mode}{sitting + 1}")
                            rows.append(
                                (*place, float(np.clip(np.round(rating), 0, 100)) if rounded else float(rating))
                            )
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

    shown = ("24 listeners, 5 clips", "12 listeners, 5 clips", "6 listeners, 5 clips", "1 listener, 4 + 4 sittings")
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
        usual = CLIP_SPREADS[0] if designs[name].panel else SPREADS[0]
        scatter = noise(designs[name], usual, rng=rng, studies=4000)[0]
        found = [chances_of_contrasts(scatter, truth=(d, 20.0), **RULE) for d in effects]
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
    for mark, design in zip("osD^v<>PX*hd", DESIGNS, strict=True):
        own = table[table["design"] == design.name]
        axis.plot(own["blind"], own["wrong"], mark, ms=4, alpha=0.6, label=design.name)
    above = 3.5 * sqrt(ALPHA * (1 - ALPHA) / int(table["studies"].iloc[0]))
    axis.axhline(ALPHA, color="#8c2f39", lw=1)
    axis.axhspan(ALPHA, ALPHA + above, color="#8c2f39", alpha=0.1, lw=0)
    axis.text(
        -26, ALPHA + above / 2, "alpha, and 3.5 Monte Carlo standard errors above it", color="#8c2f39", va="center"
    )
    axis.set(
        xlabel="true blind effect (points); all labelled effects and spreads of the grid",
        ylabel="share of wrong verdicts",
        title=caption,
    )
    axis.legend(fontsize=8, ncols=1, loc="center right")
    chart.suptitle(
        "Verdicts reached with a labelled effect of 20 points, margin 8, usual spreads, clips differ; wrong verdicts"
    )
    chart.savefig(path, dpi=110, metadata={"Software": None})


def caption_of(meta: dict[str, object]) -> str:
    """Return the one line that sums the simulation up."""
    return (
        f"{meta['cells']} cells of {meta['studies']} studies, seed {meta['seed']}, {meta['date']}: worst "
        f"{meta['worst_in_grid']:.4f}; its like simulated again {meta['worst_again']:.4f}"
    )


def with_missing(studies: int) -> pd.DataFrame:
    """Return a row per spread and pair of true effects: 12 listeners and 6 clips, in one order or crossed."""
    rows = []
    every = (CLIP_SPREADS[0], CLIP_SPREADS[3], CLIP_SPREADS[5], SPREADS[0])
    for number, (spread, crossed) in enumerate((*((one, False) for one in every), (CLIP_SPREADS[0], True))):
        rng = np.random.default_rng((SEED, number))
        scatter = missing(spread, listeners=12, clips=6, crossed=crossed, rng=rng, studies=studies)
        for labelled in LABELLED:
            for blind in blind_effects(labelled):
                found = chances_of_contrasts(scatter, truth=(blind, labelled), **RULE)
                rows.append(
                    {
                        "spread": spread.name,
                        "crossed": crossed,
                        "labelled": labelled,
                        "blind": blind,
                        "true_state": found.true_state,
                        "right": found.right,
                        "wrong": found.wrong,
                        "std_error": sqrt(max(found.wrong, 1 / studies) * (1 - found.wrong) / studies),
                        "studies": studies,
                    }
                )
    return pd.DataFrame(rows)


def main() -> None:
    """Simulate, write, print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--tables", action="store_true", help="whole tables through survival() instead")
    parser.add_argument("--missing", action="store_true", help="panels with missing ratings instead")
    parser.add_argument("--limits", action="store_true", help="the limits alone instead")
    parser.add_argument("--figure", action="store_true", help="only draw the table that was written")
    parser.add_argument("--studies", type=int, default=None)
    parser.add_argument("--out", type=Path, default=OUT)
    options = parser.parse_args()
    if options.tables:
        for listeners, sittings in ((12, 1), (24, 1), (1, 4)):
            for blind in (20.0, 0.0, -15.0, 10.0):
                shares = through_tables(
                    np.random.default_rng(SEED),
                    studies=options.studies or 400,
                    listeners=listeners,
                    sittings=sittings,
                    labelled=20.0,
                    blind=blind,
                    spread=CLIP_SPREADS[0] if listeners > 1 else SPREADS[0],
                )
                print(f"{listeners} listeners, {sittings} sittings a mode, blind {blind:g}: {shares.to_dict()}")
        return
    if options.missing or options.limits:
        name = "survival_missing_ratings" if options.missing else "survival_limits"
        table = (
            with_missing(options.studies or 1000)
            if options.missing
            else limits_of_few_clips(rng=np.random.default_rng(SEED), studies=options.studies or 200_000)
        )
        table.insert(len(table.columns), "date", f"{datetime.now(UTC):%Y-%m-%d}")
        table.insert(len(table.columns), "seed", SEED)
        table.round(6).to_csv(options.out / f"{name}.csv", index=False, lineterminator="\n")
        print(table.to_string(index=False))
        return
    if options.figure:
        meta = json.loads((options.out / "survival_error_rates.json").read_text(encoding="utf-8"))
        table = pd.read_csv(options.out / "survival_error_rates.csv")
        figure(table, options.out / "survival_error_rates.png", caption=caption_of(meta))
        return
    studies = options.studies or STUDIES
    table = grid(rng=np.random.default_rng(SEED), studies=studies)
    second = again(table, rng=np.random.default_rng(SEED + 1))
    valid = table[(table[["sd_clip", "sd_clip_labelled", "sd_clip_blind"]].sum(axis=1) == 0)]
    lost = (valid["contrasts_right"] - valid["right"]).groupby(valid["design"]).max().dropna()
    meta = {
        "seed": SEED,
        "seed_again": SEED + 1,
        "date": f"{datetime.now(UTC):%Y-%m-%d}",
        "numpy": np.__version__,
        "margin": MARGIN,
        "kept": KEPT,
        "alpha": ALPHA,
        "cells": len(table),
        "studies": studies,
        "largest_std_error": sqrt(ALPHA * (1 - ALPHA) / studies),
        "worst_in_grid": float(table["wrong"].max()),
        "worst_again": float(second["wrong_again"].max()),
        "worst_of_contrasts_with_clips_that_differ": float(table["contrasts_wrong"].max()),
        "largest_loss_against_contrasts_without_clips_that_differ": {str(k): float(v) for k, v in lost.items()},
        "worst_cells": second.to_dict("records"),
    }
    table.round(6).to_csv(options.out / "survival_error_rates.csv", index=False, lineterminator="\n")
    (options.out / "survival_error_rates.json").write_text(json.dumps(meta, indent=1) + "\n", encoding="utf-8")
    figure(table, options.out / "survival_error_rates.png", caption=caption_of(meta))
    print(caption_of(meta))
    print(json.dumps(meta["largest_loss_against_contrasts_without_clips_that_differ"], indent=1))
    print(second.to_string(index=False))


if __name__ == "__main__":
    main()
