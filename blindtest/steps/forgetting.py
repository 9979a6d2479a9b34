"""Erasing a listener at their request."""

import os
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from blindtest.errors import Fault, Missing
from blindtest.steps.place import REPORT, Clock, Entropy, now
from blindtest.steps.storage import is_recorded, record_of

if TYPE_CHECKING:
    from blindtest.session.store import ByUrl

__all__ = ["Forgotten", "forget", "record_to_erase_from"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Forgotten:
    """What `blindtest forget` did."""

    sittings: tuple[int, ...]
    report_left: Path | None
    """A report made before still names the listener."""
    on_a_server: bool = False
    """Whether the record stands in a database by URL, which keeps a log of what was written."""

    def to_dict(self) -> dict[str, Any]:
        """Return what JSON can hold."""
        return {"sittings": list(self.sittings), "report_left": str(self.report_left) if self.report_left else None}

    def text(self) -> str:
        """Return it in words."""
        numbers = ", ".join(map(str, self.sittings))
        what = f"rows, salts and pseudonym of sitting {numbers}" if numbers else "pseudonym and what was said"
        lines = [f"Erased: {what}. The chain of hashes stays and still verifies."]
        if self.report_left:
            lines.append(f"{self.report_left} was made before and shows the answers: run blindtest report again.")
        if self.on_a_server:
            lines.append(
                "The tables were rewritten; the server's write-ahead log holds the old rows until it is recycled, and "
                "where it is archived until that archive goes: see blindtest guide storage."
            )
        lines.append("Copies made elsewhere (backups, published tables) are not reached from here.")
        return "\n".join(lines)


def record_to_erase_from(folder: Path) -> "Path | ByUrl":
    """Return where the record stands; a study file that is wrong elsewhere keeps nobody from being forgotten.

    Raises
    ------
    Missing
        Nothing has been recorded, or the database is not reached.
    BlindtestError
        There is no study here, or its file doesn't tell where the record stands.
    """
    place = record_of(folder)
    if not is_recorded(place):
        raise Missing(
            Fault(
                problem="nothing has been recorded yet: there is nobody to forget",
                file=str(place) if isinstance(place, Path) else place.named,
                remedy="go to the study's folder",
            )
        )
    return place


def forget(folder: Path, pseudonym: str, *, clock: Clock = now, entropy: Entropy = os.urandom) -> Forgotten:
    """Erase everything a listener answered in the study `folder`; see `Store.forget` and `record_to_erase_from`."""
    place = record_to_erase_from(folder)
    from blindtest.session.store import Store

    with Store(place, entropy=entropy, create=False) as store:
        sittings = store.forget(pseudonym, at=clock())
    left = (folder.parent if folder.is_file() else folder) / REPORT
    return Forgotten(
        sittings=sittings,
        report_left=left if left.exists() else None,
        on_a_server=not isinstance(place, Path),
    )
