"""Tables read for an analysis, so that faults found in their rows name the file's own lines."""

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

from blindtest.errors import BlindtestError, Fault, did_you_mean
from blindtest.stats import LongTable, Wanted, read_long_table
from blindtest.steps.tables.contract import Asked

__all__ = ["METHOD", "faults_in", "holds", "named_pair", "of_ratings", "read", "refuse_twice"]


def read(path: Path, wanted: Sequence[Wanted], asked: Asked, *, beside: Sequence[str] | None = ()) -> LongTable:
    """Read what an analysis wants of a file, its columns named as they were asked for."""
    return read_long_table(path, wanted, columns=asked.columns, beside=beside)


def holds(path: Path, wanted: Sequence[Wanted], asked: Asked) -> bool:
    """Return whether a file has all of these columns, whatever their cells hold."""
    names = {one.name for one in wanted}
    bare = [Wanted(name=one.name, kind="value", also=one.also, needed=False) for one in wanted]
    columns = {ours: theirs for ours, theirs in asked.columns.items() if ours in names}
    return names <= set(read_long_table(path, bare, columns=columns).names)


@contextmanager
def faults_in(table: LongTable) -> Iterator[None]:
    """Bring faults about rows of what was read back to lines of its file."""
    try:
        yield
    except BlindtestError as error:
        raise table.placed(error) from None


METHOD = Wanted(name="method", needed=False)
"""Our own tables hold the answers of several methods."""
RATINGS = ("rating", "rating-single", "survival")


def of_ratings(table: LongTable) -> LongTable:
    """Return the rows that are ratings, where a column says of which method each is."""
    if not table.has("method"):
        return table
    methods = table.table["method"].tolist()
    others = sorted({str(one) for one in methods if one is not None and one not in RATINGS})
    return table.only([one is None or one in RATINGS for one in methods], f"of the method {', '.join(others)}")


def refuse_twice(table: LongTable, key: Sequence[str], what: str) -> None:
    """Refuse rows that name the same thing twice: its number, the first of `key`, and the rest that the table has.

    A table without that number says nothing about what stands there twice: rows alike are repeats then.

    Raises
    ------
    BlindtestError
        With the lines of both.
    """
    names = [name for name in key if table.has(name)]
    if key[0] not in names:
        return
    first: dict[tuple[object, ...], int] = {}
    faults = []
    columns = [table.table[name].tolist() for name in names]
    for row, cells in enumerate(zip(*columns, strict=True)):
        if any(cell is None or cell != cell for cell in cells):
            continue
        begun = first.setdefault(cells, row)
        if begun != row:
            said = ", ".join(f"{table.names.get(name, name)} {cell}" for name, cell in zip(names, cells, strict=True))
            faults.append(
                table.fault(
                    f"this {what} stands there twice, first in line {table.lines[begun]}",
                    row,
                    key=key[0],
                    got=said,
                    remedy="remove one, or name the column that tells them apart",
                )
            )
    if faults:
        shown = faults[:50]
        if len(faults) > len(shown):
            shown.append(table.fault(f"and {len(faults) - len(shown)} more"))
        raise BlindtestError(*shown)


def named_pair(table: LongTable, asked: Asked, known: Sequence[str]) -> tuple[str, str]:
    """Return device and comparator: as asked for, or the only two there are, in the order of their names.

    Raises
    ------
    BlindtestError
        More than two and none named, or a name that the table doesn't have.
    """
    faults = [
        table.fault("the table does not have this", key=key, got=name, allowed=", ".join(known),
                    remedy=did_you_mean(name, known))
        for key, name in (("--device", asked.device), ("--comparator", asked.comparator))
        if name and name not in known
    ]  # fmt: skip
    if asked.device and asked.device == asked.comparator:
        faults.append(table.fault("a device can't be compared with itself", key="--comparator", got=asked.comparator))
    if faults:
        raise BlindtestError(*faults)
    left = [name for name in known if name not in (asked.device, asked.comparator)]
    device = asked.device or (left.pop(0) if len(known) == 2 else "")
    comparator = asked.comparator or (left.pop(0) if len(known) == 2 and left else "")
    if not device or not comparator:
        raise BlindtestError(
            Fault(
                problem="of these devices, which is to be compared with which?",
                file=table.file,
                key="--device" if not device else "--comparator",
                allowed=", ".join(known),
                remedy="name both: --device ONE --comparator OTHER",
            )
        )
    return device, comparator
