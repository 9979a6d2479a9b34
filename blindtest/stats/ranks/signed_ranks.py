"""Wilcoxon's signed-rank test of paired differences, exact with ties and zeros, and the estimate that goes with it.

Differences are ranked by size, ties sharing the mean of their ranks; the statistic is the sum of the ranks of those
above zero. Exactly: under the null hypothesis every sign is a fair coin, given the sizes, and the 2^n sums are added up
by convolution (ranks are halves at most), so ties need no correction. Zeros say something about size and nothing about
sign: by default they are ranked with the others and then left out (Pratt 1959), or left out first (Wilcoxon 1945).

The estimate is the median of all means of two differences (Walsh averages; Hodges & Lehmann 1963, Ann. Math. Statist.
34, 598), its interval their order statistics by the distribution without ties (Hollander & Wolfe 1999, 3.3): with ties
and zeros it is on the safe side.

Sources: Wilcoxon 1945 (Biometrics 1, 80); Pratt 1959 (JASA 54, 655).
"""

from dataclasses import dataclass
from math import erfc, nan, sqrt
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtri

from blindtest.errors import BlindtestError, Fault
from blindtest.stats.binomial import Interval, checked_probability
from blindtest.stats.multiplicity import Adjustment, adjust_p_values
from blindtest.stats.plain import plain
from blindtest.stats.ranks.friedman import mid_ranks
from blindtest.stats.scores import complete_blocks, read_scores

if TYPE_CHECKING:
    from pandas import DataFrame

__all__ = ["SignedRankResult", "signed_rank_pairs", "signed_rank_test"]

