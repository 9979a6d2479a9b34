"""How often the tests of free listening err, and how often their limits hold the truth: by simulation over a grid.

    python tests/stats/simulate_free_listening.py [--studies 2000] [--seed 1] [--out FOLDER]

Every study is a list of tracks as `dwell_test` and `choice_test` see them, judged by the same functions. The grid:

- one listener, dwell: two and three slots, 6 and 10 tracks; shares that stick to slots (inertia), that lie at the ends
  (all or nothing), or that gain from the device by a fixed amount;
- a panel, dwell (6, 10 and 16 listeners) and choice (6, 9 and 12), two and three slots, 8 tracks each: listeners who
  are alike, who differ, who differ lopsidedly (one in ten far above, the others a little below).

`above` and `below` are rejections of an equal share at 2.5 % on each side, whatever the word: errors where there is no
effect. `negligible` is an error where the effect equals the margin. The two-sided limits should hold the true effect in
95 % of studies. Results are kept in
tests/references/stats/free_listening_error_rates.csv and .json; the tests run a short form.
"""

import argparse
import csv
import json
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from fractions import Fraction
from functools import cache
from pathlib import Path

import numpy as np

from blindtest.stats.free_listening.choice import ChoiceCount, _count, _panel
from blindtest.stats.free_listening.panel_share import PanelShare, TracksToo, panel_share
from blindtest.stats.free_listening.redraws import Unit, flips, redrawn
from blindtest.stats.free_listening.tracks import Track

MARGIN = 0.15
REFERENCES = Path(__file__).parents[1] / "references" / "stats"


@dataclass(frozen=True, kw_only=True)
class Cell:
    """One point of the grid."""

    test: str
    slots: int
    listeners: int
    tracks: int
    behaviour: str
    effect: float


@dataclass(frozen=True, kw_only=True)
class Rates:
    """What came out at one point."""

    test: str
    slots: int
    listeners: int
    tracks: int
    behaviour: str
    effect: float
    above: float
    below: float
    negligible: float
    covered: float
    studies: int


def grid() -> list[Cell]:
    """Return all points."""
    cells = [
        Cell(test="dwell", slots=slots, listeners=1, tracks=tracks, behaviour=behaviour, effect=effect)
        for slots in (2, 3)
        for tracks in (6, 10)
        for behaviour in ("even", "inertia", "all or nothing")
        for effect in ((0.0,) if behaviour == "all or nothing" else (0.0, MARGIN))
    ]
    cells += [
        Cell(test=test, slots=slots, listeners=listeners, tracks=8, behaviour=behaviour, effect=effect)
        for test in ("dwell", "choice")
        for slots in (2, 3)
        for listeners in ((6, 10, 16) if test == "dwell" else (6, 9, 12))
        for behaviour in ("alike", "differ", "lopsided")
        for effect in (0.0, MARGIN)
    ]
    return cells


def own_effects(cell: Cell, rng: np.random.Generator) -> np.ndarray:
    """Return each listener's own effect, with the mean that the point states."""
    n = cell.listeners
    if cell.behaviour == "differ":
        return cell.effect + rng.normal(0, 0.1, n)
    if cell.behaviour == "lopsided":
        # Nine in ten a little below, one in ten far above.
        return cell.effect + np.where(rng.random(n) < 0.1, 0.27, -0.03)
    return np.full(n, cell.effect)


def baseline(cell: Cell, tracks: int, rng: np.random.Generator) -> np.ndarray:
    """Return what each slot gets of each track if the device makes no difference, (tracks, slots)."""
    m = cell.slots
    if cell.behaviour == "all or nothing":
        return np.eye(m)[rng.integers(0, m, tracks)]
    weights = np.full(m, 2.0)
    if cell.behaviour == "inertia":
        weights[0] = 6.0
    return rng.dirichlet(weights, tracks)


def dwell_units(cell: Cell, effect: float, rng: np.random.Generator) -> list[Unit]:
    """Return one listener's tracks, the device's slot drawn; it gains `effect`, evenly from the others."""
    shares = baseline(cell, cell.tracks, rng)
    places = rng.integers(0, cell.slots, cell.tracks)
    units = []
    for row, place in zip(shares, places, strict=True):
        moved = row - effect / (cell.slots - 1)
        moved[place] = row[place] + effect
        units.append(Unit(values=moved, place=int(place)))
    return units


Study = tuple[bool, bool, bool, bool]
"""Above an equal share, below it, inside the margin, limits hold the true effect."""


