"""Figures of claims decided by choices other than hearing and liking: more of an attribute, and what plays on."""

from math import nan

from blindtest.report.facts import ReportInput
from blindtest.report.figures import Figure, drawn_names
from blindtest.report.interval_rows import IntervalRow, Line, interval_figure
from blindtest.report.listened_facts import ListenedFacts
from blindtest.report.words import MINUS, clean, count_of, percent

__all__ = ["attribute_figure", "listened_figure"]


def attribute_figure(report: ReportInput) -> Figure | None:
    """Return d' along the attribute of each listener and of all answers, with intervals, nothing and the margin."""
    result = next((one for one in report.of_kind("attribute") if one.attribute is not None), None)
    if result is None or result.attribute is None:
        return None
    facts, margin = result.attribute, result.claim.margin
    a, b = drawn_names([report.name_of(result.claim.device), report.name_of(result.claim.comparator)])
    tests = [(one.who, one.tested, False) for one in facts.listeners] if len(facts.listeners) > 1 else []
    tests.append(("all answers", facts.decisive, True))
    rows = [
        IntervalRow(
            who=who,
            estimate=test.d_prime,
            interval=test.d_prime_interval,
            note=count_of(test.correct, test.trials),
            whole=whole,
        )
        for who, test, whole in tests
    ]
    lines: list[Line] = [(0.0, "guessing\n0", False)]
    said = f"0 is guessing; above it {a} was chosen more often than {b}."
    if margin is not None:
        lines += [(x, f"margin\n{x:+g}".replace("-", MINUS), True) for x in (-margin, margin)]
        said += f" From {-margin:g} to {margin:g} counts as negligible."
    return interval_figure(
        "attribute",
        f"More {clean(result.claim.attribute)}: {a} against {b}",
        f"d′ along {clean(result.claim.attribute)}, above 0 where {a} has more, with {percent(facts.decisive.level)} "
        "intervals",
        rows,
        lines,
        said.replace("-", MINUS),
    )


def listened_figure(report: ReportInput) -> Figure | None:
    """Return the share of tracks that the device was chosen to play on, by listener and in all."""
    result = next((one for one in report.of_kind("keeps listening") if one.listened is not None), None)
    if result is None or result.listened is None:
        return None
    choice, margin = result.listened.choice, result.claim.margin
    if not choice.pooled.tracks:
        return None
    a, b = drawn_names([report.name_of(result.claim.device), report.name_of(result.claim.comparator)])
    rows = [
        IntervalRow(
            who=one.listener,
            estimate=one.share if one.tracks else nan,
            interval=one.interval if one.tracks else (nan, nan),
            note=count_of(one.chosen, one.tracks),
        )
        for one in (choice.by_listener if len(choice.by_listener) > 1 else ())
    ]
    rows.append(_whole(result.listened))
    even = choice.equal_share
    lines: list[Line] = [(even, f"equal share\n{percent(even)}", False)]
    said = f"An equal share is {percent(even)}."
    if margin is not None:
        lines += [(x, f"margin\n{percent(x)}", True) for x in (even - margin, even + margin)]
        said += f" From {percent(even - margin)} to {percent(even + margin)} counts as negligible."
    return interval_figure(
        "listened",
        f"Chosen to play on: {a} against {b}",
        f"tracks in which {a} was chosen to play the rest, %, with {percent(1 - choice.alpha)} intervals",
        rows,
        lines,
        said,
        scale=100.0,
        span=(0.0, 100.0),
        digits=1,
    )


def _whole(facts: ListenedFacts) -> IntervalRow:
    """Return the row that the word rests on: one share per listener in a panel, else all tracks."""
    choice = facts.choice
    low, high = choice.interval
    return IntervalRow(
        who="listeners' mean" if choice.unit == "listener" else "all tracks",
        estimate=choice.equal_share + choice.estimate,
        interval=(choice.equal_share + low, choice.equal_share + high),
        note=count_of(choice.pooled.chosen, choice.pooled.tracks),
        whole=True,
    )
