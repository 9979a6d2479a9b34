"""A record as lines of JSON, to publish: what `session.kept_record` reads back.

What was hashed is given as the exact text that was hashed, so that anybody can hash it again without knowing the
canonical form. Never among it: secrets of the pages, ports, keys; nonces, answers and events of sittings that are open;
remarks of listeners and their own words on why they stopped, unless they are asked for.
"""

from collections.abc import Iterable, Mapping
from typing import Any

from blindtest.design import canonical
from blindtest.session.event import time_text
from blindtest.session.own_words import reason_told, without_own_words
from blindtest.session.panel_reach import reached, screening_is_over
from blindtest.session.panelist import Panelist
from blindtest.session.record import Record
from blindtest.session.register import SittingEntry

__all__ = ["PANEL_FILE", "RECORD_FILES", "WITHDRAWN", "record_lines"]

PANEL_FILE = "panel"
"""One file more, of a study that a readers' panel listened to: what each agreed to and played on."""

RECORD_FILES = ("seals", "sittings", "chain", "events", "impressions", "overrides", "settings")
"""Files of a published record, each `<name>.jsonl`."""
WITHDRAWN = "panel/withdrawn"
"""Under which is published how many listeners of a panel had everything erased, if any."""
_LOOPBACKS = "loopbacks"
_PLAYBACK = "playback/{}"


def record_lines(record: Record, *, comments: bool = False) -> dict[str, bytes]:
    """Return the files of a record by their names, one JSON value a line, in canonical form (RFC 8785).

    comments : with what listeners wrote: remarks on single trials, and why they stopped
    """
    sittings = record.sittings()
    closed = [entry for entry in sittings if entry.state != "open"]
    events = [(entry.number, event) for entry in closed for event in record.events(entry.number)]
    reasons = {entry.number: entry.reason for entry in sittings}
    if not comments:
        said = [(number, event) for number, event in events if event.get("event") != "commented"]
        events = [(number, without_own_words(event)) for number, event in said]
        reasons |= {entry.number: reason_told(entry, record.events(entry.number)) for entry in closed if entry.reason}
    panel = list(_panel(record))
    return {
        **({f"{PANEL_FILE}.jsonl": _lines(panel)} if panel else {}),
        "seals.jsonl": _lines(_seals(record, sittings)),
        "sittings.jsonl": _lines(_sitting(entry, reasons[entry.number]) for entry in sittings),
        "chain.jsonl": _lines(link for entry in sittings for link in _chain(record, entry)),
        "events.jsonl": _lines({"sitting": number, "event": event} for number, event in events),
        "impressions.jsonl": _lines(_impressions(record)),
        "overrides.jsonl": _lines(
            {"at": time_text(one.at), "what": one.what, "reason": one.reason} for one in record.overrides()
        ),
        "settings.jsonl": _lines(_settings(record, closed)),
    }


def _lines(values: Iterable[Mapping[str, Any]]) -> bytes:
    return b"".join(canonical(value) + b"\n" for value in values)


def _seals(record: Record, sittings: Iterable[SittingEntry]) -> Iterable[dict[str, Any]]:
    still = [entry for entry in sittings if entry.state == "open"]
    unopened = {commitment for entry in still for commitment in (entry.commitment, entry.study_seal)}
    for seal in record.seals():
        shut = seal.commitment in unopened or record.locked(seal.commitment)
        yield {
            "commitment": seal.commitment,
            "kind": seal.kind,
            "record": canonical(record.record(seal.commitment)).decode(),
            "nonce": None if shut else record.sealed(seal.commitment).nonce.hex(),
            "public": record.public(seal.commitment),
            "created": time_text(seal.created),
            "opened": None if seal.opened is None else time_text(seal.opened),
        }


def _sitting(entry: SittingEntry, reason: str) -> dict[str, Any]:
    return {
        "number": entry.number,
        "study_seal": entry.study_seal,
        "commitment": entry.commitment,
        "listener": entry.listener,
        "state": entry.state,
        "created": time_text(entry.created),
        "deadline": time_text(entry.deadline),
        "ended": None if entry.ended is None else time_text(entry.ended),
        "reason": reason,
        "links": entry.links,
        "head": entry.head,
        "forgotten": None if entry.forgotten is None else time_text(entry.forgotten),
    }


def _chain(record: Record, entry: SittingEntry) -> Iterable[dict[str, Any]]:
    for link in record.chain(entry.number):
        there = entry.state != "open" and link.row is not None and link.salt is not None
        yield {
            "sitting": entry.number,
            "position": link.position,
            "row_hash": link.row_hash,
            "hash": link.hash,
            "salt": link.salt.hex() if there and link.salt is not None else None,
            "row": canonical(link.row).decode() if there else None,
        }


def _impressions(record: Record) -> Iterable[dict[str, Any]]:
    for position, entry in enumerate(record.impressions(), start=1):
        yield {
            "position": position,
            "hash": entry.hash,
            "created": time_text(entry.created),
            "salt": None if entry.salt is None else entry.salt.hex(),
            "row": None if entry.row is None else canonical(entry.row).decode(),
            "forgotten": None if entry.forgotten is None else time_text(entry.forgotten),
        }


def _panel(record: Record) -> Iterable[dict[str, Any]]:
    """Return of each listener the hash of the consent text, the tests of what was worn, and the browser's rate.

    Of those who never began a sitting it is told which step is behind them. What listeners said of themselves stays at
    home; and so do the draws of tests that somebody is still taking.
    """
    sat = {entry.listener for entry in record.sittings()}
    for one in record.panelists():
        last = None if one.listener in sat else reached(one)
        yield {
            "listener": one.listener,
            "consent_sha256": one.consent_sha256,
            **_found(one, 0),
            **({} if last is None else {"reached": last}),
            **({"devices": [_device(one, number) for number in range(1, one.device + 1)]} if one.device else {}),
        }


def _device(one: Panelist, number: int) -> dict[str, Any]:
    """Return of a device that a listener moved to where their record stood then, and what was found there."""
    return {**one.moves[number - 1].to_record(), **_found(one, number)}


def _found(one: Panelist, device: int) -> dict[str, Any]:
    kept, seed = one.on("screening", device), one.seed_of(device)
    over = bool(kept) and seed is not None and screening_is_over(kept, seed)
    rate = one.on("output", device).get("rate_hz")
    return {
        "seed": seed.hex() if over and seed is not None else None,
        "screening": dict(kept) if over else None,
        "output": None if rate is None else {"rate_hz": rate},
    }


def _settings(record: Record, closed: Iterable[SittingEntry]) -> Iterable[dict[str, Any]]:
    """Return what the report tells of players and loopbacks: a list of what may go out, never of what may not."""
    for key in (_LOOPBACKS, *(_PLAYBACK.format(entry.number) for entry in closed)):
        if (value := record.remembered(key)) is not None:
            yield {"key": key, "value": value}
    if count := record.withdrawn():
        yield {"key": WITHDRAWN, "value": count}
