"""Faults that a user can put right, collected and said one a line.

A user's problem is a `Fault`; faults are gathered and raised together as a `BlindtestError`, which only the
outermost command or request handler catches. A programmer's mistake is a plain `ValueError` and nobody catches it.
"""

import re
from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import date, time
from difflib import get_close_matches
from pathlib import PurePath
from typing import ClassVar

__all__ = ["BlindtestError", "Fault", "FoundWanting", "Missing", "WrongUse", "did_you_mean"]

_BARE = re.compile(r"[A-Za-z0-9_-]+")


@dataclass(frozen=True, slots=True, kw_only=True)
class Fault:
    """One thing a user can put right.

    Its text is `file:line: key.path: what is wrong, got VALUE (allowed: RANGE); what to do`.
    """

    problem: str
    file: str = ""
    line: int | None = None
    key: str = ""
    got: object = None
    allowed: str = ""
    remedy: str = ""

    def __str__(self) -> str:
        place = self.file
        if self.line is not None:
            place = f"{place}:{self.line}" if place else f"line {self.line}"
        text = "".join(f"{part}: " for part in (place, self.key) if part) + self.problem
        if self.got is not None:
            text += f", got {_shortened(self.got)}"
        if self.allowed:
            text += f" (allowed: {self.allowed})"
        if self.remedy:
            text += f"; {self.remedy}"
        return text

    def in_file(self, file: str) -> "Fault":
        """Return the same fault, placed in `file` unless it already names one."""
        return self if self.file else replace(self, file=file)

    def to_dict(self) -> dict[str, object]:
        """Return what `--json` prints."""
        return {
            "problem": self.problem,
            "file": self.file or None,
            "line": self.line,
            "key": self.key or None,
            "got": None if self.got is None else _shortened(self.got),
            "allowed": self.allowed or None,
            "remedy": self.remedy or None,
        }


def _shortened(value: object) -> str:
    text = _spelled(value)
    return text if len(text) <= 120 else text[:117] + "..."


def _spelled(value: object) -> str:
    """Return a value as a study file would spell it; texts in quotes, control characters written out."""
    if value is None:
        return "nothing"
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, dict):
        inside = ", ".join(f"{_key(key)} = {_spelled(member)}" for key, member in value.items())
        return f"{{ {inside} }}" if inside else "{}"
    if isinstance(value, list | tuple):
        return f"[{', '.join(map(_spelled, value))}]"
    if isinstance(value, date | time):
        return value.isoformat()
    if isinstance(value, PurePath):
        return repr(str(value))
    # A number of numpy's is a number: how it is held is nobody's concern.
    held = getattr(value, "item", None)
    return repr(held() if callable(held) and getattr(value, "ndim", None) == 0 else value)


def _key(key: object) -> str:
    return key if isinstance(key, str) and _BARE.fullmatch(key) else repr(key)


class BlindtestError(Exception):
    """One or more faults that a user can put right; exit code 3."""

    exit_code: ClassVar[int] = 3

    def __init__(self, *faults: Fault) -> None:
        if not faults:
            raise ValueError("a BlindtestError needs at least one fault")
        self.faults: tuple[Fault, ...] = faults
        super().__init__(*faults)

    def __str__(self) -> str:
        return "\n".join(str(fault) for fault in self.faults)

    @classmethod
    def of(cls, faults: Iterable[Fault]) -> "BlindtestError":
        """Return one error holding all `faults`, sorted by file and line."""
        return cls(*sorted(faults, key=lambda fault: (fault.file, fault.line or 0)))


class FoundWanting(BlindtestError):
    """A check or verification found something; exit code 1."""

    exit_code = 1


class WrongUse(BlindtestError):
    """A command was used in a way it does not allow; exit code 2."""

    exit_code = 2


class Missing(BlindtestError):
    """Something that is needed isn't there: a sound device, a database, a port; exit code 4."""

    exit_code = 4


def did_you_mean(name: str, known: Iterable[str]) -> str:
    """Return `did you mean 'x'?` for the known name nearest to `name`, or an empty text."""
    # Two of three letters in common: 'abc' is near to 'abx', 'nothing' to no 'anchoring'.
    nearest = get_close_matches(name, list(known), n=1, cutoff=0.66)
    return f"did you mean {nearest[0]!r}?" if nearest else ""
