"""Tables of pairs in which one was named, or neither (2-AC): d' and the threshold below which none is named."""

from collections import Counter
from pathlib import Path

from blindtest.errors import BlindtestError
from blindtest.nouns import number_of
from blindtest.stats import LongTable, TwoACResult, adjust_p_values, two_ac_test
from blindtest.steps.columns import columns, p_cell
from blindtest.steps.tables.contract import Asked, TableAnalysis
from blindtest.steps.tables.preference import PAIR, named_outcomes
from blindtest.steps.tables.reading import named_pair, read, refuse_twice
from blindtest.steps.tables.stopped import UNKNOWN, missing_trials

__all__ = ["two_ac"]


def two_ac(path: Path, asked: Asked) -> TableAnalysis:
    """Return what answers "this one", "the other" and "no difference" say of two devices."""
    table = named_outcomes(read(path, PAIR, asked))
    refuse_twice(table, ("trial", "listener", "sitting", "clip", "first", "second"), "pair")
    items = sorted({*table.table["first"].dropna(), *table.table["second"].dropna()})
    device, comparator = named_pair(table, asked, items)
    answered = _answered(table, device, comparator)
    if not answered:
        raise BlindtestError(
            table.fault("no pair of these two was answered", key="outcome", got=f"{number_of(len(table.table), 'row')}")
        )
    missing_trials(asked, len(answered), file=table.file)
    pooled = _tested([end for _, end in answered], asked)
    names = sorted({name for name, _ in answered})
    listeners = [(name, _tested([end for who, end in answered if who == name], asked)) for name in names]
    if len(listeners) < 2:
        listeners = []
    adjusted = [float(p) for p in adjust_p_values([one.p_value for _, one in listeners])]
    low, high = pooled.d_prime_interval
    side = "in the claimed direction" if asked.one_sided else "two-sided"
    lines = [
        f"{device} over {comparator}.",
        f"Result: {device} was named {number_of(pooled.second, 'time')}, {comparator} "
        f"{number_of(pooled.first, 'time')}, neither "
        f"{number_of(pooled.no_difference, 'time')}. Without a difference so uneven a split has "
        f"probability {pooled.p_value:.3g} "
        f"(exact, {side}). d' {pooled.d_prime:.2f} ({100 * pooled.level:g} % interval {low:.2f} to {high:.2f}).",
        f"A difference within +-tau is called none: tau {pooled.tau:.2f} ({pooled.tau_interval[0]:.2f} to "
        f"{pooled.tau_interval[1]:.2f}). By the likelihood of all answers p = {pooled.likelihood_p_value:.3g}.",
    ]
    if listeners:
        lines += ["", _listener_lines(listeners, adjusted, device, comparator)]
    if asked.planned is None:
        lines += ["", f"{UNKNOWN} p holds only if the number of pairs was fixed beforehand."]
    return TableAnalysis(
        file=table.file,
        method="2-ac",
        understood=table.understood,
        lines=tuple(lines),
        values={
            "device": device,
            "comparator": comparator,
            "two_ac": pooled.to_dict(),
            "listeners": [
                {"listener": name, "adjusted_p_value": p, "result": one.to_dict()}
                for (name, one), p in zip(listeners, adjusted, strict=True)
            ],
        },
    )


def _answered(table: LongTable, device: str, comparator: str) -> list[tuple[str, str]]:
    """Return who answered and how it ended: device, comparator or tie; pairs of others left out."""
    who = table.table["listener"].tolist() if table.has("listener") else ["(not named)"] * len(table.table)
    cells = (table.table[name].tolist() for name in ("first", "second", "outcome"))
    found = []
    for name, first, second, outcome in zip(who, *cells, strict=True):
        if {first, second} == {device, comparator} and outcome is not None:
            end = {"first": first, "second": second}.get(outcome, "tie")
            found.append(
                (name or "(not named)", "device" if end == device else "tie" if end == "tie" else "comparator")
            )
    return found


def _tested(ends: list[str], asked: Asked) -> TwoACResult:
    # The answer "first" of the model is the comparator here: d' above 0 speaks for the device.
    counts = Counter(ends)
    return two_ac_test(
        counts["comparator"],
        counts["tie"],
        counts["device"],
        alternative="second" if asked.one_sided else "two-sided",
        level=1 - asked.alpha,
    )


def _listener_lines(
    listeners: list[tuple[str, TwoACResult]], adjusted: list[float], device: str, comparator: str
) -> str:
    rows = [
        (
            name, str(one.second), str(one.first), str(one.no_difference), f"{one.d_prime:.2f}",
            f"{one.d_prime_interval[0]:.2f} to {one.d_prime_interval[1]:.2f}", p_cell(one.p_value), p_cell(p),
        )
        for (name, one), p in zip(listeners, adjusted, strict=True)
    ]  # fmt: skip
    return columns(("listener", device, comparator, "neither", "d'", "interval", "p", "p (Holm)"), rows)
