"""The trial table: one row per answer value, the one interface between a session and its statistics.

`COLUMNS` names its columns in one place. `trial_table` makes it from a session's rows, `read_trial_table` from
anybody's CSV, and `write_trial_table` writes one that anybody's program opens. Text columns hold lists joined by '|':
`conditions` 'heron|plover', `order` 'A=heron|B=plover|X=heron'. Times are UTC, also where a file names no zone. What is
not known is missing (pandas.NA).
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from blindtest.errors import did_you_mean
from blindtest.methods import METHODS
from blindtest.nouns import number_of
from blindtest.stats.cell import Kind
from blindtest.stats.delimited import Delimited, FaultsInFile
from blindtest.stats.read_rows import ReadRows
from blindtest.stats.sensitivity import DECISION_RULES
from blindtest.stats.table_file import read_table_file

if TYPE_CHECKING:
    from pandas import DataFrame, Series

__all__ = ["COLUMNS", "TrialTable", "read_trial_table", "table_of", "trial_table", "write_trial_table"]

COLUMNS: dict[str, Kind] = {
    "study": "text",
    "listener": "text",
    "sitting": "label",
    "trial": "label",
    "attempt": "count",
    "slot": "text",
    "block": "text",
    "block_trial": "count",
    "phase": "text",
    "method": "text",
    "kind": "text",
    "clip": "text",
    "conditions": "text",
    "order": "text",
    "condition": "text",
    "label": "text",
    "response": "value",
    "correct": "truth",
    "confidence": "number",
    "shown_at": "time",
    "answered_at": "time",
    "time_taken_s": "number",
    "switches": "count",
    "faults": "text",
}
"""Columns of the trial table in their order, with the kind of what they hold.

"label" is a whole number or text, "count" a whole number, "truth" right or wrong, "value" whatever was answered.
"""

SAME_TRIAL = ("study", "listener", "sitting", "block", "conditions", "trial", "attempt", "slot")
"""What tells one row from another, as far as a table has these columns."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class TrialTable:
    """A table as it was read, and what was understood of the file."""

    table: "DataFrame"
    """All `COLUMNS`; those the file doesn't have are missing throughout."""
    file: str
    rows: int
    missing: Mapping[str, int]
    """Missing values in each column that was read."""
    ignored: tuple[str, ...]
    """Columns of the file that were not read."""
    understood: tuple[str, ...]
    """Sentences on how the file was read."""

    @property
    def unanswered(self) -> int:
        """Rows that say neither right nor wrong."""
        return self.missing.get("correct", 0)


def trial_table(rows: Iterable[Mapping[str, Any]]) -> "DataFrame":
    """Return the trial table of a session's rows (keys among `COLUMNS`; one that is left out is missing).

    Raises
    ------
    ValueError
        A row has a key that is no column.
    """
    import pandas as pd

    rows = list(rows)
    for row in rows:
        if unknown := row.keys() - COLUMNS.keys():
            raise ValueError(
                f"a row of the trial table has no column {min(unknown)!r}: {did_you_mean(min(unknown), COLUMNS)}"
            )
    return pd.DataFrame({name: _series([row.get(name) for row in rows], kind) for name, kind in COLUMNS.items()})


def table_of(rows: Iterable[Mapping[str, Any]], columns: Sequence[str]) -> "DataFrame":
    """Return rows as a table with these columns in this order, also where there is no row: comparisons, ratings."""
    import pandas as pd

    return pd.DataFrame([{name: row[name] for name in columns} for row in rows], columns=list(columns))


def _series(values: list[Any], kind: Kind) -> "Series[Any]":
    """Return values as a column of their kind; None, pandas.NA, NaN and '' are missing."""
    import pandas as pd

    present = [None if value is None or value is pd.NA or value == "" or value != value else value for value in values]
    match kind:
        case "text":
            return pd.Series([None if v is None else str(v) for v in present], dtype="string")
        case "label":
            whole = all(v is None or isinstance(v, int) for v in present)
            return pd.Series(
                present if whole else [None if v is None else str(v) for v in present],
                dtype="Int64" if whole else "string",
            )
        case "count" | "right":
            return pd.Series(present, dtype="Int64")
        case "number":
            return pd.Series(present, dtype="Float64")
        case "truth":
            return pd.Series(present, dtype="boolean")
        case "time":
            return pd.Series(pd.to_datetime(pd.Series(present, dtype="object"), utc=True, format="ISO8601"))
        case "value":
            return pd.Series(present, dtype="object")


