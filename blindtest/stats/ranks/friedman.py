"""Friedman's test: ranks within each listener, so that a bounded scale and its use by anybody drop out.

Each block (listener) ranks the treatments (devices) by its own scores, ties sharing the mean of their ranks; the
statistic measures how far the rank sums stand apart. Small designs are tested exactly: under the null hypothesis every
order of a block's own ranks is equally likely, and the sums are added up block by block (ties stay as they are, so the
test is conditional on them). Larger ones by chi-square, with Iman & Davenport's F beside it, which is nearer with few
blocks.

Sources: Friedman 1937 (JASA 32, 675); ties as in Kendall 1970, *Rank Correlation Methods*; Iman & Davenport 1980
(Comm. Statist. A9, 571); Kendall & Babington Smith 1939 (Ann. Math. Statist. 10, 275) for W.
"""

from dataclasses import dataclass
from itertools import permutations
from math import factorial, inf, nan
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import chdtrc, fdtrc

from blindtest.errors import BlindtestError, Fault
from blindtest.stats.plain import plain
from blindtest.stats.scores import complete_blocks, read_scores

if TYPE_CHECKING:
    from pandas import DataFrame

__all__ = ["FriedmanResult", "RankSums", "friedman_test", "mid_ranks", "rank_sums"]

Floats = NDArray[np.float64]
MOST_EXACT_STEPS = 200_000
"""States times orders that an exact test may add up: about half a second."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RankSums:
    """Ranks within blocks, added up."""

    ranks: Floats
    """(blocks, treatments), 1 the smallest; ties share the mean."""
    statistic: float
    """chi-square, corrected for ties; NaN where every block is one tie."""
    df: int
    p_value: float
    """Of chi-square."""
    kendall_w: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FriedmanResult:
    """Do ranks within blocks stand apart?"""

    blocks: int
    treatments: tuple[str, ...]
    mean_ranks: tuple[float, ...]
    """In the order of `treatments`; 1 would be the lowest score of every block."""
    statistic: float
    """chi-square, corrected for ties."""
    df: int
    p_value: float
    """Exact where `exact`, else of chi-square."""
    exact: bool
    p_chi_square: float
    f_value: float
    """Iman & Davenport's."""
    p_f: float
    kendall_w: float
    """0 (ranks as if drawn) ... 1 (all blocks rank alike)."""
    remarks: tuple[str, ...]
    method: str = "Friedman's test on ranks within blocks"
    source: str = "Friedman 1937; Iman & Davenport 1980; Kendall & Babington Smith 1939"
    assumptions: tuple[str, ...] = (
        "blocks are independent of each other",
        "under the null hypothesis every order of a block's scores is equally likely",
    )

    @property
    def sentence(self) -> str:
        """The result in plain words."""
        pairs = sorted(zip(self.mean_ranks, self.treatments, strict=True), reverse=True)
        order = ", ".join(f"{name} {rank:.2f}" for rank, name in pairs)
        how = "exact" if self.exact else "chi-square"
        text = f"Mean ranks within {self.blocks} blocks, highest first: {order}; "
        if self.p_value != self.p_value:
            text += "every block scored everything alike, so there is nothing to test."
        else:
            text += f"if nothing differed they would lie this far apart with p = {self.p_value:.2g} ({how}); "
            text += f"W = {self.kendall_w:.2f}."
        return " ".join((text, *self.remarks))

    def to_dict(self) -> dict[str, Any]:
        """Return what JSON can hold."""
        return plain(self, "sentence")


def mid_ranks(values: Floats) -> Floats:
    """Return the ranks of a sequence, (n,), 1 the smallest; ties share the mean of their ranks."""
    _, place, counts = np.unique(values, return_inverse=True, return_counts=True)
    last = np.cumsum(counts)
    return np.asarray((last - (counts - 1) / 2)[place], dtype=np.float64)


