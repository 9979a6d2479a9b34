"""What looking at a study brings: faults to put right, notes worth knowing."""

from collections.abc import Sequence
from dataclasses import dataclass, field

from blindtest.errors import Fault
from blindtest.study.lines import Place
from blindtest.study.reading import Source, one_line

__all__ = ["Findings", "Note"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Note:
    """One thing worth knowing that stops nothing."""

    text: str
    file: str = ""
    line: int | None = None
    key: str = ""

    def __str__(self) -> str:
        place = f"{self.file}:{self.line}" if self.file and self.line is not None else self.file
        return "".join(f"{part}: " for part in (place, self.key) if part) + self.text

    def to_dict(self) -> dict[str, object]:
        """Return what `--json` prints."""
        return {"text": self.text, "file": self.file or None, "line": self.line, "key": self.key or None}


@dataclass(slots=True)
class Findings:
    """Faults and notes of one study file, gathered while it is looked at."""

    source: Source
    faults: list[Fault] = field(default_factory=list)
    notes: list[Note] = field(default_factory=list)
    touched: set[Place] = field(default_factory=set)
    """Paths at which the schema already found a fault: what depends on them isn't complained about twice."""

    def fault(
        self, path: Sequence[str | int], problem: str, *, got: object = None, allowed: str = "", remedy: str = ""
    ) -> None:
        """Add a fault at a key of the study file."""
        self.faults.append(self.source.fault(path, problem, got=got, allowed=allowed, remedy=remedy))

    def note(self, path: Sequence[str | int], text: str) -> None:
        """Add a note at a key of the study file."""
        self.notes.append(
            Note(text=one_line(text), file=self.source.file, line=self.source.line(*path), key=self.source.key(*path))
        )

    def is_touched(self, *path: str | int) -> bool:
        """Return whether a fault is known at `path`, within it or around it."""
        return any(known[: len(path)] == path or path[: len(known)] == known for known in self.touched)

    def sorted_faults(self) -> tuple[Fault, ...]:
        """Return the faults, the study file's own first, by file and line; none twice."""
        own = self.source.file
        distinct = {str(fault): fault for fault in self.faults}
        return tuple(sorted(distinct.values(), key=lambda fault: (fault.file != own, fault.file, fault.line or 0)))

    def sorted_notes(self) -> tuple[Note, ...]:
        """Return the notes in the same order."""
        own = self.source.file
        return tuple(sorted(dict.fromkeys(self.notes), key=lambda note: (note.file != own, note.file, note.line or 0)))
