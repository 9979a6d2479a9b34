"""The random part of a mixed model: groups, and what varies from level to level of each.

`{"listener": "1 + mode", "clip": "1", "listener:device": "1"}`: a group is a column or a product of columns; its
formula names what varies. The columns of one formula are correlated; parts listed apart are not.
"""

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from blindtest.errors import BlindtestError, Fault
from blindtest.stats.mixed.codes import Codes

__all__ = ["RandomSpec", "RandomTerm", "checked_terms", "parts_of"]

Floats = NDArray[np.float64]
RandomSpec = Mapping[str, str | Sequence[str]]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RandomTerm:
    """One part of the random effects: columns that vary, correlated, over the levels of a group."""

    group: str
    """"listener", or a product, "listener:device"."""
    columns: tuple[str, ...]
    """As formulaic names them: "Intercept", "days"."""
    grouping: Codes
    slope_rows: tuple[Floats, NDArray[np.intp]] | None
    """Distinct rows of the columns, (d, q), and which of them each row is, (n,); None: the only column is 1."""

    @property
    def codes(self) -> NDArray[np.intp]:
        """Place of each row's level, (n,)."""
        return self.grouping.codes

    @property
    def levels(self) -> tuple[str, ...]:
        """Names of the levels; those of a product "L01:A"."""
        return self.grouping.levels

    @property
    def slopes(self) -> Floats | None:
        """Values of the columns, (n, q); None where the only column is the intercept."""
        return None if self.slope_rows is None else self.slope_rows[0][self.slope_rows[1]]

    @property
    def values(self) -> Floats:
        """Values of the columns, (n, q)."""
        slopes = self.slopes
        return np.ones((len(self.codes), 1)) if slopes is None else slopes

    @property
    def correlated(self) -> bool:
        """Whether the part has more than one column, so that covariances are estimated."""
        return len(self.columns) > 1


def parts_of(random: RandomSpec) -> list[tuple[str, str]]:
    """Return (group, formula) of each part; groups with their product sign without blanks."""
    parts = []
    for group, formulas in random.items():
        name = re.sub(r"\s*:\s*", ":", str(group).strip())
        for formula in (formulas,) if isinstance(formulas, str) else tuple(formulas):
            parts.append((name, str(formula).strip()))
    if not parts:
        raise BlindtestError(
            Fault(
                problem="a mixed model needs a random part",
                key="random",
                allowed='a group and what varies over it, {"listener": "1"}',
            )
        )
    return parts


def checked_terms(terms: Iterable[RandomTerm], rows: int) -> tuple[RandomTerm, ...]:
    """Return the terms, or raise all their faults: too few or too many levels, the same part twice."""
    kept: list[RandomTerm] = []
    faults: list[Fault] = []
    for term in terms:
        key = f"random.{term.group}"
        if term.grouping.count < 2:
            faults.append(
                Fault(
                    problem="a group of one level has no variance to estimate",
                    key=key,
                    got=term.levels[0] if term.grouping.count else None,
                    remedy="leave it out of the random part; the result then holds for that level only",
                )
            )
        elif term.grouping.count >= rows:
            faults.append(
                Fault(
                    problem=f"each of the {rows} rows is a level of its own: no variance apart from the residual one",
                    key=key,
                    remedy="leave it out of the random part",
                )
            )
        for other in kept:
            shared = set(term.columns) & set(other.columns)
            if shared and _same_partition(term.grouping, other.grouping):
                faults.append(
                    Fault(
                        problem=f"{min(shared)} varies twice: {other.group} and {term.group} divide the rows alike",
                        key=key,
                        remedy="leave one of them out of the random part",
                    )
                )
        kept.append(term)
    if faults:
        raise BlindtestError(*faults)
    return tuple(kept)


def _same_partition(a: Codes, b: Codes) -> bool:
    if a.count != b.count:
        return False
    image = np.full(a.count, -1, dtype=np.intp)
    image[a.codes] = b.codes
    return bool(np.all(image[a.codes] == b.codes))
