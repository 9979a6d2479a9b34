"""A record read from the files of an evidence bundle, by the same methods as from a database.

The files are somebody else's: whatever does not have the form that `session.record_lines` gives it is refused, with
file, line and key.
"""

import json
from collections.abc import Callable, Mapping
from datetime import datetime
from pathlib import Path
from typing import Any

from blindtest.design import Link, Sealed, row_hash, rules_from_record, verify_chain
from blindtest.design import commitment as commitment_of
from blindtest.errors import BlindtestError, Fault
from blindtest.session.panel_devices import DEVICES, Move, kept_as
from blindtest.session.panel_reach import REACHED, STEPS
from blindtest.session.panelist import Panelist
from blindtest.session.record_lines import PANEL_FILE, RECORD_FILES, WITHDRAWN
from blindtest.session.register import ImpressionEntry, Override, SealEntry, SittingEntry, scheduled_in
from blindtest.session.screening import Screening, ScreeningAnswer

__all__ = ["KeptRecord", "read_kept_record"]

_HEX = frozenset("0123456789abcdef")
_DEEPEST = 40
"""Levels of nesting; our own records have fewer than ten."""


class KeptRecord:
    """A published record; see `session.record.Record` for what it answers.

    Parameters
    ----------
    files : bytes of `seals.jsonl` and the others of `RECORD_FILES`, by these names
    path : folder they came from, named in faults

    Raises
    ------
    BlindtestError
        A file is missing, or a line has not the form of a record.
    """

    wholeness = "the record's files fit together: seals, register, chains, impressions"

    def __init__(self, files: Mapping[str, bytes], path: Path) -> None:
        self.path = path
        names = (*RECORD_FILES, *((PANEL_FILE,) if f"{PANEL_FILE}.jsonl" in files else ()))
        held = {name: _read(files, f"{name}.jsonl", path) for name in names}
        self._seals = {line["commitment"]: line for line in held["seals"]}
        self._sittings = tuple(_sitting_of(line, self._seals, path) for line in held["sittings"])
        self._chains: dict[int, list[Link]] = {}
        for line in held["chain"]:
            self._chains.setdefault(line["sitting"], []).append(_link_of(line))
        self._events = [(line["sitting"], line["event"]) for line in held["events"]]
        self._impressions = tuple(_impression_of(line) for line in held["impressions"])
        self._overrides = tuple(
            Override(at=_time(line["at"]), what=line["what"], reason=line["reason"]) for line in held["overrides"]
        )
        self._panelists = tuple(_panelist_of(line, path) for line in held.get(PANEL_FILE, ()))
        self._settings = {line["key"]: line["value"] for line in held["settings"]}

    def seals(self) -> tuple[SealEntry, ...]:
        """Return all seals in the order of their making, without nonces."""
        return tuple(
            SealEntry(
                commitment=line["commitment"],
                kind=line["kind"],
                record=line["record"],
                created=_time(line["created"]),
                opened=None if line["opened"] is None else _time(line["opened"]),
            )
            for line in self._seals.values()
        )

    def sealed(self, commitment: str) -> Sealed:
        """Return a seal with its nonce.

        Raises
        ------
        BlindtestError
            Record and nonce do not give the commitment, or the nonce is not in the bundle.
        """
        line = self._seal(commitment)
        if line["nonce"] is None:
            raise BlindtestError(
                Fault(
                    problem=f"the nonce of the seal {commitment[:16]}... is not in the bundle",
                    file=str(self.path / "seals.jsonl"),
                    remedy="it is given once no sitting under it is open",
                )
            )
        sealed = Sealed(record=line["record"], nonce=bytes.fromhex(line["nonce"]), commitment=commitment)
        if commitment_of(sealed.record, sealed.nonce) != commitment:
            problem = f"the seal {commitment[:16]}... is not that of its record and nonce"
            raise BlindtestError(Fault(problem=problem, file=str(self.path / "seals.jsonl")))
        return sealed

    def record(self, commitment: str) -> dict[str, Any]:
        """Return the record of a seal, which tells no draw."""
        return dict(self._seal(commitment)["record"])

    def public(self, commitment: str) -> str:
        """Return the public text that enters the draws of a plan."""
        return str(self._seal(commitment)["public"])

    def locked(self, commitment: str) -> bool:
        """Return whether the nonce is not in the bundle."""
        return self._seal(commitment)["nonce"] is None

    def sittings(self) -> tuple[SittingEntry, ...]:
        """Return the register: every sitting that was ever sealed, in order."""
        return self._sittings

    def rows(self, sitting: int | None = None) -> tuple[dict[str, Any], ...]:
        """Return the rows of a sitting, or of all, in the order of recording; erased ones are not among them."""
        numbers = sorted(self._chains) if sitting is None else [sitting]
        links = [link for number in numbers for link in self._chains.get(number, ())]
        return tuple(dict(link.row) for link in links if link.row is not None)

    def chain(self, sitting: int) -> tuple[Link, ...]:
        """Return the chain of a sitting, ready for `design.verify_chain`; erased rows are None."""
        return tuple(self._chains.get(sitting, ()))

    def events(self, sitting: int) -> tuple[Mapping[str, Any], ...]:
        """Return the events of a sitting that were published, in order."""
        return tuple(event for number, event in self._events if number == sitting)

    def impressions(self) -> tuple[ImpressionEntry, ...]:
        """Return the impressions on record, in order; what was erased is None."""
        return self._impressions

    def panelists(self) -> tuple[Panelist, ...]:
        """Return the listeners of a readers' panel; a seed of zeros where tests were not over."""
        return self._panelists

    def withdrawn(self) -> int:
        """Return how many listeners of a readers' panel had everything erased; not a number counts as none."""
        count = self._settings.get(WITHDRAWN, 0)
        return count if type(count) is int and count >= 0 else 0

    def overrides(self) -> tuple[Override, ...]:
        """Return the rules that were set aside, in order."""
        return self._overrides

    def remembered(self, key: str, default: Any = None) -> Any:
        """Return a setting that was published."""
        return self._settings.get(key, default)

    def faults(self) -> tuple[Fault, ...]:
        """Return what is wrong: seals, register, chains, impressions, rows missing unasked."""
        return tuple(
            Fault(problem=words, file=str(self.path / f"{name}.jsonl"))
            for name, found in (
                ("seals", self._faults_of_seals()),
                ("sittings", self._faults_of_register()),
                ("chain", self._faults_of_chains()),
                ("impressions", self._faults_of_impressions()),
            )
            for words in found
        )

    def _seal(self, commitment: str) -> Mapping[str, Any]:
        try:
            return self._seals[commitment]
        except KeyError:
            raise BlindtestError(
                Fault(problem="no such seal", file=str(self.path / "seals.jsonl"), got=commitment)
            ) from None

    def _faults_of_seals(self) -> list[str]:
        found = []
        for commitment, line in self._seals.items():
            try:
                if line["nonce"] is not None:
                    self.sealed(commitment)
            except BlindtestError as error:
                found += [fault.problem for fault in error.faults]
        return found

    def _faults_of_register(self) -> list[str]:
        found = []
        for entry in self._sittings:
            links = self._chains.get(entry.number, [])
            head = links[-1].hash if links else entry.commitment
            if (len(links), head) != (entry.links, entry.head):
                found.append(f"sitting {entry.number}: the register has {entry.links} links, the chain {len(links)}")
        unknown = self._chains.keys() - {entry.number for entry in self._sittings}
        return [
            *found,
            *(f"sitting {number}: answers of a sitting that isn't registered" for number in sorted(unknown)),
        ]

    def _faults_of_chains(self) -> list[str]:
        found = []
        for entry in self._sittings:
            check = verify_chain(entry.commitment, self.chain(entry.number))
            found += [f"sitting {entry.number}: {words}" for words in check.faults]
            shut = entry.state == "open" or self.locked(entry.commitment)
            if check.withheld and entry.forgotten is None and not shut:
                found.append(f"sitting {entry.number}: {check.withheld} rows are missing, and nobody asked for it")
        return found

    def _faults_of_impressions(self) -> list[str]:
        found = []
        for number, entry in enumerate(self._impressions, start=1):
            if entry.row is None or entry.salt is None:
                if entry.forgotten is None:
                    found.append(f"impression {number}: its words are missing, and nobody asked for it")
            elif row_hash(entry.salt, entry.row) != entry.hash:
                found.append(f"impression {number} is not the one that was recorded: its salted hash differs")
        return found


