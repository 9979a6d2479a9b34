"""Figures of a mixed model's residuals: their spread along the scale, normal quantiles, and what one listener does.

They show, they don't test: a straight quantile plot and an even spread are what the intervals of the ratings rest on.
"""

import math
from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from blindtest.report.curves import POINTS, thinned
from blindtest.report.facts import ReportInput
from blindtest.report.figures import (
    DASHES,
    MARKS,
    MOST_ROWS,
    ROLES,
    Cell,
    Figure,
    drawing,
    finished,
    label,
    legend_above,
    numbered,
    rows_of,
)
from blindtest.report.svg import LIGHT
from blindtest.report.words import clean, number, percent, plural
from blindtest.stats import InfluenceResult, ResidualChecks
from blindtest.stats.mixed.residuals import SEVERE, WARNING, normal_quantiles

__all__ = ["influence_figure", "model_figures", "quantiles_figure", "spread_figure"]

Floats = NDArray[np.float64]


def model_figures(report: ReportInput) -> tuple[Figure, ...]:
    """Return what the models of blind ratings leave, for each claim about ratings beside which one stands."""
    made: list[Figure] = []
    for place, result in enumerate(report.of_kind("rated")):
        for companion in result.companions:
            if isinstance(companion.result, ResidualChecks):
                made.append(spread_figure(companion.result, numbered("residuals", place)))
                made.append(quantiles_figure(companion.result, numbered("quantiles", place)))
            elif isinstance(companion.result, InfluenceResult):
                made.append(influence_figure(companion.result, numbered("influence", place)))
    return tuple(made)


def spread_figure(checks: ResidualChecks, name: str = "residuals") -> Figure:
    """Return each residual against its fitted value, and the spread of those with like fitted values."""
    order = np.argsort(checks.fitted, kind="stable")
    fitted, residuals = checks.fitted[order], checks.residuals[order]
    kept = thinned([residuals], POINTS)
    with drawing(3.6) as page:
        axes = page.subplots()
        axes.axhline(0, color=LIGHT["soft"], linewidth=0.9)
        axes.plot(
            fitted[kept], residuals[kept], "o", color=LIGHT["a"], markersize=3.4, alpha=0.55, markeredgewidth=0,
            label="an answer",
        )  # fmt: skip
        bands = checks.bands[checks.bands["std_dev"].notna()]
        centres = (bands["low"] + bands["high"]).to_numpy() / 2
        for sign in (1, -1):
            axes.plot(
                centres, (bands["mean"] + sign * bands["std_dev"]).to_numpy(), "s-", color=LIGHT["b"], markersize=4.5,
                linewidth=1.6, label="mean ± standard deviation of a band" if sign > 0 else "_",
            )  # fmt: skip
        reach = 1.08 * max(2.5, float(np.abs(checks.residuals).max()))
        axes.set_ylim(-reach, reach)
        axes.set_xlabel("fitted value, points of the scale")
        axes.set_ylabel("residual, standard deviations")
        axes.grid(color=LIGHT["grid"], linewidth=0.6)
        axes.set_axisbelow(True)
        legend_above(axes)
        bands = bands[["low", "high", "rows", "mean", "std_dev"]]
        columns = ["lowest fitted", "highest fitted", "answers", "mean residual", "standard deviation"]
        rows: tuple[tuple[Cell, ...], ...] = tuple(
            (low, high, int(count), mean, spread)
            for low, high, count, mean, spread in rows_of(
                [bands[column].to_numpy(dtype=np.float64) for column in bands]
            )
        )
        title = "Residuals along the scale"
        return finished(page, name, title, _spread_description(checks, len(kept)), columns, rows)


def _spread_description(checks: ResidualChecks, drawn: int) -> str:
    counted = plural(checks.n, "answer") + (f", {drawn} of them drawn" if drawn < checks.n else "")
    text = (
        f"{counted}: what the model leaves of each, in residual standard deviations ({number(checks.sigma, 1)} "
        "points), against its fitted value. "
    )
    if math.isfinite(checks.spread_ratio):
        text += (
            f"Bands of like fitted value: the widest spreads {number(checks.spread_ratio, 1)} times as far as the "
            f"narrowest; rank correlation of size with fitted value {number(checks.spread_trend)}. "
        )
    if max(checks.at_lowest, checks.at_highest) > 0.05:
        low, high = percent(checks.at_lowest), percent(checks.at_highest)
        text += f"{low} of the answers are the lowest given, {high} the highest."
    return text.strip()


