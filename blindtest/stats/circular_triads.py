"""Circular triads: does a listener's set of preferences lie on one scale at all?

A over B, B over C, C over A is circular. Of n items compared in all pairs a listener produces d of them; none is a
ranking, and guessing gives about a quarter of all triads. zeta = 1 - d / most possible is 1 for a ranking and 0 for the
most circular answers there are. p is the chance that guessing gives as few: small p, the listener follows a scale. Up
to 10 items the distribution is counted (all tournaments equally likely); beyond, chi-square. A pair left undecided
gives each item half a win; with such pairs the others are counted through as fair coins, up to 6 items.

A low zeta has two readings: the listener guesses, or judges by more than one thing at a time.

Source: Kendall & Babington Smith 1940 (Biometrika 31, 324).
"""

from dataclasses import dataclass, replace
from functools import lru_cache
from itertools import combinations, groupby, product
from math import comb, nan
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import chdtrc

from blindtest.errors import BlindtestError, Fault
from blindtest.stats.comparisons import OUTCOMES, read_comparisons
from blindtest.stats.multiplicity import adjust_p_values
from blindtest.stats.plain import plain
from blindtest.stats.rows import json_rows
from blindtest.stats.scores import checked_columns

if TYPE_CHECKING:
    from pandas import DataFrame

__all__ = ["CircularTriads", "circular_triads", "most_triads", "triad_distribution"]

Floats = NDArray[np.float64]
MOST_COUNTED = 10
"""Items up to which all tournaments are counted: 2^45 of them, by their scores."""
MOST_COUNTED_UNDECIDED = 6
"""The same where pairs are undecided: which items they join matters then."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CircularTriads:
    """How consistent each listener's preferences are."""

    listeners: "DataFrame"
    """A row per listener: rounds (complete sets of pairs), items, triads, most, zeta, undecided (pairs without a
    preference, half a win each), p_value (as few by guessing; NaN with undecided pairs of more than 6 items),
    p_adjusted (Holm), exact."""
    incomplete: tuple[str, ...]
    """Rounds that lack a pair, "L01 on clip1"; left out."""
    remarks: tuple[str, ...]
    method: str = "circular triads of all pairs"
    source: str = "Kendall & Babington Smith 1940; Holm 1979"
    assumptions: tuple[str, ...] = (
        "under the null hypothesis every preference is a fair coin: a listener who answers by order or habit is no "
        "guesser",
        "rounds of one listener (clips) are added up as independent",
    )

    @property
    def sentence(self) -> str:
        """The result in plain words."""
        said = ", ".join(
            f"{name} {row.zeta:.2f}" + (f" (p = {row.p_value:.2g})" if row.p_value == row.p_value else "")
            for name, row in self.listeners.iterrows()
        )
        text = (
            f"Consistency of preferences, 1 a ranking and 0 the most circular (p: as consistent by guessing): {said}."
        )
        return " ".join((text, *self.remarks))

    def to_dict(self) -> dict[str, Any]:
        """Return what JSON can hold."""
        bare = replace(self, listeners=())  # type: ignore[arg-type]
        return {**plain(bare), "listeners": json_rows(self.listeners, index="listener"), "sentence": self.sentence}


def most_triads(items: int) -> int:
    """Return the largest number of circular triads of all pairs of so many items."""
    return (items**3 - items) // 24 if items % 2 else (items**3 - 4 * items) // 24


def triads_of(wins: Floats) -> float:
    """Return the circular triads of a round, from each item's wins (an undecided pair counts half for both)."""
    n = len(wins)
    return n * (n - 1) * (2 * n - 1) / 12 - float(np.sum(wins**2)) / 2