def read_kept_record(folder: Path) -> KeptRecord:
    """Return the record whose files lie in `folder`.

    Raises
    ------
    BlindtestError
        A file is missing, can't be read, or has not the form of a record.
    """
    try:
        names = (*RECORD_FILES, *((PANEL_FILE,) if (folder / f"{PANEL_FILE}.jsonl").exists() else ()))
        files = {f"{name}.jsonl": (folder / f"{name}.jsonl").read_bytes() for name in names}
    except OSError as error:
        raise BlindtestError(
            Fault(problem=f"a file of the record can't be read: {error.strerror}", file=str(error.filename))
        ) from error
    return KeptRecord(files, folder)


# The form of each line: a check of every key, and what it allows in words.

_Check = tuple[Callable[[Any], bool], str]


def _is_hash(value: object) -> bool:
    return isinstance(value, str) and len(value) == 64 and set(value) <= _HEX


def _is_time(value: object) -> bool:
    try:
        return isinstance(value, str) and datetime.fromisoformat(value).tzinfo is not None
    except ValueError:
        return False


def _or_none(check: Callable[[Any], bool]) -> Callable[[Any], bool]:
    return lambda value: value is None or check(value)


_TEXT: _Check = (lambda value: isinstance(value, str), "a text")
_HASH: _Check = (_is_hash, "64 hexadecimal digits")
_HASH_OR_NONE: _Check = (_or_none(_is_hash), "64 hexadecimal digits, or null")
_TIME: _Check = (_is_time, "ISO 8601 with zone")
_TIME_OR_NONE: _Check = (_or_none(_is_time), "ISO 8601 with zone, or null")
_COUNT: _Check = (lambda value: type(value) is int and value >= 0, "a whole number")
_NUMBER: _Check = (lambda value: type(value) is int and value >= 1, "a whole number from 1")
_TABLE: _Check = (lambda value: isinstance(value, dict), "a table")
_HELD: _Check = (lambda value: isinstance(value, str), "the text of a JSON table")
_HELD_OR_NONE: _Check = (_or_none(lambda value: isinstance(value, str)), "the text of a JSON table, or null")