Floats = NDArray[np.float64]
Zeros = Literal["pratt", "wilcoxon"]
Alternative = Literal["two-sided", "greater", "less"]
MOST_EXACT = 200
"""Differences up to which the exact distribution is added up: a few milliseconds."""
SAME = 1e-12
"""Relative to the largest: differences nearer than this are one value that arithmetic has split."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SignedRankResult:
    """Paired differences held against zero by their ranks."""

    statistic: float
    """Sum of the ranks of the differences above zero."""
    differences: int
    zeros: int
    tied: int
    """Differences above or below zero that share their size with another."""
    p_value: float
    """1 where every difference is zero."""
    exact: bool
    estimate: float
    """Median of the means of any two differences."""
    interval: Interval
    """Two-sided; infinite where so few differences bound nothing."""
    level: float
    alternative: Alternative
    zeros_by: Zeros
    method: str = "Wilcoxon's signed-rank test"
    source: str = "Wilcoxon 1945; Pratt 1959; Hodges & Lehmann 1963"
    assumptions: tuple[str, ...] = (
        "differences are independent, one per listener",
        "under the null hypothesis each is as likely above zero as below by the same size",
        "interval: differences symmetric about the estimate",
    )

    @property
    def sentence(self) -> str:
        """The result in plain words."""
        low, high = self.interval
        how = "exact" if self.exact else "normal approximation"
        text = (
            f"{self.differences} paired differences, {self.zeros} of them zero: typical difference "
            f"{self.estimate:+.2f} ({low:+.2f} to {high:+.2f}, {100 * self.level:g} %), "
            f"p = {self.p_value:.2g} ({self.alternative}, {how})."
        )
        return text + (" Every difference is zero: there is nothing to test." if self.is_empty else "")

    @property
    def is_empty(self) -> bool:
        """Whether every difference is zero."""
        return self.zeros == self.differences

    def to_dict(self) -> dict[str, Any]:
        """Return what JSON can hold."""
        return plain(self, "sentence")


def signed_rank_test(
    differences: ArrayLike,
    *,
    alternative: Alternative = "two-sided",
    zeros: Zeros = "pratt",
    exact: bool | None = None,
    level: float = 0.95,
) -> SignedRankResult:
    """Return whether paired differences lie on one side of zero.

    Parameters
    ----------
    differences : (n,), finite
    alternative : "greater": above zero
    zeros : "pratt" ranks them with the others and then leaves them out, "wilcoxon" leaves them out first
    exact : None is exact up to 200 differences, by the normal distribution (variance with ties and zeros) beyond
    level : of the interval

    Raises
    ------
    BlindtestError
        No difference, or one that is not finite.
    ValueError
        Another alternative or treatment of zeros, a level outside 0 ... 1.
    """
    if alternative not in ("two-sided", "greater", "less"):
        raise ValueError(f"no alternative {alternative!r} (there are: 'two-sided', 'greater', 'less')")
    if zeros not in ("pratt", "wilcoxon"):
        raise ValueError(f"no treatment of zeros {zeros!r} (there are: 'pratt', 'wilcoxon')")
    checked_probability("level", level)
    d = _cleaned(differences)
    nonzero = d != 0
    ranked = np.abs(d) if zeros == "pratt" else np.abs(d[nonzero])
    ranks = mid_ranks(ranked)
    signs = np.sign(d) if zeros == "pratt" else np.sign(d[nonzero])
    used, above = ranks[signs != 0], signs[signs != 0] > 0
    statistic = float(used[above].sum())
    is_exact = len(used) <= MOST_EXACT if exact is None else exact
    _, counts = np.unique(np.abs(d[nonzero]), return_counts=True)
    return SignedRankResult(
        statistic=statistic,
        differences=len(d),
        zeros=int(np.sum(~nonzero)),
        tied=int(counts[counts > 1].sum()),
        p_value=_p_value(used, statistic, alternative, exact=is_exact),
        exact=is_exact,
        estimate=float(np.median(_walsh(d))),
        interval=_interval(d, level),
        level=float(level),
        alternative=alternative,
        zeros_by=zeros,
    )


def _cleaned(differences: ArrayLike) -> Floats:
    d = np.asarray(differences, dtype=np.float64)
    if d.ndim != 1 or len(d) == 0:
        raise BlindtestError(
            Fault(problem="the signed-rank test needs a sequence of differences", got=f"shape {d.shape}")
        )
    bad = np.flatnonzero(~np.isfinite(d))
    if len(bad):
        raise BlindtestError(
            Fault(problem="a difference is not a finite number", line=int(bad[0]) + 1, got=float(d[bad[0]]))
        )
    # Means of ratings differ in their last digits: 0.1 + 0.2 is not 0.3, yet the two are one size.
    sizes = np.abs(d)
    width = SAME * float(sizes.max(initial=0.0))
    order = np.argsort(sizes, kind="stable")
    gaps = np.diff(sizes[order], prepend=0.0) > width
    anchors = np.where(gaps, sizes[order], 0.0)
    joined = np.empty_like(sizes)
    joined[order] = np.maximum.accumulate(anchors)
    return np.asarray(np.sign(d) * joined)


def _p_value(ranks: Floats, statistic: float, alternative: Alternative, *, exact: bool) -> float:
    if len(ranks) == 0:
        return 1.0
    if exact:
        chances = _distribution(ranks)
        at = round(2 * statistic)
        up, down = float(chances[at:].sum()), float(chances[: at + 1].sum())
    else:
        spread = sqrt(float(np.sum(ranks**2)) / 4)
        away = statistic - float(ranks.sum()) / 2
        up = erfc((away - 0.5) / spread / sqrt(2)) / 2
        down = erfc(-(away + 0.5) / spread / sqrt(2)) / 2
    chosen = {"greater": up, "less": down, "two-sided": 2 * min(up, down)}[alternative]
    return min(1.0, chosen)


def _distribution(ranks: Floats) -> Floats:
    """Return the chance of each sum of ranks, (2 x the largest sum + 1,), in steps of a half."""
    doubled = np.rint(2 * ranks).astype(np.intp)
    chances = np.zeros(int(doubled.sum()) + 1)
    chances[0] = 1.0
    reached = 0
    for rank in doubled.tolist():
        moved = chances[: reached + 1] / 2
        chances[: reached + 1] = moved
        chances[rank : rank + reached + 1] += moved
        reached += rank
    return chances


def _walsh(d: Floats) -> Floats:
    i, j = np.triu_indices(len(d))
    return np.asarray((d[i] + d[j]) / 2)


def _interval(d: Floats, level: float) -> Interval:
    n = len(d)
    tail = (1 - level) / 2
    if n <= MOST_EXACT:
        below = np.cumsum(_distribution(np.arange(1.0, n + 1))[::2])
        # As many averages may be cut off at each end as keep the chance of a sum that small within the tail.
        cut = int(np.searchsorted(below, tail * (1 + 1e-12), side="right"))
    else:
        mean, variance = n * (n + 1) / 4, n * (n + 1) * (2 * n + 1) / 24
        cut = int(mean + float(ndtri(tail)) * sqrt(variance))
    if cut < 1:
        return (-np.inf, np.inf)
    averages = np.sort(_walsh(d))
    return (float(averages[cut - 1]), float(averages[-cut]))


def signed_rank_pairs(
    table: "DataFrame",
    *,
    value: str = "rating",
    treatment: str = "device",
    block: str | tuple[str, ...] = "listener",
    adjust: Adjustment = "holm",
    zeros: Zeros = "pratt",
    level: float = 0.95,
) -> "DataFrame":
    """Return the signed-rank test of every pair of treatments, by one mean difference per block.

    Returns
    -------
    DataFrame, a row per pair in the order of names
        a, b, estimate (a minus b), ci_low, ci_high, statistic, n, zeros, p_value, p_adjusted. Intervals are not
        adjusted.

    Raises
    ------
    BlindtestError
        See `read_scores` and `complete_blocks`.
    """
    import pandas as pd

    blocks = (block,) if isinstance(block, str) else block
    scores = read_scores(table, keys=[*blocks, treatment], value=value)
    found = complete_blocks(scores, block=blocks, treatment=[treatment])
    rows: list[dict[str, Any]] = []
    for i, a in enumerate(found.treatments):
        for j in range(i + 1, len(found.treatments)):
            test = signed_rank_test(found.values[:, i] - found.values[:, j], zeros=zeros, level=level)
            rows.append(
                {
                    "a": a,
                    "b": found.treatments[j],
                    "estimate": test.estimate,
                    "ci_low": test.interval[0],
                    "ci_high": test.interval[1],
                    "statistic": test.statistic,
                    "n": test.differences,
                    "zeros": test.zeros,
                    "p_value": test.p_value,
                    "p_adjusted": nan,
                }
            )
    frame = pd.DataFrame(rows)
    frame["p_adjusted"] = adjust_p_values(frame["p_value"].to_numpy(), method=adjust)
    return frame
