"""What a bundle says it was computed by, against what is here: versions, and the state of blindtest's own source.

Nothing holds what is said there. So it decides only what can be asked byte for byte, never whether a number, a plan, a
chain or a sound is computed again: who names another source has no less held against the record.
"""

import re
from dataclasses import dataclass, field

from blindtest.steps.bundle.opening import OpenedBundle, read_json
from blindtest.steps.gathering.record import versions
from blindtest.steps.source_state import SOURCE, source_sha256
from blindtest.steps.verification import Finding

__all__ = ["MadeBy", "made_by"]

VERSIONS = "versions.json"
_BLINDTEST = "blindtest"
_HASH = re.compile("[0-9a-f]{64}")
_SHOWN = 16


@dataclass(frozen=True, slots=True, kw_only=True)
class MadeBy:
    """What made a bundle, as it says itself."""

    source: str = ""
    """SHA-256 (hex) of the source of blindtest; '' where it says none, as bundles did that were made earlier."""
    source_here: str = field(default_factory=source_sha256)
    version: str = ""
    unread: bool = False
    """What it says can't be read: then nothing is made easier for it."""
    others: dict[str, tuple[str, str]] = field(default_factory=dict)
    """What it names in another version than is here: (there, here); the source is none of them."""

    @property
    def same_source(self) -> bool:
        """Whether it is the source that runs here: then blindtest's own files must be the same to the byte."""
        return self.unread or (self.source == self.source_here and _BLINDTEST not in self.others)

    @property
    def same_all(self) -> bool:
        """Whether every library is the same, too."""
        return self.same_source and not self.others

    def told(self) -> Finding | str:
        """Return it in a line: what holds, or a note."""
        if self.same_source:
            what = f"{VERSIONS}: made by the source of blindtest {self.version} that runs here"
            return Finding(ok=True, what=what, detail=f"{self.source[:_SHOWN]}...")
        here = f"here {self.source_here[:_SHOWN]}..."
        by = (
            f"made by another source state of blindtest {self.version} ({self.source[:_SHOWN]}..., {here})"
            if self.source
            else f"it does not say which source state of blindtest {self.version} made it ({here})"
        )
        return (
            f"{by}: what blindtest words and spells can't be expected byte for byte, and where it differs only its "
            "hash is compared; numbers, plans, chain and sound are computed again all the same"
        )

    def to_dict(self) -> dict[str, object]:
        """Return of the source what JSON can hold."""
        return {"stated": self.source or None, "here": self.source_here, "same": self.same_source}


def made_by(bundle: OpenedBundle) -> MadeBy:
    """Return what `bundle` says it was made by.

    Raises
    ------
    BlindtestError, ValueError
        It says it in no form that blindtest writes.
    """
    there, here = read_json(bundle.path(VERSIONS), name=VERSIONS), versions()
    source = there.get(SOURCE, "")
    if SOURCE in there and not (isinstance(source, str) and _HASH.fullmatch(source)):
        raise ValueError(f"{SOURCE}: no SHA-256 in hex")
    return MadeBy(
        source=source,
        version=str(there.get(_BLINDTEST, "?")),
        others={
            str(name): (str(one), here.get(str(name), ""))
            for name, one in there.items()
            if name != SOURCE and here.get(str(name)) != one
        },
    )
