"""Faults that a user can put right, collected and said one a line.

A user's problem is a `Fault`; faults are gathered and raised together as a `BlindtestError`, which only the
outermost command or request handler catches. A programmer's mistake is a plain `ValueError` and nobody catches it.
"""

from collections.abc import Iterable
from dataclasses import dataclass, replace
from difflib import get_close_matches
from typing import ClassVar

__all__ = ["BlindtestError", "Fault", "FoundWanting", "Missing", "WrongUse", "did_you_mean"]


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
    text = repr(value)
    return text if len(text) <= 120 else text[:117] + "..."


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
    nearest = get_close_matches(name, list(known), n=1, cutoff=0.6)
    return f"did you mean {nearest[0]!r}?" if nearest else ""
