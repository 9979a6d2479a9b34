"""Erasing a listener at their request."""

import os
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from blindtest.steps.place import Clock, Entropy, now, open_store, report_folder
from blindtest.steps.storage import database_of
from blindtest.study import load_study

__all__ = ["Forgotten", "forget"]


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


def forget(folder: Path, pseudonym: str, *, clock: Clock = now, entropy: Entropy = os.urandom) -> Forgotten:
    """Erase everything a listener answered in the study `folder`; see `Store.forget`."""
    study = load_study(folder)
    with open_store(study, create=False, entropy=entropy) as store:
        sittings = store.forget(pseudonym, at=clock())
    left = report_folder(study)
    by_url = study.storage is not None and not isinstance(database_of(study), Path)
    return Forgotten(sittings=sittings, report_left=left if left.exists() else None, on_a_server=by_url)
