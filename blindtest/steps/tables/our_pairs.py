"""Pairs in our own trial table, where the order of hearing stands in one cell: brought to one row for each pair."""

from dataclasses import replace
from pathlib import Path
from typing import Any

from blindtest.errors import BlindtestError, Fault
from blindtest.nouns import number_of
from blindtest.stats import LongTable, Wanted, table_of
from blindtest.steps.tables.contract import Asked
from blindtest.steps.tables.reading import holds, read

__all__ = ["our_pairs"]

METHOD = "preference"
CHOICE = "choice"
OUTCOMES = {"1": "first", "2": "second", "none": "tie"}
OURS = (
    Wanted(name="method"),
    Wanted(name="slot"),
    # As words: a bare "none" would be read as a cell without anything.
    Wanted(name="response", words=OUTCOMES, other_words=True),
    Wanted(name="order"),
    Wanted(name="phase", needed=False),
    Wanted(name="listener", needed=False),
    Wanted(name="clip", needed=False),
    Wanted(name="trial", kind="label", needed=False),
    Wanted(name="sitting", kind="label", needed=False),
)
"""Columns by which our own table is known, and what is read of it."""
COLUMNS = ("first", "second", "outcome", "listener", "clip", "trial", "sitting")


def our_pairs(path: Path, asked: Asked) -> LongTable | None:
    """Return our own trial table with a row for each counted pair; None where the file is another kind of table.

    Raises
    ------
    BlindtestError
        No pair in it, or a cell that can't be read, with its line.
    """
    if not holds(path, OURS, asked):
        return None
    table = read(path, OURS, asked)
    table = table.only([one == METHOD for one in table.table["method"].tolist()], f"of other methods than {METHOD}")
    # A confidence or a remark beside the answer has a row of its own.
    table = table.only([one == CHOICE for one in table.table["slot"].tolist()], "no choice")
    if table.has("phase"):
        table = table.only([one == "blind" for one in table.table["phase"].tolist()], "practice and controls")
    rows = table.table.to_dict("records")
    if not rows:
        raise BlindtestError(table.fault("no counted pair of the method preference", key="method"))
    faults: list[Fault] = []
    made: list[dict[str, Any]] = []
    for place, row in enumerate(rows):
        held = dict(part.split("=", 1) for part in str(row["order"]).split("|") if "=" in part)
        answer = _said(row["response"])
        if len(held) != 2:
            said = "two sounds as 1=ONE|2=OTHER"
            faults.append(table.fault("not the order of a pair", place, key="order", got=row["order"], allowed=said))
        elif answer and answer not in OUTCOMES.values():
            allowed = "1, 2, none, or nothing for a pair that was not answered"
            faults.append(table.fault("no answer to a pair", place, key="response", got=answer, allowed=allowed))
        else:
            first, second = held.values()
            made.append(
                {
                    **{str(name): cell for name, cell in row.items()},
                    "first": first,
                    "second": second,
                    "outcome": answer or None,
                }
            )
    if faults:
        raise BlindtestError(*faults[:50])
    names = {"first": table.names["order"], "second": table.names["order"], "outcome": table.names["response"]}
    return replace(
        table,
        table=table_of(made, [name for name in COLUMNS if name in made[0]]),
        names={**table.names, **names},
        understood=(
            *table.understood,
            f"{number_of(len(made), 'counted pair')}, read off the order in which they were heard",
        ),
    )


def _said(cell: Any) -> str:
    """Return a cell's text; '' where it says nothing."""
    return "" if cell is None or cell != cell else str(cell).strip()