def read_trial_table(
    path: str | Path, *, method: str | None = None, columns: Mapping[str, str] | None = None
) -> TrialTable:
    """Read a table with one row per trial, CSV or Parquet: ours, or anybody's.

    Parameters
    ----------
    method : the test method of all rows; needed where the file has no column `method`
    columns : our name -> the file's name, for columns that are called otherwise there: {"correct": "hit", "listener":
        "who"}. Besides the names of `COLUMNS` there is "truth", the right answer, from which `correct` follows.

    The file may be separated by comma, semicolon (then with decimal commas, too), tab or '|'; UTF-8, UTF-16 or Latin-1.
    `correct` may be 0/1, true/false, yes/no or right/wrong; an empty cell, NA, n/a, NaN or '-' is missing.

    Raises
    ------
    BlindtestError
        With all faults and their line numbers: a cell that can't be read, a trial that stands there twice, rows that
        contradict themselves or the arguments.
    """
    file = read_table_file(path)
    faults = FaultsInFile(file.name)
    source = _sources(file, columns or {}, faults)
    _need_method(source, method, faults)
    faults.raise_any()
    rows = ReadRows(file, source, COLUMNS, faults)
    if method is not None:
        rows.state_method(method)
    else:
        rows.check_methods(_methods())
    rows.judge()
    rows.compare_times()
    told_apart = rows.find_twice(SAME_TRIAL)
    faults.raise_any()
    rows.read_ratings()
    truths = {"truth"} & source.keys()
    read = [name for name in COLUMNS if name in source or (name == "correct" and truths)]
    table = _frame(rows)
    missing = {name: int(table[name].isna().sum()) for name in read}
    ignored = tuple(name for place, name in enumerate(file.header) if place not in source.values())
    return TrialTable(
        table=table,
        file=file.name,
        rows=len(table),
        missing=missing,
        ignored=ignored,
        understood=_understood(file, table, source, missing, ignored, method) + told_apart,
    )


def _frame(rows: ReadRows) -> "DataFrame":
    import pandas as pd

    count = len(rows)
    columns = {}
    for name, kind in COLUMNS.items():
        known = rows.columns.get(name)
        if known is None:
            columns[name] = _series([None] * count, kind)
        else:
            # What the different cells say is made a column of its kind once, and then dealt out over the rows.
            columns[name] = _series(list(known.values), kind).take(known.places).reset_index(drop=True)
    return pd.DataFrame(columns)


def _sources(file: Delimited, columns: Mapping[str, str], faults: FaultsInFile) -> dict[str, int]:
    """Return our name -> place in the file's rows."""
    known = [*COLUMNS, "truth"]
    places = {name: place for place, name in enumerate(file.header)}
    folded = {name.casefold(): place for name, place in places.items()}
    source: dict[str, int] = {}
    source_names: set[str] = set()
    for ours, theirs in columns.items():
        if ours not in known:
            faults.add("no such column of the trial table", key=ours, remedy=did_you_mean(ours, known))
        elif theirs in source_names:
            faults.add("two columns of the trial table are to be read from this one", key=theirs, got=ours)
        elif theirs not in places:
            faults.add(
                "the file has no such column",
                1,
                key=ours,
                got=theirs,
                allowed=", ".join(file.header),
                remedy=did_you_mean(theirs, places),
            )
        else:
            source[ours] = places[theirs]
            source_names.add(theirs)
    taken = set(source.values())
    source |= {n: folded[n] for n in COLUMNS if n not in columns and n in folded and folded[n] not in taken}
    if not faults.any and not source.keys() & {"correct", "response"}:
        faults.add(
            "no column says which answers were right",
            1,
            got=", ".join(file.header),
            allowed="a column `correct`, or `response` and `truth`",
            remedy="name it: correct=COLUMN",
        )
    return source


def _need_method(source: Mapping[str, int], method: str | None, faults: FaultsInFile) -> None:
    if method is not None and (method_fault := _method_fault(method)):
        faults.add("no such method", key="method", got=method, allowed=method_fault[0], remedy=method_fault[1])
    elif method is None and "method" not in source:
        faults.add(
            "nothing says which test method this was",
            key="method",
            allowed=", ".join(_methods()),
            remedy="name the method, since it fixes how often a guess is right",
        )


def _methods() -> list[str]:
    return list(dict.fromkeys([*DECISION_RULES, *METHODS]))


def _method_fault(method: str) -> tuple[str, str] | None:
    return None if method in _methods() else (", ".join(_methods()), did_you_mean(method, _methods()))


def _understood(
    file: Delimited,
    table: "DataFrame",
    source: Mapping[str, int],
    missing: Mapping[str, int],
    ignored: Sequence[str],
    method: str | None,
) -> tuple[str, ...]:
    said = [f"{number_of(len(table), 'row')}, {file.form}"]
    for name, count in missing.items():
        place = f"column {file.header[source[name]]!r}" if name in source else "answer and truth"
        values = f"{number_of(table[name].nunique(), 'different value')}"
        if name == "correct":
            values = f"{int(table[name].sum())} right, {int((~table[name]).sum())} wrong"
        said.append(f"{name} from {place}: {values}, {count} missing")
    if method is not None:
        said.append(f"method {method} for all rows, as told")
    if ignored:
        said.append(f"not read: {', '.join(map(repr, ignored))}")
    return tuple(said)


def write_trial_table(table: "DataFrame", path: str | Path) -> None:
    """Write a trial table as CSV: UTF-8, commas, times as ISO 8601 in UTC, true and false, nothing where missing.

    Written beside the path first and renamed when it is whole and on the disk.
    """
    import os

    out = table.copy()
    for name, kind in COLUMNS.items():
        if name in out and kind == "time":
            out[name] = [None if time is None or time != time else _time_text(time) for time in out[name]]
        elif name in out and kind == "truth":
            out[name] = out[name].map({True: "true", False: "false"}, na_action="ignore")
    path = Path(path)
    unfinished = path.with_name(path.name + ".part")
    with unfinished.open("w", encoding="utf-8", newline="") as stream:
        out.to_csv(stream, index=False, lineterminator="\n")
        stream.flush()
        os.fsync(stream.fileno())
    unfinished.replace(path)


def _time_text(time: Any) -> str:
    return str(time.isoformat()).replace("+00:00", "Z")
