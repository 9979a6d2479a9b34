"""The figure of sittings that a rule ended: right answers beyond guessing, trial by trial, and what ends a sitting."""

from itertools import accumulate

from blindtest.report.facts import ReportInput
from blindtest.report.figures import (
    DASHES,
    MARKS,
    ROLES,
    Cell,
    Figure,
    drawing,
    finished,
    label,
    legend_above,
)
from blindtest.report.svg import LIGHT
from blindtest.report.words import clean, count_of, percent

__all__ = ["stopped_figure"]

MOST_PATHS = 4
"""Sittings that are drawn; more could not be told apart."""


def stopped_figure(report: ReportInput) -> Figure | None:
    """Return how each sitting went from trial to trial, and what would have ended it."""
    heard = report.heard
    facts = None if heard is None else heard.stopped
    if facts is None or not facts.looks or not facts.series:
        return None
    guess, shown = facts.conclusion.guess_rate, facts.series[:MOST_PATHS]
    longest = max(len(answers) for _, answers in shown)
    # Bounds beyond the sitting that went farthest would only press the paths together.
    last = min(facts.looks[-1], max(longest + 10, longest * 5 // 4))
    rows: list[tuple[Cell, ...]] = []
    with drawing(3.6) as page:
        axes = page.subplots()
        axes.axhline(0, color=LIGHT["ink"], linewidth=1.1, linestyle=(0, (4, 2)))
        for name, numbers, mark in (
            ("ends for a difference", facts.high, "v"),
            ("ends for too little", facts.low, "^"),
        ):
            bound = [
                (look, number)
                for look, number in zip(facts.looks, numbers, strict=True)
                if number is not None and look <= last
            ]
            axes.plot(
                [look for look, _ in bound], [number - guess * look for look, number in bound], mark,
                color=LIGHT["grid"], markeredgecolor=LIGHT["ink"], markeredgewidth=0.6, markersize=5, label=name,
            )  # fmt: skip
            rows += [(name, look, number) for look, number in bound]
        for place, (who, answers) in enumerate(shown):
            right = list(accumulate(int(one) for one in answers))
            trials = range(len(right) + 1)
            axes.plot(
                trials, [k - guess * n for n, k in zip(trials, [0, *right], strict=True)], marker=MARKS[place],
                markevery=[len(right)], color=LIGHT[ROLES[place]], linestyle=DASHES[place], linewidth=1.8,
                label=label(who, 16),
            )  # fmt: skip
            rows += [(clean(who), n, k) for n, k in enumerate(right, start=1)]
        axes.set_xlim(0, last + 0.5)
        axes.xaxis.get_major_locator().set_params(integer=True)
        axes.set_xlabel("trials that count")
        axes.set_ylabel("right answers beyond guessing")
        axes.grid(color=LIGHT["grid"], linewidth=0.6)
        legend_above(axes)
        ended = "; ".join(f"{clean(who)}: {count_of(sum(answers), len(answers))} right" for who, answers in shown)
        description = (
            f"Right answers beyond guessing ({percent(guess)}) after each trial, and the sealed numbers that end a "
            f"sitting. {ended}."
        )
        if len(facts.series) > MOST_PATHS:
            description += f" The first {MOST_PATHS} of {len(facts.series)} sittings are drawn."
        return finished(
            page, "stopped", "How each sitting came to its end", description, ("what", "after trial", "right"),
            tuple(rows), 0,
        )  # fmt: skip
