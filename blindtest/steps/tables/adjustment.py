"""Tables of settings that listeners made themselves: where they lie, and how far their starts pulled them."""

from dataclasses import replace
from pathlib import Path
from typing import Any

from blindtest.errors import BlindtestError, Fault, WrongUse
from blindtest.nouns import number_of
from blindtest.stats import LongTable, Wanted, settings_test, table_of
from blindtest.steps.setting_columns import setting_columns
from blindtest.steps.tables.contract import Asked, TableAnalysis
from blindtest.steps.tables.reading import holds, read, refuse_twice

__all__ = ["adjustment"]

METHOD = "adjustment"
SETTINGS = (
    Wanted(name="setting", kind="number", also=("set", "value", "level"), what="what was set"),
    Wanted(name="start", kind="number", also=("began", "starting_point"), needed=False),
    Wanted(name="listener", also=("subject", "assessor", "who"), needed=False),
    Wanted(name="trial", kind="label", needed=False),
    Wanted(name="sitting", kind="label", also=("session", "run"), needed=False),
)
OURS = (
    Wanted(name="method"),
    Wanted(name="slot"),
    Wanted(name="response"),
    Wanted(name="trial"),
    Wanted(name="phase", needed=False),
    Wanted(name="listener", needed=False),
    Wanted(name="sitting", needed=False),
)
"""Columns by which our own trial table is known, where every value of an answer has a row."""
NEEDED = tuple(one for one in OURS if one.needed)


def adjustment(path: Path, asked: Asked) -> TableAnalysis:
    """Return where the settings of a table lie, relative to 0, and whether that is within the margin."""
    if asked.margin is not None and not asked.margin > 0:
        raise WrongUse(
            Fault(
                problem="not a margin",
                key="--margin",
                got=asked.margin,
                allowed="a number above 0, in the unit of the settings",
            )
        )
    if holds(path, NEEDED, asked):
        table, ends = _own(read(path, OURS, asked))
    else:
        table, ends = read(path, SETTINGS, asked), []
        refuse_twice(table, ("trial", "listener", "sitting"), "trial")
    rows, understood = table.table, list(table.understood)
    start = rows["start"] if table.has("start") else None
    if start is not None and start.isna().any():
        understood.append(f"{number_of(int(start.isna().sum()), 'setting')} without a start: no start is used")
        start = None
    found = settings_test(
        rows["setting"].to_numpy(),
        rows["listener"].fillna("").tolist() if table.has("listener") else None,
        start=None if start is None else start.to_numpy(),
        margin=asked.margin,
        at_end=ends or None,
        alpha=asked.alpha,
    )
    lines = [f"Result: {found.word}. {found.sentence}" if found.word else f"Result: {found.sentence}"]
    if found.within_std is not None:
        lines.append(f"Standard deviation of single settings within listeners: {found.within_std:.3g}.")
    if found.start is not None and found.start.sentence not in found.doubts:
        lines.append(found.start.sentence)
    return TableAnalysis(
        file=path.name,
        method=asked.method,
        understood=tuple(understood),
        lines=(*lines, *found.doubts, "", setting_columns(found)),
        values={"settings": found.to_dict()},
    )


def _own(table: LongTable) -> tuple[LongTable, list[bool]]:
    """Return our own trial table with a row for each setting, practice left out; and which stand at an end."""
    methods = table.table["method"].tolist()
    table = table.only([one == METHOD for one in methods], f"of other methods than {METHOD}")
    if table.has("phase"):
        table = table.only([one != "practice" for one in table.table["phase"].tolist()], "practice")
    trials: dict[tuple[str, ...], dict[str, Any]] = {}
    first: dict[tuple[str, ...], int] = {}
    for place, row in enumerate(table.table.to_dict("records")):
        key = tuple(str(row.get(name) or "") for name in ("listener", "sitting", "trial"))
        trials.setdefault(key, {})[str(row["slot"])] = row["response"]
        first.setdefault(key, place)
    if not trials:
        raise BlindtestError(table.fault("no settings in it", key="method", allowed=METHOD))
    faults = [
        table.fault("a trial without its setting", first[key], key="slot", allowed="rows 'set' and 'start'")
        for key, one in trials.items()
        if not all("@" in str(one.get(name, "")) for name in ("set", "start"))
    ]
    things = sorted({str(one.get("set")).rpartition("@")[0] for one in trials.values()})
    if not faults and len(things) > 1:
        faults = [
            table.fault("several things were set in this table", got=", ".join(things), remedy="keep the rows of one")
        ]
    if faults:
        raise BlindtestError(*faults)
    made = [
        {"listener": key[0] or None, "setting": _number(one["set"]), "start": _number(one["start"])}
        for key, one in trials.items()
    ]
    ends = [str(one.get("end") or "") in ("less", "more") for one in trials.values()]
    return (
        replace(
            table,
            table=table_of(made, ("listener", "setting", "start")),
            lines=tuple(table.lines[place] for place in first.values()),
            names={**table.names, "setting": table.names["response"], "start": table.names["response"]},
            understood=(*table.understood, f"{number_of(len(made), 'setting')}, each of several rows"),
        ),
        ends,
    )


def _number(condition: object) -> float:
    """Return the number of a level's id: 'second@-1.5'."""
    return float(str(condition).rpartition("@")[2])