_FORMS: dict[str, dict[str, _Check]] = {
    "seals": {
        "commitment": _HASH,
        "kind": (lambda value: value in ("study", "sitting"), "study, sitting"),
        "record": _HELD,
        "nonce": _HASH_OR_NONE,
        "public": _TEXT,
        "created": _TIME,
        "opened": _TIME_OR_NONE,
    },
    "sittings": {
        "number": _NUMBER,
        "study_seal": _HASH,
        "commitment": _HASH,
        "listener": _TEXT,
        "state": (lambda value: value in ("open", "finished", "abandoned"), "open, finished, abandoned"),
        "created": _TIME,
        "deadline": _TIME,
        "ended": _TIME_OR_NONE,
        "reason": _TEXT,
        "links": _COUNT,
        "head": _HASH,
        "forgotten": _TIME_OR_NONE,
    },
    "chain": {
        "sitting": _NUMBER,
        "position": _NUMBER,
        "row_hash": _HASH,
        "hash": _HASH,
        "salt": _HASH_OR_NONE,
        "row": _HELD_OR_NONE,
    },
    "events": {"sitting": _NUMBER, "event": _TABLE},
    "impressions": {
        "position": _NUMBER,
        "hash": _HASH,
        "created": _TIME,
        "salt": _HASH_OR_NONE,
        "row": _HELD_OR_NONE,
        "forgotten": _TIME_OR_NONE,
    },
    "panel": {
        "listener": _TEXT,
        "consent_sha256": _HASH,
        "seed": _HASH_OR_NONE,
        "screening": (_or_none(lambda value: isinstance(value, dict)), "a table, or null"),
        "output": (_or_none(lambda value: isinstance(value, dict)), "a table, or null"),
    },
    "overrides": {"at": _TIME, "what": _TEXT, "reason": _TEXT},
    "settings": {"key": _TEXT, "value": (lambda value: True, "")},
}
_ONCE = {"panel": ("listener",), "seals": ("commitment",), "sittings": ("number",), "settings": ("key",)}
"""Keys of which no two lines have the same value."""


def _read(files: Mapping[str, bytes], name: str, path: Path) -> list[dict[str, Any]]:
    """Return the lines of a file, each with the keys of its form; texts of hashed tables opened."""
    file, kind = str(path / name), name.removesuffix(".jsonl")
    if name not in files:
        raise BlindtestError(Fault(problem="this file of the record is missing", file=file))
    try:
        text = files[name].decode("utf-8")
    except UnicodeDecodeError as error:
        place = files[name].count(b"\n", 0, error.start) + 1
        raise BlindtestError(Fault(problem="not UTF-8", file=file, line=place)) from None
    found, seen = [], set()
    for number, line in enumerate(text.split("\n"), start=1):
        if not line:
            continue
        table = _table(line, file, number)
        _formed(table, _FORMS[kind], file, number)
        for key in ("record", "row"):
            if isinstance(table.get(key), str):
                table[key] = _table(table[key], file, number, key)
        once = tuple(table[key] for key in _ONCE.get(kind, ()))
        if once and once in seen:
            raise BlindtestError(Fault(problem="stands there twice", file=file, line=number, got=once[0]))
        seen.add(once)
        found.append(table)
    return found


