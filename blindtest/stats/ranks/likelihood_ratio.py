"""Two nested models held against each other by their likelihoods.

Sources: chi-square with as many degrees of freedom as parameters more; half of its tail where one of these is a
variance (Self & Liang 1987, JASA 82, 605).
"""

from dataclasses import dataclass
from typing import Any

from scipy.special import chdtrc

from blindtest.stats.plain import plain

__all__ = ["LikelihoodRatio", "likelihood_ratio_of"]


@dataclass(frozen=True, slots=True, kw_only=True)
class LikelihoodRatio:
    """Two nested models held against each other."""

    what: str
    """What the larger has and the smaller has not."""
    statistic: float
    """Twice the difference of log-likelihoods."""
    df: int
    p_value: float
    """Of chi-square; for a variance, which cannot be negative, half of it (Self & Liang 1987, JASA 82, 605)."""
    method: str = "likelihood ratio"

    @property
    def sentence(self) -> str:
        """The result in plain words."""
        return (
            f"Without {self.what} the model fits worse by {self.statistic:.2f} on {self.df} df: p = {self.p_value:.2g}."
        )

    def to_dict(self) -> dict[str, Any]:
        """Return what JSON can hold."""
        return plain(self, "sentence")


def likelihood_ratio_of(what: str, statistic: float, df: int, *, boundary: bool) -> LikelihoodRatio:
    """Return the test of twice a difference of log-likelihoods; `boundary`: one of the `df` is a variance."""
    statistic = max(0.0, statistic)
    if not boundary:
        return LikelihoodRatio(what=what, statistic=statistic, df=df, p_value=float(chdtrc(df, statistic)))
    # One variance more: half of the time its estimate is 0 and only the other df count.
    others = float(chdtrc(df - 1, statistic)) if df > 1 else float(statistic <= 0)
    p_value = (others + float(chdtrc(df, statistic))) / 2
    return LikelihoodRatio(what=what, statistic=statistic, df=df, p_value=min(1.0, p_value))
