"""Tracks in our own trial table, where every value of an answer has a row: brought to one row for each track."""

from dataclasses import replace
from typing import Any

from blindtest.nouns import number_of
from blindtest.stats import TRACK_COLUMNS, LongTable, Wanted, table_of

__all__ = ["OURS", "frame_of_tracks", "tracks_of"]

METHOD = "free-listening"
OURS = (
    Wanted(name="method"),
    Wanted(name="slot"),
    Wanted(name="response"),
    Wanted(name="clip"),
    Wanted(name="order"),
    Wanted(name="trial"),
    Wanted(name="phase", needed=False),
    Wanted(name="listener", needed=False),
    Wanted(name="sitting", needed=False),
)
"""Columns by which our own table is known, and what is read of it."""


def tracks_of(table: LongTable) -> LongTable:
    """Return the table with a row for each track; practice, and the answers of other methods, left out."""
    methods = table.table["method"].tolist()
    table = table.only([one == METHOD for one in methods], f"of other methods than {METHOD}")
    if table.has("phase"):
        table = table.only([one != "practice" for one in table.table["phase"].tolist()], "practice")
    rows = table.table.to_dict("records")
    frame = frame_of_tracks(rows)
    first: dict[tuple[str, ...], int] = {}
    for line, row in zip(table.lines, rows, strict=True):
        first.setdefault(_place(row), line)
    names = {"track": table.names["clip"], "chosen": table.names["response"], "dwell": table.names["response"]}
    return replace(
        table,
        table=frame,
        lines=tuple(first.values()),
        names={**table.names, **names},
        understood=(*table.understood, f"{number_of(len(frame), 'track')}, each of several rows"),
    )


def frame_of_tracks(rows: list[dict[Any, Any]]) -> Any:
    """Return rows of values as a DataFrame that `read_tracks` reads.

    A track heard again in a sitting counts as another sitting.
    """
    by_track: dict[tuple[str, ...], list[dict[Any, Any]]] = {}
    for row in rows:
        by_track.setdefault(_place(row), []).append(row)
    made: list[dict[str, Any]] = []
    times: dict[tuple[str, str, str], int] = {}
    for (listener, sitting, _), own in by_track.items():
        key = (listener, sitting, str(own[0]["clip"]))
        times[key] = times.get(key, 0) + 1
        again = f", time {times[key]}" if times[key] > 1 else ""
        made.append({"listener": listener or None, "sitting": sitting + again, **_track(own)})
    return table_of(made, TRACK_COLUMNS)


def _place(row: dict[Any, Any]) -> tuple[str, str, str]:
    listener, sitting, trial = (_said(row.get(name)) or "" for name in ("listener", "sitting", "trial"))
    return listener, sitting, trial


def _said(cell: Any) -> str | None:
    """Return a cell's text; None where it says nothing."""
    return None if cell is None or cell != cell or str(cell).strip() == "" else str(cell)


def _track(rows: list[dict[Any, Any]]) -> dict[str, Any]:
    values = {str(row["slot"]): _said(row["response"]) for row in rows}
    order = str(rows[0]["order"])
    truth = dict(part.split("=", 1) for part in order.split("|") if "=" in part)
    seconds = {truth[slot]: values.get(slot) for slot in truth}
    dwell = None
    if all(value is not None for value in seconds.values()):
        dwell = "|".join(f"{condition}={value}" for condition, value in seconds.items())
    choice, ended, played = values.get("choice"), values.get("ended"), values.get("played")
    return {
        "track": rows[0]["clip"],
        "order": order,
        "start": values.get("start"),
        # A slot that the order doesn't name stands as it is, and is refused where tracks are read.
        "chosen": None if choice is None else truth.get(choice, choice),
        "dwell": dwell,
        "skipped_at_s": played,
        "censored": None if ended is None or played is None else str(ended != "skipped").lower(),
    }
