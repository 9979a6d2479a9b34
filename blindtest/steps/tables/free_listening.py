"""Tables of whole tracks heard freely: what was chosen to play on, how long listeners stayed, when they skipped."""

from dataclasses import replace
from pathlib import Path
from typing import Any

from blindtest.errors import BlindtestError, Fault
from blindtest.stats import CANNOT_TELL, LongTable, Wanted, choice_test, dwell_test, read_tracks, skip_test
from blindtest.steps.columns import columns, p_cell
from blindtest.steps.tables.contract import Asked, TableAnalysis
from blindtest.steps.tables.our_tracks import OURS, tracks_of
from blindtest.steps.tables.reading import faults_in, holds, named_pair, read

__all__ = ["free_listening"]

SLOTS = ("A", "B", "C", "D")
HEARD = (
    Wanted(name="track", also=("clip", "item", "title"), what="which track was heard"),
    Wanted(name="order", also=("slots", "drawn"), needed=False),
    Wanted(name="chosen", also=("choice", "response", "picked"), needed=False),
    Wanted(name="dwell", also=("dwell_s",), needed=False),
    Wanted(name="skipped_at_s", also=("skipped", "skip"), needed=False),
    Wanted(name="censored", needed=False),
    Wanted(name="start", also=("started",), needed=False),
    Wanted(name="listener", also=("subject", "assessor", "who"), needed=False),
    Wanted(name="sitting", also=("session",), needed=False),
    *(Wanted(name=slot, also=(f"slot_{slot}",), needed=False) for slot in SLOTS),
)


def free_listening(path: Path, asked: Asked) -> TableAnalysis:
    """Return what choices, dwell and skips say, as far as the table holds them."""
    if asked.margin is not None and not 0 < asked.margin < 1:
        raise BlindtestError(_not_a_margin(path, asked.margin))
    table = tracks_of(read(path, OURS, asked)) if holds(path, OURS, asked) else _drawn(read(path, HEARD, asked))
    with faults_in(table):
        tracks = read_tracks(table.table)
        known = sorted({condition for track in tracks for condition in track.conditions})
        device = named_pair(table, asked, known)[0] if len(known) == 2 else _device(table, asked, known)
        direction: Any = "claimed" if asked.one_sided else "two-sided"
        common: dict[str, Any] = {"device": device, "direction": direction}
        limits: dict[str, Any] = {"margin": asked.margin, "alpha": asked.alpha}
        lines: list[str] = []
        values: dict[str, Any] = {"device": device, "choice": None, "dwell": None, "skips": None}
        if table.has("chosen"):
            against = asked.comparator or None if len(known) > 2 else None
            choice = choice_test(table.table, **common, **limits, comparator=against)
            values["choice"] = choice.to_dict()
            lines += [f"Result: {choice.sentence}", *(f"Note: {remark}" for remark in choice.remarks)]
            if len(choice.by_listener) > 1:
                lines += ["", _listener_lines(choice), ""]
        if table.has("dwell"):
            dwell = dwell_test(table.table, **common, **limits)
            values["dwell"] = dwell.to_dict()
            lines += [f"Dwell: {dwell.sentence}", f"What dwell can't tell: {'; '.join(CANNOT_TELL)}."]
        if table.has("skipped_at_s") and (table.has("chosen") or table.has("start")):
            played: Any = "chosen" if table.has("chosen") else "start"
            skips = skip_test(table.table, **common, played=played, level=1 - asked.alpha)
            values["skips"] = skips.to_dict()
            lines.append(f"Skips: {skips.sentence}")
    if not lines:
        raise BlindtestError(
            table.fault(
                "no column says what listeners did",
                key="chosen",
                allowed="chosen, dwell, or skipped_at_s",
                remedy="name it: chosen=COLUMN",
            )
        )
    return TableAnalysis(
        file=table.file, method="free-listening", understood=table.understood, lines=tuple(lines), values=values
    )


def _drawn(table: LongTable) -> LongTable:
    """Return the table with what was drawn in one column, where it came as a column per slot."""
    if table.has("order"):
        return table
    slots = [slot for slot in SLOTS if table.has(slot)]
    if len(slots) < 2:
        raise BlindtestError(
            table.fault(
                "no column says which slot held what",
                key="order",
                got=", ".join(table.table.columns),
                remedy="name it: order=COLUMN ('A=heron|B=plover'), or a column per slot: A=COLUMN, B=COLUMN",
            )
        )
    cells = zip(*(table.table[slot].tolist() for slot in slots), strict=True)
    order = ["|".join(f"{slot}={what}" for slot, what in zip(slots, row, strict=True) if what) for row in cells]
    return replace(table, table=table.table.assign(order=order))


def _device(table: LongTable, asked: Asked, known: list[str]) -> str:
    if asked.device in known:
        return asked.device
    raise BlindtestError(
        table.fault(
            "the claim is about one of these", key="--device", got=asked.device, allowed=", ".join(known),
            remedy="name it: --device ONE",
        )
    )  # fmt: skip


def _not_a_margin(path: Path, margin: float) -> Fault:
    return Fault(
        problem="not a margin",
        file=str(path),
        key="--margin",
        got=margin,
        allowed="between 0 and 1: a share beyond an equal one",
    )


def _listener_lines(choice: Any) -> str:
    rows = [
        (
            one.listener, f"{one.chosen} of {one.tracks}", str(one.without_choice),
            f"{100 * one.interval[0]:.0f} to {100 * one.interval[1]:.0f} %", p_cell(one.p_value),
            p_cell(one.p_adjusted),
        )
        for one in choice.by_listener
    ]  # fmt: skip
    return columns(("listener", "chosen", "no choice", "95 % interval", "p", "p (Holm)"), rows)