def quantiles_figure(checks: ResidualChecks, name: str = "quantiles") -> Figure:
    """Return normal quantiles of the residuals, and beside them those of the random effects."""
    effects = {key: values for key, values in checks.effects.items() if len(values) > 2}
    with drawing(3.9) as page:
        left, right = page.subplots(1, 2, width_ratios=(1.25, 1))
        expected, observed = normal_quantiles(checks.residuals)
        kept = thinned([observed], POINTS)
        reach = 1.1 * max(float(np.abs(expected).max()), float(np.abs(observed).max()))
        left.plot((-reach, reach), (-reach, reach), color=LIGHT["soft"], linewidth=0.9)
        left.plot(expected[kept], observed[kept], "o", color=LIGHT["a"], markersize=3.4, markeredgewidth=0)
        left.set_title(f"residuals, skewness {number(checks.skewness)}", loc="left", fontsize=9.5)
        left.set_ylabel("observed, standard deviations")
        _draw_effects(right, effects)
        for axes in (left, right):
            axes.set_xlabel("expected of a normal distribution")
            axes.grid(color=LIGHT["grid"], linewidth=0.6)
            axes.set_axisbelow(True)
        columns = ["expected", "observed residual"]
        return finished(
            page, name, "Normal quantiles", _quantile_description(checks, effects), columns,
            rows_of([expected[kept], observed[kept]]),
        )  # fmt: skip


def _draw_effects(axes: Any, effects: Mapping[str, Floats]) -> None:
    most = 2.5
    for place, (key, values) in enumerate(effects.items()):
        expected, observed = normal_quantiles(values)
        kept = thinned([observed], POINTS)
        most = max(most, float(np.abs(observed).max()), float(np.abs(expected).max()))
        axes.plot(
            expected[kept], observed[kept], marker=MARKS[place % 4], color=LIGHT[ROLES[place % 4]], markersize=4.5,
            linewidth=0.9, linestyle=DASHES[place % 4], label=label(key, 24),
            markerfacecolor="none" if place >= len(MARKS) else None,
        )  # fmt: skip
    axes.plot((-1.1 * most, 1.1 * most), (-1.1 * most, 1.1 * most), color=LIGHT["soft"], linewidth=0.9)
    axes.set_title("effects of groups (shrunken)", loc="left", fontsize=9.5)
    if effects:
        axes.legend(loc="upper left", frameon=False, fontsize=8.5, handletextpad=0.5)


def _quantile_description(checks: ResidualChecks, effects: Mapping[str, Floats]) -> str:
    size = abs(checks.skewness)
    words = (
        f"within the {WARNING:g} that BS.1534 attachment 4 lets pass"
        if size <= WARNING
        else f"beyond {WARNING:g}, a warning by BS.1534 attachment 4"
        if size <= SEVERE
        else f"beyond {SEVERE:g}, severe by BS.1534 attachment 4"
    )
    text = (
        f"Sorted residuals against what a normal distribution would have: on the line if they are normal. Skewness "
        f"{number(checks.skewness)}, {words}; excess kurtosis {number(checks.excess_kurtosis)}. Farthest off: "
        f"{number(float(np.abs(checks.residuals).max()), 1)} standard deviations."
    )
    if effects:
        names = ", ".join(f"{clean(key)} ({len(values)})" for key, values in effects.items())
        text += f" Beside them the effects of {names}, shrunken towards zero and so less steep than the line."
    return text


def influence_figure(result: InfluenceResult, name: str = "influence") -> Figure:
    """Return Cook's distance of each level, the most influential first, with the limit for a second look."""
    distance = result.levels["cooks_distance"]
    shown = distance[distance.notna()].sort_values(ascending=False, kind="stable")
    drawn = shown.iloc[:MOST_ROWS]
    with drawing(1.2 + 0.26 * max(len(drawn), 1)) as page:
        axes = page.subplots()
        axes.axvline(result.cook_limit, color=LIGHT["ink"], linewidth=1.1, linestyle=(0, (4, 2)))
        axes.annotate(
            f"second look\n{number(result.cook_limit)}", (result.cook_limit, 1), xycoords=("data", "axes fraction"),
            xytext=(0, 3), textcoords="offset points", ha="center", va="bottom", fontsize=8.5, color=LIGHT["ink"],
        )  # fmt: skip
        places = np.arange(len(drawn))
        axes.hlines(places, 0, drawn.to_numpy(), color=LIGHT["a"], linewidth=1.8)
        axes.plot(drawn.to_numpy(), places, "o", color=LIGHT["a"], markersize=6)
        axes.set_yticks(places, [label(str(level), 24) for level in drawn.index])
        axes.set_ylim(len(drawn) - 0.4, -0.6)
        axes.set_xlim(0, 1.08 * max(result.cook_limit, float(shown.max()) if len(shown) else 0.0))
        axes.set_xlabel(f"Cook's distance of the fixed effects without one {clean(result.group)}")
        axes.grid(axis="x", color=LIGHT["grid"], linewidth=0.6)
        axes.set_axisbelow(True)
        columns = [clean(result.group), "answers", "Cook's distance", *(clean(term) for term in result.coefficients)]
        rows: tuple[tuple[Cell, ...], ...] = tuple(
            (
                clean(str(level)), int(result.levels.loc[level, "rows"]), float(shown[level]),
                *(float(value) for value in result.coefficients.loc[level]),
            )
            for level in drawn.index
        )  # fmt: skip
        rest = len(shown) - len(drawn)
        description = result.sentence + (f" The {rest} with the smallest distances are not drawn." if rest else "")
        return finished(page, name, f"What one {clean(result.group)} does to the result", description, columns, rows)
