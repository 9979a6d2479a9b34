"""Impressions: what was said goes on record, before the graphs and before the test.

So no more of the study file is asked for than who speaks about which unit: measurements may be missing, claims and
protocol unwritten.
"""

import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from hashlib import file_digest
from pathlib import Path
from typing import TYPE_CHECKING, Any

from blindtest.errors import BlindtestError, Fault, WrongUse, did_you_mean
from blindtest.nouns import number_of
from blindtest.steps.place import Clock, Entropy, now
from blindtest.steps.storage import database_in
from blindtest.study import read_toml

if TYPE_CHECKING:
    from blindtest.session.store import ByUrl

__all__ = ["KNOWN", "ImpressionShown", "impression"]

KNOWN = ("price", "maker", "graph", "other-reviews")
"""What a listener may have known when the words were said."""
LONGEST_WORDS = 5000


@dataclass(frozen=True, slots=True, kw_only=True)
class ImpressionShown:
    """What `blindtest impression` prints."""

    hash: str
    row: Mapping[str, Any]
    folder: Path

    def to_dict(self) -> dict[str, Any]:
        """Return what JSON can hold."""
        return {"hash": self.hash, "impression": dict(self.row)}

    def text(self) -> str:
        """Return it in words: the hash first, since it can be posted at once."""
        known = ", ".join(self.row["known"]) or "nothing named"
        return "\n".join(
            [
                f"On record: {self.hash}",
                "Publish the hash where others see it, if the order of things shall convince anybody else.",
                f'"{self.row["quote"]}"',
                f"about {self.row['unit']['name']}"
                + (f" against {self.row['against']}" if self.row["against"] else "")
                + f", knowing {known}; {number_of(len(self.row['files']), 'measurement file')} lay in the folder.",
                "A claim names it in study.toml:",
                f'  impression = "{self.hash[:8]}"',
                '  quote = "..."    # words that stand in it',
                "It is never changed; say more with another one.",
            ]
        )


def impression(
    folder: Path,
    *,
    words: str,
    unit: str,
    against: str = "",
    clips: Sequence[str] = (),
    knew: Sequence[str] = (),
    worn: str = "",
    by: str = "",
    clock: Clock = now,
    entropy: Entropy = os.urandom,
) -> ImpressionShown:
    """Put an impression on record.

    Parameters
    ----------
    words : as said
    unit, against : ids of units (or conditions) of the study
    clips : ids of clips; () for no clips in particular
    knew : of `KNOWN`, what was known when it was said
    worn : for how long the real unit was worn, in the user's words
    by : pseudonym; '' for the study's reviewer

    Raises
    ------
    BlindtestError
        There is no study file, or it is no TOML.
    WrongUse
        No words, nobody who says them, a unit or clip that isn't there, an unknown word for what was known; all at
        once.
    """
    from blindtest.session.store import Store

    written = _written(folder)
    who = by or written.reviewer
    _check(written, words, unit, against, clips, knew, who)
    at = clock()
    about = written.units.get(unit, {})
    row = {
        "quote": words.strip(),
        "who": who,
        "unit": {
            "id": unit,
            "name": _text(about, "name") or unit,
            **{key: _text(about, key) for key in ("serial_suffix", "revision", "rig")},
        },
        "against": against,
        "clips": list(clips),
        "known": list(knew),
        "worn": worn,
        "when": at.isoformat(timespec="seconds"),
        "files": _hashes(written.folder),
    }
    with Store(written.database, entropy=entropy, create=True) as store:
        found = store.add_impression(row, by=who, at=at)
    return ImpressionShown(hash=found, row=row, folder=written.folder)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Written:
    """What a study file, perhaps half filled in, says of who speaks about what."""

    folder: Path
    reviewer: str
    units: Mapping[str, Mapping[str, Any]]
    conditions: tuple[str, ...]
    clips: tuple[str, ...]
    database: "Path | ByUrl"


def _written(folder: Path) -> _Written:
    path = folder if folder.is_file() else folder / "study.toml"
    source = read_toml(path)
    if source.faults:
        raise BlindtestError.of(source.faults)
    tables = {name: _tables(source.data.get(name)) for name in ("unit", "condition", "clip")}
    return _Written(
        folder=path.parent,
        database=database_in(path, source.data),
        reviewer=_text(source.data, "reviewer"),
        units=tables["unit"],
        conditions=tuple(tables["condition"]),
        clips=tuple(tables["clip"]),
    )


def _tables(found: object) -> dict[str, Mapping[str, Any]]:
    """Return the tables of a list by their ids."""
    listed = found if isinstance(found, list) else []
    return {one["id"]: one for one in listed if isinstance(one, dict) and _text(one, "id")}


def _text(table: Mapping[str, Any], key: str) -> str:
    value = table.get(key)
    return value.strip() if isinstance(value, str) else ""


def _check(
    written: _Written, words: str, unit: str, against: str, clips: Sequence[str], knew: Sequence[str], who: str
) -> None:
    units = [*written.units, *written.conditions]
    names = written.clips
    faults = []
    if not who:
        faults.append(
            Fault(problem="nobody says it", key="--by", remedy="name a pseudonym, or write reviewer in study.toml")
        )
    if not words.strip() or len(words) > LONGEST_WORDS:
        faults.append(
            Fault(problem="no words to put on record", key="--quote", allowed=f"1 to {LONGEST_WORDS} characters")
        )
    for key, value in (("--unit", unit), ("--against", against)):
        if value and value not in units:
            faults.append(
                Fault(
                    problem="the study has no such unit",
                    key=key,
                    got=value,
                    allowed=", ".join(dict.fromkeys(units)),
                    remedy=did_you_mean(value, units),
                )
            )
    for clip in clips:
        if clip not in names:
            faults.append(
                Fault(
                    problem="the study has no such clip",
                    key="--clips",
                    got=clip,
                    allowed=", ".join(names),
                    remedy=did_you_mean(clip, names),
                )
            )
    for one in knew:
        if one not in KNOWN:
            faults.append(
                Fault(
                    problem="not a word for what was known",
                    key="--knew",
                    got=one,
                    allowed=", ".join(KNOWN),
                    remedy=did_you_mean(one, KNOWN),
                )
            )
    if faults:
        raise WrongUse(*faults)


def _hashes(folder: Path) -> dict[str, str]:
    """Return the SHA-256 of every measurement file that lies in the folder now, named in the study or not."""
    found = {}
    place = folder / "measurements"
    for path in sorted(place.rglob("*")) if place.is_dir() else ():
        if path.is_file():
            try:
                with path.open("rb") as file:
                    found[path.relative_to(folder).as_posix()] = file_digest(file, "sha256").hexdigest()
            except OSError as error:
                raise BlindtestError(Fault(problem=f"can't be read: {error.strerror}", file=str(path))) from error
    return found
