"""Which mixed model suits a table of ratings: read off its columns, with the reason for every part left out.

What is tested (device, mode) needs its own random parts, or a difference that this panel happens to have on these clips
passes for one of all panels and clips: scalar variances of listener, clip, and their products with what is tested, as
far as the table holds more than one rating of each. Sources: Clark 1973 (J. Verbal Learning 12, 335); Barr, Levy,
Scheepers & Tily 2013 (J. Memory and Language 68, 255); Judd, Westfall & Kenny 2012 (J. Pers. Soc. Psychol. 103, 54).
"""

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import TYPE_CHECKING, Any

from blindtest.errors import BlindtestError, Fault
from blindtest.stats.plain import plain

if TYPE_CHECKING:
    from pandas import DataFrame

__all__ = ["RatingModel", "rating_model"]

TESTED = ("device", "mode")
BESIDE = ("order", "position")
GROUPS = ("listener", "clip")
MOST_ORDERS = 4
NAME = re.compile(r"[^\W\d]\w*")


@dataclass(frozen=True, slots=True, kw_only=True)
class RatingModel:
    """A formula and a random part for a table of ratings."""

    formula: str
    random: Mapping[str, str]
    """Group -> what varies over it."""
    factors: tuple[str, ...]
    """What is tested: columns of the fixed part that hold text."""
    remarks: tuple[str, ...]
    """Parts that were left out, and why."""

    @property
    def sentence(self) -> str:
        """The model in plain words."""
        groups = ", ".join(name if part == "1" else f"{name} ({part})" for name, part in self.random.items())
        return f"Model: {self.formula}; random: {groups or 'none'}."

    def to_dict(self) -> dict[str, Any]:
        """Return what JSON can hold."""
        return {**plain(self, "sentence"), "random": dict(self.random)}


def rating_model(
    table: "DataFrame", *, formula: str = "", random: Mapping[str, str] | None = None, response: str = "rating"
) -> RatingModel:
    """Return the model of a table of ratings: as it was asked for, and what wasn't from the table's columns.

    Parameters
    ----------
    table : a row per rating; columns device, mode, order, position, listener, clip as far as there are any
    formula : fixed part, response ~ ...; empty: the product of what the table varies
    random : group -> formula; empty: listener and clip with their products, where the table can tell them apart

    Raises
    ------
    BlindtestError
        Nothing varies that could be tested, or there is no group of more than one listener or clip.
    """
    rows = table[table[response].notna()] if response in table else table
    varying = {str(name) for name in rows.columns if rows[name].nunique() > 1}
    if formula:
        named = NAME.findall(formula.partition("~")[2])
        factors = tuple(dict.fromkeys(name for name in named if name in varying and _is_text(rows, name)))
        remarks: list[str] = []
    else:
        factors = tuple(name for name in TESTED if name in varying)
        if not factors:
            raise BlindtestError(
                Fault(
                    problem="nothing varies that could be tested",
                    key="device",
                    got=", ".join(map(str, table.columns)),
                    remedy="name the column of what was rated, device=COLUMN, or give a formula",
                )
            )
        # What was drawn into which slot is no place in an order: too many different texts to be a factor.
        beside = [
            name
            for name in BESIDE
            if name in varying and (not _is_text(rows, name) or rows[name].nunique() <= MOST_ORDERS)
        ]
        formula = f"{response} ~ {' + '.join([' * '.join(factors), *beside])}"
        remarks = [f"{name} does not vary" for name in TESTED if name in rows and name not in varying]
    if random:
        return RatingModel(formula=formula, random=dict(random), factors=factors, remarks=tuple(remarks))
    found, why = _random_part(rows, factors, [name for name in GROUPS if name in varying])
    return RatingModel(formula=formula, random=found, factors=factors, remarks=(*remarks, *why))


def _is_text(rows: "DataFrame", name: str) -> bool:
    return rows[name].dtype.kind not in "fiub"


def _random_part(rows: "DataFrame", factors: Sequence[str], groups: Sequence[str]) -> tuple[dict[str, str], list[str]]:
    found: dict[str, str] = {}
    why: list[str] = []
    partitions: set[tuple[int, ...]] = set()
    for group in groups:
        products = [part for size in range(len(factors) + 1) for part in combinations(factors, size)]
        for product in products:
            names = [group, *product]
            codes = rows.groupby(names, sort=False, dropna=False).ngroup().to_numpy()
            levels, partition = int(codes.max()) + 1, tuple(codes.tolist())
            name = ":".join(names)
            if levels >= len(rows):
                why.append(f"{name} can't be told from the residual: one rating of each")
            elif partition in partitions:
                why.append(f"{name} divides the ratings like another part")
            else:
                partitions.add(partition)
                found[name] = "1"
    lacking = [name for name in GROUPS if name not in groups]
    if lacking:
        there = {"listener": "one listener", "clip": "one clip"}
        why.append(
            " and ".join(f"{there[name]} or none named" for name in lacking) + ": the result is about that alone"
        )
    return found, why
