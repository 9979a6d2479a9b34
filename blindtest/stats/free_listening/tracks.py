"""Whole tracks heard in unlabelled slots: one row of a table a track.

| column | what |
|---|---|
| listener | pseudonym; without this column all rows are of one listener |
| sitting | optional; the same track may be heard again in another sitting |
| track | name of the track |
| order | what was drawn: slots with their conditions, `A=heron|B=plover` |
| start | slot that played first, drawn too |
| chosen | condition of the slot picked to play the rest of the track; empty: none was picked |
| dwell | seconds per condition after every slot had been heard once, `heron=41.5|plover=60`; empty: not all were |
| skipped_at_s | seconds from the choice (or from the start, where there is none) to the skip, or to the end |
| censored | true: the track ended, or the listening did, before the listener skipped it |

Only `track` and `order` are always needed; each test names what it needs beside them.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field
from math import isfinite
from typing import TYPE_CHECKING, Any

from blindtest.errors import BlindtestError, Fault, did_you_mean
from blindtest.stats.cell import is_missing, read_cell

if TYPE_CHECKING:
    from pandas import DataFrame

__all__ = ["TRACK_COLUMNS", "Track", "check_device", "read_tracks"]

TRACK_COLUMNS = ("listener", "sitting", "track", "order", "start", "chosen", "dwell", "skipped_at_s", "censored")
ALWAYS = ("track", "order")
LEAST_SLOTS, MOST_SLOTS = 2, 12
ONE_LISTENER = "(not named)"


@dataclass(frozen=True, slots=True, kw_only=True)
class Track:
    """One track as it was heard."""

    row: int
    """Position in the table, from 1."""
    listener: str
    sitting: str
    track: str
    slots: tuple[str, ...]
    conditions: tuple[str, ...]
    """What each slot held."""
    start: str | None
    chosen: str | None
    """A condition."""
    dwell_s: tuple[float, ...] | None
    """Per slot, after all had been heard once."""
    skipped_at_s: float | None
    censored: bool | None

    def slot_of(self, condition: str) -> int:
        """Return the position of the slot that held this condition."""
        return self.conditions.index(condition)

    @property
    def dwell_shares(self) -> tuple[float, ...] | None:
        """Share of the seconds that each slot got; None where nothing was measured."""
        if self.dwell_s is None or not sum(self.dwell_s) > 0:
            return None
        return tuple(seconds / sum(self.dwell_s) for seconds in self.dwell_s)

    @property
    def start_condition(self) -> str | None:
        """What the slot held that played first."""
        return None if self.start is None else self.conditions[self.slots.index(self.start)]


@dataclass(slots=True)
class _Reading:
    faults: list[Fault] = field(default_factory=list)

    def fault(self, row: int, key: str, problem: str, **rest: Any) -> None:
        self.faults.append(Fault(line=row, key=key, problem=problem, **rest))


def read_tracks(table: "DataFrame", *, needed: Sequence[str] = ()) -> tuple[Track, ...]:
    """Return the tracks of a table, in its order.

    Parameters
    ----------
    needed : columns without which there is nothing to test, beside `track` and `order`

    Raises
    ------
    BlindtestError
        A column that is not there, no row, a row that contradicts itself or repeats another; all faults at once.
    """
    columns = [str(name) for name in table.columns]
    missing = [name for name in (*ALWAYS, *needed) if name not in columns]
    if missing:
        raise BlindtestError(
            *(
                Fault(
                    problem="the table of tracks has no such column",
                    key=name,
                    got=", ".join(columns),
                    allowed=", ".join(TRACK_COLUMNS),
                    remedy=did_you_mean(name, columns),
                )
                for name in missing
            )
        )
    reading = _Reading()
    cells = {name: table[name].tolist() for name in TRACK_COLUMNS if name in columns}
    rows = [_track(row, {name: cells[name][row - 1] for name in cells}, reading) for row in range(1, len(table) + 1)]
    tracks = tuple(track for track in rows if track is not None)
    seen: dict[tuple[str, str, str], int] = {}
    for track in tracks:
        first = seen.setdefault((track.listener, track.sitting, track.track), track.row)
        if first != track.row:
            reading.fault(
                track.row,
                "track",
                f"the same listener and track stand in row {first} already",
                got=track.track,
                remedy="delete one of the rows, or say in a column sitting that it was heard again",
            )
    if reading.faults:
        raise BlindtestError.of(reading.faults)
    if not tracks:
        raise BlindtestError(Fault(problem="the table holds no track", remedy="finish a sitting first"))
    return tracks


def check_device(tracks: Sequence[Track], device: str, key: str = "device") -> None:
    """Raise a BlindtestError unless some track holds this condition."""
    known = sorted({condition for track in tracks for condition in track.conditions})
    if device not in known:
        raise BlindtestError(
            Fault(
                problem="no track holds this condition",
                key=key,
                got=device,
                allowed=", ".join(known),
                remedy=did_you_mean(device, known),
            )
        )


def _text(cell: Any) -> str | None:
    if cell is None or type(cell).__name__ in ("NAType", "NaTType") or (isinstance(cell, float) and cell != cell):
        return None
    # A column of whole numbers with a gap is one of floats: 2 reads "2.0" there.
    text = str(int(cell)) if isinstance(cell, float) and cell.is_integer() else str(cell).strip()
    return None if not text or is_missing(text) else text


def _track(row: int, cells: dict[str, Any], reading: _Reading) -> Track | None:
    text = {name: _text(cell) for name, cell in cells.items()}
    name = text.get("track")
    if name is None:
        reading.fault(row, "track", "the row does not name the track")
    pairs = _pairs(row, "order", text.get("order"), reading)
    if pairs is None:
        if text.get("order") is None:
            reading.fault(row, "order", "the row does not say which slot held what", allowed="A=heron|B=plover")
        return None
    slots, conditions = tuple(pairs), tuple(pairs.values())
    if not LEAST_SLOTS <= len(slots) <= MOST_SLOTS or len(set(conditions)) < len(conditions):
        reading.fault(
            row,
            "order",
            "a track has at least two slots with different conditions",
            got=text["order"],
            allowed="A=heron|B=plover",
        )
        return None
    start = _one_of(row, "start", text.get("start"), slots, reading)
    chosen = _one_of(row, "chosen", text.get("chosen"), conditions, reading)
    dwell = _dwell(row, text.get("dwell"), conditions, reading)
    skipped = _seconds(row, "skipped_at_s", text.get("skipped_at_s"), reading)
    censored = _truth(row, text.get("censored"), reading)
    if name is None:
        return None
    return Track(
        row=row,
        listener=text.get("listener") or ONE_LISTENER,
        sitting=text.get("sitting") or "",
        track=name,
        slots=slots,
        conditions=conditions,
        start=start,
        chosen=chosen,
        dwell_s=dwell,
        skipped_at_s=skipped,
        censored=censored,
    )


def _pairs(row: int, key: str, cell: str | None, reading: _Reading) -> dict[str, str] | None:
    """Return what stands before and after each '=' of 'A=heron|B=plover'."""
    if cell is None:
        return None
    parts = [part.partition("=") for part in cell.split("|")]
    pairs = {left.strip(): right.strip() for left, _, right in parts}
    if not all(mark and left.strip() and right.strip() for left, mark, right in parts) or len(pairs) < len(parts):
        reading.fault(
            row, key, "not a list of NAME=VALUE joined by '|', each name once", got=cell, allowed="A=heron|B=plover"
        )
        return None
    return pairs


def _one_of(row: int, key: str, cell: str | None, known: Sequence[str], reading: _Reading) -> str | None:
    if cell is None or cell in known:
        return cell
    reading.fault(row, key, "not on this track", got=cell, allowed=", ".join(known), remedy=did_you_mean(cell, known))
    return None


def _dwell(row: int, cell: str | None, conditions: Sequence[str], reading: _Reading) -> tuple[float, ...] | None:
    pairs = _pairs(row, "dwell", cell, reading)
    if pairs is None:
        return None
    if set(pairs) != set(conditions):
        reading.fault(
            row, "dwell", "not the conditions of this track", got=", ".join(pairs), allowed=", ".join(conditions)
        )
        return None
    seconds = [_seconds(row, "dwell", pairs[condition], reading) for condition in conditions]
    return None if None in seconds else tuple(second for second in seconds if second is not None)


def _seconds(row: int, key: str, cell: str | None, reading: _Reading) -> float | None:
    if cell is None:
        return None
    try:
        seconds = float(read_cell(cell, "number"))
    except ValueError:
        seconds = -1.0
    if not (isfinite(seconds) and seconds >= 0):
        reading.fault(row, key, "not a number of seconds", got=cell, allowed="0 or more")
        return None
    return seconds


def _truth(row: int, cell: str | None, reading: _Reading) -> bool | None:
    if cell is None:
        return None
    try:
        return bool(read_cell(cell, "truth"))
    except ValueError:
        reading.fault(row, "censored", "neither true nor false", got=cell, allowed="true, false, 1, 0, or empty")
        return None
