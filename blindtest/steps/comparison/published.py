"""One claim as a bundle publishes it: results, what was sealed, and whose answers they are."""

import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from blindtest.errors import BlindtestError, Fault
from blindtest.session.kept_record import read_kept_record
from blindtest.steps.bundle.opening import OpenedBundle

__all__ = ["Published", "read_published"]

Table = Mapping[str, Any]


@dataclass(frozen=True, slots=True, kw_only=True)
class Published:
    """One claim of one study."""

    source: str
    """The bundle, as it was named."""
    title: str
    claim: Table
    """Of `results.json`."""
    blocks: tuple[Table, ...] = ()
    """The blocks that answer the claim, as sealed."""
    hardware: bool = False
    """Whether real units were switched."""
    invented: bool = False
    commitments: frozenset[str] = frozenset()
    """Of the plans of its sittings."""
    heads: frozenset[str] = frozenset()
    """Last hashes of their answers, where there are any."""
    listeners: frozenset[str] = frozenset()
    screening: str = ""
    """Rules by which listeners were kept, as sealed; '' where all were."""
    abandoned: int = 0
    withdrawn: int = 0
    grade: str = ""
    name: str = field(default="")
    """Short, and unlike the others'."""

    @property
    def comparable(self) -> Table:
        """What another study must share."""
        found = self.claim.get("comparable")
        return found if isinstance(found, Mapping) else {}

    def device(self, role: str) -> Table:
        """Return what is published of its device or comparator; {} where the claim names none."""
        found = self.comparable.get("devices", {}).get(self.claim.get(role))
        return found if isinstance(found, Mapping) else {}

    def label(self, role: str) -> str:
        """Return what its device or comparator is called."""
        return str(self.device(role).get("label") or self.claim.get(role) or "")


def read_published(bundle: OpenedBundle, found: Table, wanted: str = "", *, grade: str = "") -> Published:
    """Return the named claim of a bundle, its primary one where none is named; found : its results

    Raises
    ------
    BlindtestError
        There is no such claim.
    """
    claims: list[Table] = found["claims"]
    ids = [str(one["id"]) for one in claims]
    if wanted and wanted not in ids:
        raise BlindtestError(
            Fault(
                problem="it has no claim of this name", file=str(bundle.given), key="--claim", got=wanted,
                allowed=", ".join(ids),
            )
        )  # fmt: skip
    claim = next(one for one in claims if (one["id"] == wanted if wanted else one["primary"]))
    record = read_kept_record(bundle.path("record"))
    sealed = record.record(found["study_seal"])
    own = next(one for one in sealed["claims"] if one["id"] == claim["id"])
    sittings = [one for one in found["sittings"] if not one["beyond_plan"]]
    return Published(
        source=str(bundle.given),
        title=str(found["title"]),
        claim=claim,
        blocks=tuple(block for block in sealed["protocol"]["blocks"] if block["id"] in own["blocks"]),
        hardware="hardware" in sealed,
        invented=bool(found["invented"]),
        commitments=frozenset(str(one["commitment"]) for one in sittings),
        heads=frozenset(str(one["head"]) for one in sittings if one["head"] != one["commitment"]),
        listeners=frozenset(str(one["listener"]) for one in sittings if not one["withdrawn"]),
        screening=_screening(sealed),
        abandoned=int(found["register"]["abandoned"]),
        withdrawn=int(found["withdrawn"]["sittings"]),
        grade=grade,
    )


def _screening(sealed: Table) -> str:
    rules = [one for one in (sealed.get("screening"), (sealed.get("panel") or {}).get("screening")) if one]
    return json.dumps(rules, sort_keys=True) if rules else ""


def file_stem(source: str) -> str:
    """Return what a bundle is called by its place: the name of the ZIP, or of the study folder it was made in."""
    path = Path(source).resolve()
    name = path.stem.removesuffix("-evidence") if path.suffix.lower() == ".zip" else path.name
    parents = [name, *(parent.name for parent in path.parents)]
    return next((one for one in parents if one and one not in ("bundle", "report")), source)
