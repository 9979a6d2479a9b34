"""A record read from the files of an evidence bundle, by the same methods as from a database.

The files are somebody else's: whatever does not have the form that `session.record_lines` gives it is refused, with
file, line and key (`kept_lines.py`).
"""

from collections.abc import Mapping
from datetime import datetime
from pathlib import Path
from typing import Any

from blindtest.design import Link, Sealed, row_hash, rules_from_record, verify_chain
from blindtest.design import commitment as commitment_of
from blindtest.errors import BlindtestError, Fault
from blindtest.nouns import number_of
from blindtest.session.kept_lines import kept_lines
from blindtest.session.panel_devices import DEVICES, Move, kept_as
from blindtest.session.panel_reach import REACHED, STEPS
from blindtest.session.panelist import Panelist
from blindtest.session.record_lines import PANEL_FILE, RECORD_FILES, WITHDRAWN
from blindtest.session.register import ImpressionEntry, Override, SealEntry, SittingEntry, scheduled_in
from blindtest.session.screening import Screening, ScreeningAnswer

__all__ = ["KeptRecord", "read_kept_record"]


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
        held = {name: kept_lines(files, f"{name}.jsonl", path) for name in names}
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
                found.append(
                    f"sitting {entry.number}: {number_of(check.withheld, 'row is', 'rows are')} "
                    "missing, and nobody asked for it"
                )
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
