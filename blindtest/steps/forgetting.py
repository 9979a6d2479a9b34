"""Erasing a listener at their request."""

import os
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from blindtest.steps.place import Clock, Entropy, now, open_store, report_folder
from blindtest.study import load_study

__all__ = ["Forgotten", "forget"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Forgotten:
    """What `blindtest forget` did."""

    sittings: tuple[int, ...]
    report_left: Path | None
    """A report made before still names the listener."""

    def to_dict(self) -> dict[str, Any]:
        """Return what JSON can hold."""
        return {"sittings": list(self.sittings), "report_left": str(self.report_left) if self.report_left else None}

    def text(self) -> str:
        """Return it in words."""
        numbers = ", ".join(map(str, self.sittings))
        lines = [
            f"Erased: rows, salts and pseudonym of sitting {numbers}. The chain of hashes stays and still verifies."
        ]
        if self.report_left:
            lines.append(f"{self.report_left} was made before and shows the answers: run blindtest report again.")
        lines.append("Copies made elsewhere (backups, published tables) are not reached from here.")
        return "\n".join(lines)


def forget(folder: Path, pseudonym: str, *, clock: Clock = now, entropy: Entropy = os.urandom) -> Forgotten:
    """Erase everything a listener answered in the study `folder`; see `Store.forget`."""
    study = load_study(folder)
    with open_store(study, create=False, entropy=entropy) as store:
        sittings = store.forget(pseudonym, at=clock())
    left = report_folder(study)
    return Forgotten(sittings=sittings, report_left=left if left.exists() else None)