def _table(text: str, file: str, line: int, key: str = "") -> dict[str, Any]:
    def refuse(constant: str) -> None:
        raise ValueError(f"{constant} is no JSON")

    def once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
        table = dict(pairs)
        if len(table) != len(pairs):
            raise ValueError("a key stands there twice")
        return table

    try:
        table = json.loads(text, parse_constant=refuse, object_pairs_hook=once)
        if _depth(table) > _DEEPEST:
            raise ValueError("nested too deeply")
    except RecursionError:
        raise BlindtestError(Fault(problem="nested too deeply", file=file, line=line, key=key)) from None
    except ValueError as error:
        raise BlindtestError(Fault(problem=f"not JSON: {error}", file=file, line=line, key=key)) from None
    if not isinstance(table, dict):
        raise BlindtestError(Fault(problem="not a table", file=file, line=line, key=key, got=table))
    return table


def _depth(value: object) -> int:
    deepest, waiting = 0, [(value, 1)]
    while waiting:
        one, depth = waiting.pop()
        deepest = max(deepest, depth)
        inside = one.values() if isinstance(one, dict) else one if isinstance(one, list) else ()
        waiting += [(each, depth + 1) for each in inside]
    return deepest


def _formed(table: Mapping[str, Any], form: Mapping[str, _Check], file: str, line: int) -> None:
    faults = [Fault(problem="missing", file=file, line=line, key=key) for key in form.keys() - table.keys()]
    faults += [
        Fault(problem="not usable", file=file, line=line, key=key, got=table[key], allowed=words)
        for key, (fits, words) in form.items()
        if key in table and not fits(table[key])
    ]
    if faults:
        raise BlindtestError.of(sorted(faults, key=lambda fault: fault.key))


def _time(text: str) -> datetime:
    return datetime.fromisoformat(text)


def _sitting_of(line: Mapping[str, Any], seals: Mapping[str, Mapping[str, Any]], path: Path) -> SittingEntry:
    for key in ("commitment", "study_seal"):
        if line[key] not in seals:
            problem = f"sitting {line['number']}: this seal is not in the record"
            raise BlindtestError(Fault(problem=problem, file=str(path / "sittings.jsonl"), key=key, got=line[key]))
    return SittingEntry(
        **scheduled_in(seals[line["commitment"]]["record"]),
        number=line["number"],
        study_seal=line["study_seal"],
        commitment=line["commitment"],
        listener=line["listener"],
        state=line["state"],
        reason=line["reason"],
        links=line["links"],
        head=line["head"],
        created=_time(line["created"]),
        deadline=_time(line["deadline"]),
        ended=None if line["ended"] is None else _time(line["ended"]),
        forgotten=None if line["forgotten"] is None else _time(line["forgotten"]),
    )


def _link_of(line: Mapping[str, Any]) -> Link:
    whole = line["salt"] is not None and line["row"] is not None
    return Link(
        position=line["position"],
        row_hash=line["row_hash"],
        hash=line["hash"],
        salt=bytes.fromhex(line["salt"]) if whole else None,
        row=line["row"] if whole else None,
    )


def _impression_of(line: Mapping[str, Any]) -> ImpressionEntry:
    return ImpressionEntry(
        hash=line["hash"],
        created=_time(line["created"]),
        row=line["row"],
        salt=None if line["salt"] is None else bytes.fromhex(line["salt"]),
        forgotten=None if line["forgotten"] is None else _time(line["forgotten"]),
    )


def _panelist_of(line: Mapping[str, Any], path: Path) -> Panelist:
    held: dict[str, Mapping[str, Any]] = {}
    try:
        devices = line.get("devices", [])
        for device, found in enumerate([line, *devices]):
            kept, output = found["screening"], found["output"]
            if kept is not None:
                answers = tuple(ScreeningAnswer.from_record(each) for each in kept["answers"])
                _ = Screening(rules=rules_from_record(kept["rules"]), seed=bytes(32), answers=answers).outcomes
                held[kept_as("screening", device)] = kept
            if output is not None:
                int(output["rate_hz"])
                held[kept_as("output", device)] = output
        last = line.get("reached")
        if last is not None and last not in STEPS:
            raise ValueError(f"reached: {last!r} is none of {', '.join(STEPS)}")
        held[REACHED] = {} if last is None else {"step": last}
        if devices:
            held[DEVICES] = {"moves": [Move.from_record(each).to_record() for each in devices]}
    except (KeyError, TypeError, ValueError, AttributeError) as error:
        problem = f"not what is kept of a listener: {error}"
        file = str(path / f"{PANEL_FILE}.jsonl")
        raise BlindtestError(Fault(problem=problem, file=file, got=line["listener"])) from None
    return Panelist(
        listener=line["listener"],
        seed=bytes(32) if line["seed"] is None else bytes.fromhex(line["seed"]),
        consent_sha256=line["consent_sha256"],
        kept=held,
    )
