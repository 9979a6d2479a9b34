"""What every analysis of a table is asked and gives back."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal

__all__ = ["Asked", "TableAnalysis", "TableMethod"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """What was asked of a table beside its method."""

    method: str
    columns: Mapping[str, str] = field(default_factory=dict)
    """Name the analysis knows -> the file's."""
    margin: float | None = None
    """In the unit of the method: share of trials heard, probability beyond 1/2, points of the scale."""
    alpha: float = 0.05
    device: str = ""
    """The claimed one, where a claim has a direction."""
    comparator: str = ""
    planned: int | None = None
    """Trials that were planned before the first one; None: nobody says so."""
    one_sided: bool = False
    """Whether the direction was fixed beforehand."""
    formula: str = ""
    random: Mapping[str, str] = field(default_factory=dict)
    """Group -> formula of its effects."""
    df: Literal["satterthwaite", "kenward-roger"] = "satterthwaite"
    guess: float | None = None
    link: str = ""
    lapse: float | None = None
    log_levels: bool = False
    """Whether the curve runs over logarithms of the levels."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TableAnalysis:
    """What `blindtest analyze` prints of anybody's table."""

    file: str
    method: str
    understood: tuple[str, ...]
    """How the file was read, a sentence each."""
    lines: tuple[str, ...]
    """The result in words and columns."""
    values: Mapping[str, Any]
    """The result as JSON can hold it."""

    def to_dict(self) -> dict[str, Any]:
        """Return what JSON can hold."""
        return {"file": self.file, "method": self.method, "understood": list(self.understood), **self.values}

    def text(self) -> str:
        """Return it in words, what was understood of the file first."""
        return "\n".join([*self.understood, "", *self.lines])


@dataclass(frozen=True, slots=True, kw_only=True)
class TableMethod:
    """A way to analyse tables."""

    name: str
    reads: str
    """Its columns, for the line that helps."""
    analyse: Callable[[Path, Asked], TableAnalysis]
    options: frozenset[str] = frozenset()
    """Fields of `Asked` that it uses beside method and columns; another one that is given is refused."""
