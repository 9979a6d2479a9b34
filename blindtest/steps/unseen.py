"""Results kept unseen: written to a file instead of being shown, so that a graph can't name a device by its sound."""

import json
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from blindtest.errors import BlindtestError, Fault

__all__ = ["Kept", "keep_unseen"]

FOLDER = "unseen"


@dataclass(frozen=True, slots=True, kw_only=True)
class Kept:
    """Where a result was put instead of being shown."""

    path: Path

    def to_dict(self) -> dict[str, Any]:
        """Return what JSON can hold."""
        return {"unseen": str(self.path)}

    def text(self) -> str:
        """Return it in words."""
        return f"Kept unseen in {self.path}. Open it when the blind phase is over."


def keep_unseen(folder: Path, command: str, value: Mapping[str, Any]) -> Kept:
    """Write what `command` found to `folder`/unseen, under a new name each time, and return where."""
    place = folder / FOLDER
    try:
        place.mkdir(parents=True, exist_ok=True)
        number = 1 + sum(path.name.startswith(f"{command}-") for path in place.iterdir())
        path = place / f"{command}-{number}.json"
        part = path.with_suffix(".part")
        try:
            part.write_text(json.dumps(value, indent=1, allow_nan=False) + "\n", encoding="utf-8")
            part.replace(path)
        finally:
            part.unlink(missing_ok=True)
    except OSError as error:
        fault = Fault(
            problem=f"can't be written: {error.strerror}",
            file=str(place),
            remedy="make room or give permission, then run the same command again",
        )
        raise BlindtestError(fault) from error
    return Kept(path=path)
