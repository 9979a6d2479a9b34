"""Names of variances and covariances: whose they are."""

from collections.abc import Sequence
from dataclasses import dataclass

from blindtest.stats.mixed.random_part import RandomTerm
from blindtest.stats.mixed.relative_factors import triangle

__all__ = ["VarianceLabel", "labels_of"]


@dataclass(frozen=True, slots=True, kw_only=True)
class VarianceLabel:
    """Whose variance, or covariance, it is."""

    group: str
    """"residual" for the residual variance."""
    term: str | None
    other: str | None
    """The other column of a covariance; None for a variance."""
    part: int
    """Which part of the random effects; their number for the residual variance."""


def labels_of(terms: Sequence[RandomTerm]) -> tuple[VarianceLabel, ...]:
    """Return the labels of all (co)variances, each term's lower triangle column by column, and the residual one."""
    out = [
        VarianceLabel(
            group=term.group,
            term=term.columns[column],
            other=None if row == column else term.columns[row],
            part=part,
        )
        for part, term in enumerate(terms)
        for row, column in triangle(len(term.columns))
    ]
    return (*out, VarianceLabel(group="residual", term=None, other=None, part=len(terms)))