@lru_cache(maxsize=16)
def triad_distribution(items: int) -> tuple[int, ...]:
    """Return how many of the 2^(n(n-1)/2) tournaments of n items have 0, 1, 2 ... circular triads.

    Items are added one by one; only how many items have which score matters.
    """
    states: dict[tuple[int, ...], int] = {(0,): 1}
    for size in range(1, items):
        following: dict[tuple[int, ...], int] = {}
        for scores, ways in states.items():
            groups = [(score, len(list(members))) for score, members in groupby(scores)]
            for beaten in product(*(range(count + 1) for _, count in groups)):
                # `beaten` of each group lose to the new item; the others win a point.
                new, many = [sum(beaten)], ways
                for (score, count), lost in zip(groups, beaten, strict=True):
                    new += [score] * lost + [score + 1] * (count - lost)
                    many *= comb(count, lost)
                key = tuple(sorted(new))
                following[key] = following.get(key, 0) + many
        states = following
        assert sum(states.values()) == 2 ** (size * (size + 1) // 2)
    counts = [0] * (most_triads(items) + 1)
    for scores, ways in states.items():
        counts[round(triads_of(np.array(scores, dtype=np.float64)))] += ways
    return tuple(counts)


def circular_triads(table: "DataFrame", *, listener: str = "listener", clip: str = "clip") -> CircularTriads:
    """Return how consistent each listener's preferences are.

    A round is the answers of one listener to one clip (all of them where the table has no such column); it must hold
    every pair of its items. A pair asked several times in a round counts by majority.

    Parameters
    ----------
    table : first, second, outcome, and the listener; see `read_comparisons`

    Raises
    ------
    BlindtestError
        See `read_comparisons`; no column of listeners; no complete round of three items or more.
    """
    import pandas as pd

    read_comparisons(table)
    checked_columns(table, [listener], "comparisons")
    rounds: dict[str, list[_Round]] = {}
    incomplete: list[str] = []
    for (name, where), rows in _rounds_of(table, listener, clip).items():
        found = _round(rows)
        if found is None:
            incomplete.append(f"{name} on {where}" if where else name)
        else:
            rounds.setdefault(name, []).append(found)
    if not rounds:
        raise BlindtestError(
            Fault(
                problem="no listener compared three or more items in all pairs",
                key=listener,
                got=", ".join(incomplete[:8]),
                remedy="circular triads need every pair of the items answered by one listener (on one clip)",
            )
        )
    frame = pd.DataFrame.from_dict({name: _added_up(rounds[name]) for name in sorted(rounds)}, orient="index")
    tested = frame["p_value"].notna()
    frame["p_adjusted"] = nan
    frame.loc[tested, "p_adjusted"] = adjust_p_values(frame.loc[tested, "p_value"].to_numpy())
    remarks = []
    if incomplete:
        remarks.append(f"Left out, pairs missing: {', '.join(incomplete)}.")
    if not tested.all():
        who = ", ".join(map(str, frame.index[~tested]))
        remarks.append(f"No p with pairs left undecided among more than {MOST_COUNTED_UNDECIDED} items: {who}.")
    return CircularTriads(listeners=frame.rename_axis("listener"), incomplete=tuple(incomplete), remarks=tuple(remarks))


@dataclass(frozen=True, slots=True, kw_only=True)
class _Round:
    items: int
    triads: float
    undecided: tuple[tuple[int, int], ...] = ()
    """Places of the items of each pair without a preference."""

    @property
    def countable(self) -> bool:
        return self.items <= (MOST_COUNTED_UNDECIDED if self.undecided else MOST_COUNTED)


def _rounds_of(table: "DataFrame", listener: str, clip: str) -> dict[tuple[str, str], list[tuple[str, str, str]]]:
    columns = [listener, *([clip] if clip in table else []), "first", "second", "outcome"]
    out: dict[tuple[str, str], list[tuple[str, str, str]]] = {}
    for cells in zip(*(table[name].tolist() for name in columns), strict=True):
        where = str(cells[1]) if clip in table else ""
        first, second, outcome = map(str, cells[-3:])
        out.setdefault((str(cells[0]), where), []).append((first, second, outcome))
    return dict(sorted(out.items()))


def _round(rows: list[tuple[str, str, str]]) -> _Round | None:
    items = sorted({item for first, second, _ in rows for item in (first, second)})
    if len(items) < 3:
        return None
    lead = np.zeros((len(items),) * 2)
    asked = np.zeros((len(items),) * 2, dtype=bool)
    for first, second, outcome in rows:
        if outcome not in OUTCOMES:  # not answered
            continue
        i, j = items.index(first), items.index(second)
        asked[i, j] = asked[j, i] = True
        step = {"first": 1, "second": -1, "tie": 0}[outcome]
        lead[i, j] += step
        lead[j, i] -= step
    if not (asked | np.eye(len(items), dtype=bool)).all():
        return None
    wins = np.where(lead > 0, 1.0, np.where(lead == 0, 0.5, 0.0))
    np.fill_diagonal(wins, 0.0)
    undecided = tuple((int(i), int(j)) for i, j in np.argwhere(np.triu(lead == 0, k=1)))
    return _Round(items=len(items), triads=triads_of(wins.sum(axis=1)), undecided=undecided)


def _added_up(rounds: list[_Round]) -> dict[str, Any]:
    triads, most = sum(r.triads for r in rounds), sum(most_triads(r.items) for r in rounds)
    undecided = sum(len(r.undecided) for r in rounds)
    exact = all(r.countable for r in rounds)
    sizes = sorted({r.items for r in rounds})
    return {
        "rounds": len(rounds),
        "items": sizes[0] if len(sizes) == 1 else f"{sizes[0]} to {sizes[-1]}",
        "triads": triads,
        "most": most,
        "zeta": 1 - triads / most,
        "undecided": undecided,
        "p_value": _exact(rounds) if exact else (nan if undecided else _chi_square(rounds)),
        "exact": exact,
    }


def _exact(rounds: list[_Round]) -> float:
    """Return the chance of as few triads by guessing, rounds added up; counted in eighths of a triad."""
    chances = {0: 1.0}
    for one in rounds:
        following: dict[int, float] = {}
        for before, chance in chances.items():
            for eighths, share in _chances(one.items, one.undecided).items():
                following[before + eighths] = following.get(before + eighths, 0.0) + chance * share
        chances = following
    limit = round(8 * sum(one.triads for one in rounds))
    return min(1.0, sum(chance for eighths, chance in chances.items() if eighths <= limit))


@lru_cache(maxsize=256)
def _chances(items: int, undecided: tuple[tuple[int, int], ...]) -> dict[int, float]:
    """Return the chance of each number of triads, in eighths, given which pairs are undecided."""
    if not undecided:
        counts = triad_distribution(items)
        return {8 * triads: count / sum(counts) for triads, count in enumerate(counts) if count}
    start = [0] * items  # in half wins
    for i, j in undecided:
        start[i] += 1
        start[j] += 1
    states = {tuple(start): 1.0}
    for i, j in combinations(range(items), 2):
        if (i, j) in undecided:
            continue
        following: dict[tuple[int, ...], float] = {}
        for halves, chance in states.items():
            for winner in (i, j):
                new = (*halves[:winner], halves[winner] + 2, *halves[winner + 1 :])
                following[new] = following.get(new, 0.0) + chance / 2
        states = following
    out: dict[int, float] = {}
    for halves, chance in states.items():
        eighths = round(8 * triads_of(np.array(halves) / 2))
        out[eighths] = out.get(eighths, 0.0) + chance
    return out


def _chi_square(rounds: list[_Round]) -> float:
    """Return the chance of as few triads by guessing, by Kendall & Babington Smith's chi-square, added over rounds.

    They add a half to find the chance of d or more; for d or fewer it is taken off. Rounds of different size bring
    different factors, of which the correction takes the mean.
    """
    statistic = df = 0.0
    factors = []
    for one in rounds:
        n = one.items
        factors.append(8 / (n - 4))
        statistic += factors[-1] * (comb(n, 3) / 4 - one.triads)
        df += n * (n - 1) * (n - 2) / (n - 4) ** 2
    return float(chdtrc(df, max(0.0, statistic + df - float(np.mean(factors)) / 2)))