def rank_sums(values: Floats) -> RankSums:
    """Return ranks within the rows of (blocks, treatments) values, with Friedman's chi-square and Kendall's W."""
    blocks, treatments = values.shape
    ranks = np.array([mid_ranks(row) for row in values])
    sums = ranks.sum(axis=0)
    apart = float(np.sum((sums - blocks * (treatments + 1) / 2) ** 2))
    spread = float(np.sum(ranks**2)) - blocks * treatments * (treatments + 1) ** 2 / 4
    statistic = (treatments - 1) * apart / spread if spread > 0 else nan
    return RankSums(
        ranks=ranks,
        statistic=statistic,
        df=treatments - 1,
        p_value=float(chdtrc(treatments - 1, statistic)) if spread > 0 else nan,
        kendall_w=statistic / (blocks * (treatments - 1)),
    )


def friedman_test(
    table: "DataFrame",
    *,
    value: str = "rating",
    treatment: str | tuple[str, ...] = "device",
    block: str | tuple[str, ...] = "listener",
    exact: bool | None = None,
) -> FriedmanResult:
    """Return whether treatments stand apart by ranks within blocks.

    Parameters
    ----------
    table : a row per score; several scores of a cell (clips, repeats) are averaged first
    value, treatment, block : its columns; several columns make a product, ("listener", "clip")
    exact : None does the exact test where it is cheap: up to 50 blocks of 3, 12 of 4, 5 of 5, 3 of 6

    Raises
    ------
    BlindtestError
        See `read_scores` and `complete_blocks`; `exact=True` where it would take too long.
    """
    keys = [*_names(block), *_names(treatment)]
    found = complete_blocks(
        read_scores(table, keys=keys, value=value), block=_names(block), treatment=_names(treatment)
    )
    sums = rank_sums(found.values)
    blocks, treatments = found.values.shape
    p_exact = exact_p_value(sums.ranks) if exact is not False and sums.statistic == sums.statistic else None
    if exact and p_exact is None and sums.statistic == sums.statistic:
        raise BlindtestError(
            Fault(
                problem="the exact test would take too long for this design",
                key="exact",
                got=f"{blocks} blocks of {treatments}",
                remedy="leave `exact` out: chi-square and F serve well at this size",
            )
        )
    under = blocks * (treatments - 1) - sums.statistic
    f_value = nan if under != under else (inf if under <= 1e-12 else (blocks - 1) * sums.statistic / under)
    df2 = (treatments - 1) * (blocks - 1)
    known = f_value == f_value and df2 > 0
    return FriedmanResult(
        blocks=blocks,
        treatments=found.treatments,
        mean_ranks=tuple(float(mean) for mean in sums.ranks.mean(axis=0)),
        statistic=sums.statistic,
        df=sums.df,
        p_value=sums.p_value if p_exact is None else p_exact,
        exact=p_exact is not None,
        p_chi_square=sums.p_value,
        f_value=f_value if known else nan,
        p_f=(0.0 if f_value == inf else float(fdtrc(treatments - 1, df2, f_value))) if known else nan,
        kendall_w=sums.kendall_w,
        remarks=found.remarks,
    )


def _names(columns: str | tuple[str, ...]) -> tuple[str, ...]:
    return (columns,) if isinstance(columns, str) else tuple(columns)


def exact_p_value(ranks: Floats) -> float | None:
    """Return the chance of rank sums this far apart or further, every order of each block equally likely.

    Only how the sums lie, not whose they are, matters: states are kept sorted, which divides their number by nearly
    treatments!. None where it would take too long.
    """
    treatments = ranks.shape[1]
    if factorial(treatments) > MOST_EXACT_STEPS:
        return None
    doubled = np.rint(2 * ranks).astype(np.int64)  # mid-ranks are halves
    states: dict[tuple[int, ...], float] = {tuple(sorted(int(r) for r in doubled[0])): 1.0}
    steps = 0
    for row in doubled[1:]:
        orders: dict[tuple[int, ...], int] = {}
        for order in permutations(int(r) for r in row):
            orders[order] = orders.get(order, 0) + 1
        steps += len(states) * len(orders)
        if steps > MOST_EXACT_STEPS:
            return None
        share = 1.0 / factorial(treatments)
        following: dict[tuple[int, ...], float] = {}
        for state, chance in states.items():
            for order, ways in orders.items():
                new = tuple(sorted(a + b for a, b in zip(state, order, strict=True)))
                following[new] = following.get(new, 0.0) + chance * ways * share
        states = following
    observed = int(np.sum(doubled.sum(axis=0) ** 2))
    return min(1.0, sum(chance for state, chance in states.items() if sum(s * s for s in state) >= observed))
