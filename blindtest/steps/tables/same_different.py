"""Tables of pairs called same or different: sensitivity apart from the readiness to say "different"."""

from collections import Counter
from pathlib import Path
from typing import Any, Literal, cast

from blindtest.errors import BlindtestError, Fault
from blindtest.nouns import number_of
from blindtest.stats import LongTable, SameDifferentResult, Wanted, adjust_p_values, same_different_test
from blindtest.steps.columns import columns, p_cell
from blindtest.steps.tables.choices import choices
from blindtest.steps.tables.contract import Asked, TableAnalysis
from blindtest.steps.tables.reading import holds, read, refuse_twice
from blindtest.steps.tables.stopped import UNKNOWN, missing_trials

__all__ = ["same_different"]

Rule = Literal["same-different", "same-different-independent"]
WORDS = {"same": "same", "s": "same", "equal": "same", "different": "different", "d": "different", "diff": "different"}
CALLED = (
    Wanted(name="pair", also=("truth", "stimuli", "shown"), words=WORDS, what="whether a pair was the same"),
    Wanted(name="response", also=("answer", "called", "choice"), words=WORDS, what="what a pair was called"),
    Wanted(name="listener", also=("subject", "assessor", "who"), needed=False),
    Wanted(name="trial", kind="label", needed=False),
    Wanted(name="sitting", kind="label", also=("session",), needed=False),
)


def same_different(path: Path, asked: Asked) -> TableAnalysis:
    """Return what answers to same and different pairs say; of a table that says only what was right, that."""
    if not holds(path, CALLED[:2], asked):
        return choices(path, asked)
    if asked.margin is not None:
        # A share heard beyond guessing needs a guess rate, which these answers don't have: it moves with the criterion.
        raise BlindtestError(_no_margin(path))
    table = read(path, CALLED, asked)
    refuse_twice(table, ("trial", "listener", "sitting"), "trial")
    method = cast(Rule, asked.method)
    rows = list(zip(*(table.table[name].tolist() for name in ("pair", "response")), strict=True))
    names = _names(table)
    answered = [(name, pair, called) for name, (pair, called) in zip(names, rows, strict=True) if pair and called]
    missing_trials(asked, len(answered), file=table.file)
    pooled = _tested([row[1:] for row in answered], method, asked, table)
    listeners = []
    for name in sorted({name for name, _, _ in answered}):
        own = [row[1:] for row in answered if row[0] == name]
        if {pair for pair, _ in own} == {"same", "different"}:
            listeners.append((name, _tested(own, method, asked, table)))
    if len(listeners) < 2:
        listeners = []
    adjusted = [float(p) for p in adjust_p_values([one.p_value for _, one in listeners])]
    lines = [f"Result: {pooled.sentence}", f"d' after the model: {pooled.model}."]
    if pooled.tau == pooled.tau:
        low, high = pooled.tau_interval
        lines.append(
            f"Criterion tau {pooled.tau:.2f} ({low:.2f} to {high:.2f}): how far apart it takes to be called so."
        )
    if len(answered) < len(rows):
        lines.append(f"{number_of(len(rows) - len(answered), 'pair')} without an answer left out.")
    if listeners:
        lines += [
            "All answers in one pot: criteria that differ between listeners make d' look smaller.",
            "",
            _listener_lines(listeners, adjusted),
        ]
    if asked.planned is None:
        lines += ["", f"{UNKNOWN} p holds only if the number of pairs was fixed beforehand."]
    return TableAnalysis(
        file=table.file,
        method=method,
        understood=table.understood,
        lines=tuple(lines),
        values={
            "same_different": pooled.to_dict(),
            "listeners": [
                {"listener": name, "adjusted_p_value": p, "result": one.to_dict()}
                for (name, one), p in zip(listeners, adjusted, strict=True)
            ],
        },
    )


def _names(table: LongTable) -> list[str]:
    if not table.has("listener"):
        return ["(not named)"] * len(table.table)
    return [name if isinstance(name, str) else "(not named)" for name in table.table["listener"]]


def _tested(rows: list[Any], method: Rule, asked: Asked, table: LongTable) -> SameDifferentResult:
    counts = Counter(rows)
    for pair in ("same", "different"):
        if not counts[pair, "same"] + counts[pair, "different"]:
            raise BlindtestError(
                table.fault(
                    f"no answered pair was {pair}",
                    key="pair",
                    got=f"{len(rows)} pairs",
                    remedy="without both kinds nothing tells sensitivity from a habit",
                )
            )
    return same_different_test(
        counts["same", "same"],
        counts["same", "different"],
        counts["different", "same"],
        counts["different", "different"],
        method=method,
        level=1 - asked.alpha,
    )


def _no_margin(path: Path) -> Fault:
    return Fault(
        problem="no margin applies to answers same and different: a guess has no rate of its own there",
        file=str(path),
        key="--margin",
        remedy="leave it out, and read the interval of d'",
    )


def _listener_lines(listeners: list[tuple[str, SameDifferentResult]], adjusted: list[float]) -> str:
    rows = [
        (
            name,
            f"{one.different_different} of {one.different_different + one.same_different}",
            f"{one.different_same} of {one.different_same + one.same_same}",
            f"{one.d_prime:.2f}",
            f"{one.d_prime_interval[0]:.2f} to {one.d_prime_interval[1]:.2f}",
            p_cell(one.p_value),
            p_cell(p),
        )
        for (name, one), p in zip(listeners, adjusted, strict=True)
    ]
    return columns(("listener", "different: hit", "same: called different", "d'", "interval", "p", "p (Holm)"), rows)