def dwell_study(cell: Cell, rng: np.random.Generator) -> Study:
    """Return what one study says."""
    listeners = [dwell_units(cell, effect, rng) for effect in own_effects(cell, rng)]
    everything = [unit for units in listeners for unit in units]
    pooled = None
    if cell.listeners == 1 or cell.slots > 2:
        pooled = redrawn(everything, seed=int(rng.integers(2**31)), most=4**6, sample=999)
    if cell.listeners == 1:
        assert pooled is not None
        return (
            pooled.p_greater() <= 0.025,
            pooled.p_less() <= 0.025,
            pooled.lower_limit(0.05) > -MARGIN and pooled.upper_limit(0.05) < MARGIN,
            pooled.lower_limit(0.025) <= cell.effect <= pooled.upper_limit(0.025),
        )
    means = [float(np.mean([unit.effect for unit in units])) for units in listeners]
    signs = redrawn(flips(means), seed=int(rng.integers(2**31)), most=2**12, sample=1999)
    too = None
    if pooled is not None:
        too = TracksToo(
            p_claimed=pooled.p_greater(),
            p_other=pooled.p_less(),
            limits=(pooled.lower_limit(0.05), pooled.upper_limit(0.05)),
            interval=(pooled.lower_limit(0.025), pooled.upper_limit(0.025)),
        )
    found = panel_share(
        signs, signs, signs, listeners=cell.listeners, mean=float(np.mean(means)), share=1 / cell.slots,
        margin=MARGIN, alpha=0.05, direction="two-sided", tracks_too=too,
    )  # fmt: skip
    return said(found, cell.effect)


def said(found: PanelShare, effect: float) -> Study:
    """Return what a panel's result says."""
    above, below = found.p_claimed <= 0.025, found.p_other <= 0.025
    return above, below, found.within_margin, found.interval[0] <= effect <= found.interval[1]


@cache
def counted(chosen: int, tracks: int, slots: int) -> ChoiceCount:
    """Return the count of one listener, or of all, that chose the device this often."""
    conditions = ("c0", "c1", "c2")[:slots]
    mine = [
        Track(
            row=1, listener="L", sitting="", track="t", slots=("A", "B", "C")[:slots], conditions=conditions,
            start=None, chosen="c0" if n < chosen else "c1", dwell_s=None, skipped_at_s=None, censored=None,
        )
        for n in range(tracks)
    ]  # fmt: skip
    return _count(mine, "c0", Fraction(1, slots), listener="", margin=MARGIN, alpha=0.05, direction="two-sided")


def choice_study(cell: Cell, rng: np.random.Generator) -> Study:
    """Return what one study of choices says."""
    share = Fraction(1, cell.slots)
    chances = np.clip(float(share) + own_effects(cell, rng), 0.02, 0.98)
    chosen = rng.binomial(cell.tracks, chances).tolist()
    counts = [counted(k, cell.tracks, cell.slots) for k in chosen]
    pooled = counted(sum(chosen), cell.tracks * cell.listeners, cell.slots)
    found = _panel(counts, pooled, share, margin=MARGIN, alpha=0.05, direction="two-sided", seed=1)
    return said(found, cell.effect)


def rates(cell: Cell, studies: int, rng: np.random.Generator) -> Rates:
    """Return how often each came out."""
    study = dwell_study if cell.test == "dwell" else choice_study
    results = [study(cell, rng) for _ in range(studies)]
    above, below, negligible, covered = (float(share) for share in np.mean(results, axis=0))
    return Rates(**asdict(cell), above=above, below=below, negligible=negligible, covered=covered, studies=studies)


def main() -> None:
    """Run the grid and write its table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--studies", type=int, default=2000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--out", type=Path, default=REFERENCES)
    options = parser.parse_args()
    found = []
    for number, cell in enumerate(grid()):
        found.append(rates(cell, options.studies, np.random.default_rng([options.seed, number])))
        print(found[-1], flush=True)
    with (options.out / "free_listening_error_rates.csv").open("w", newline="", encoding="utf-8") as out:
        writer = csv.DictWriter(out, fieldnames=list(asdict(found[0])), lineterminator="\n")
        writer.writeheader()
        writer.writerows(asdict(row) for row in found)
    nothing = [row for row in found if row.effect == 0]
    at_margin = [row for row in found if row.effect]
    summary = {
        "seed": options.seed,
        "studies": options.studies,
        "date": datetime.now(UTC).date().isoformat(),
        "margin": MARGIN,
        "alpha": 0.05,
        "most_rejections_without_effect": asdict(max(nothing, key=lambda row: row.above + row.below)),
        "worst_negligible_at_the_margin": asdict(max(at_margin, key=lambda row: row.negligible)),
        "least_coverage": asdict(min(found, key=lambda row: row.covered)),
    }
    text = json.dumps(summary, indent=1) + "\n"
    (options.out / "free_listening_error_rates.json").write_text(text, encoding="utf-8")
    print(text)


if __name__ == "__main__":
    main()
