"""Draw the figure of survival.md from the table of the simulation: python tests/guide/draw_survival.py

Nothing is simulated here; `tests/stats/simulate_survival.py` made the table. Colours: Okabe & Ito 2008.
"""

import csv
import io
import json
from collections.abc import Sequence
from math import sqrt
from pathlib import Path

HERE = Path(__file__).parent
REFERENCES = HERE.parent / "references" / "stats"
OUT = HERE.parents[1] / "blindtest" / "guide" / "figures" / "survival-error-rates.svg"
LOOKS = {
    "survives": ("#009e73", "-"),
    "shrinks": ("#e69f00", "--"),
    "vanishes": ("#0072b2", "-."),
    "reverses": ("#d55e00", (0, (5, 1, 1, 1, 1, 1))),
    "undecided": ("#666666", ":"),
}
SHOWN = ("24 listeners, 5 clips", "12 listeners, 5 clips", "6 listeners, 5 clips", "1 listener, 6 + 6 sittings")
LABELLED = 20.0

Row = dict[str, str]


def table() -> list[Row]:
    """Return the rows of the simulation, one a cell."""
    with (REFERENCES / "survival_error_rates.csv").open(newline="", encoding="utf-8") as file:
        return list(csv.DictReader(file))


def meta() -> dict:
    """Return seed, date, numbers and the worst cells."""
    return json.loads((REFERENCES / "survival_error_rates.json").read_text(encoding="utf-8"))


def usual(rows: Sequence[Row], design: str) -> list[Row]:
    """Return the cells of a design with the usual spreads and a labelled effect of 20, by blind effect."""
    own = [row for row in rows if row["design"] == design and row["spread"] == "usual"]
    return sorted((row for row in own if float(row["labelled"]) == LABELLED), key=lambda row: float(row["blind"]))


def drawn() -> bytes:
    """Return the figure as SVG, the same bytes on every run of one matplotlib."""
    import matplotlib as mpl

    mpl.use("svg")
    import matplotlib.pyplot as plt

    rows, facts = table(), meta()
    settings = {"svg.fonttype": "none", "svg.hashsalt": "blindtest", "font.size": 9, "font.family": "sans-serif"}
    with mpl.rc_context(settings):
        chart, axes = plt.subplot_mosaic(
            [list("abcd"), ["wrong"] * 4], figsize=(10, 6.6), height_ratios=(1, 0.9), layout="constrained"
        )
        for letter, design in zip("abcd", SHOWN, strict=True):
            _verdicts(axes[letter], usual(rows, design), design, facts)
        axes["a"].set_ylabel("share of studies")
        chart.legend(
            *axes["a"].get_legend_handles_labels(), loc="outside upper center", ncols=len(LOOKS), frameon=False
        )
        _wrong(axes["wrong"], rows, facts)
        made = io.BytesIO()
        chart.savefig(made, format="svg", metadata={"Date": None, "Creator": f"matplotlib {mpl.__version__}"})
        plt.close(chart)
    return made.getvalue()


def _verdicts(axis, rows: Sequence[Row], design: str, facts: dict) -> None:
    blind = [float(row["blind"]) for row in rows]
    for border in (-facts["margin"], facts["margin"], facts["kept"] * LABELLED):
        axis.axvline(border, color="#bbbbbb", lw=0.8, zorder=0)
    for word, (colour, dashes) in LOOKS.items():
        axis.plot(blind, [float(row[word]) for row in rows], color=colour, ls=dashes, lw=1.8, label=word)
    axis.set(title=design, ylim=(-0.03, 1.03), xlim=(-26, 27), xlabel="true blind effect, points")


def _wrong(axis, rows: Sequence[Row], facts: dict) -> None:
    designs = list(dict.fromkeys(row["design"] for row in rows))
    noise = 3.5 * sqrt(facts["alpha"] * (1 - facts["alpha"]) / facts["studies"])
    axis.axvspan(facts["alpha"], facts["alpha"] + noise, color="#eeeeee", lw=0, zorder=0)
    axis.axvline(facts["alpha"], color="#444444", lw=1)
    for place, design in enumerate(designs):
        worst: dict[str, float] = {}
        for row in rows:
            if row["design"] == design:
                worst[row["blind"]] = max(worst.get(row["blind"], 0.0), float(row["wrong"]))
        axis.plot(list(worst.values()), [place] * len(worst), "o", ms=4, mfc="none", mec="#0072b2", mew=0.9)
    axis.set_yticks(range(len(designs)), designs)
    axis.invert_yaxis()
    axis.text(
        facts["alpha"] + noise, -0.75, "alpha, and 3.5 Monte Carlo standard errors above it ", ha="right", va="bottom"
    )
    axis.set(
        xlim=(-0.001, facts["alpha"] + noise + 0.001),
        xlabel=f"share of wrong verdicts; a ring: the worst cell with one blind effect ({facts['cells']} cells of "
        f"{facts['studies']} studies, seed {facts['seed']}, {facts['date']})",
    )


if __name__ == "__main__":
    OUT.parent.mkdir(exist_ok=True)
    OUT.write_bytes(drawn())
    print(f"{OUT}: {OUT.stat().st_size} bytes")
