"""How many have a property, where the test for it errs: the share corrected for false passes and false failures.

Estimate: Rogan and Gladen 1978 (Estimating prevalence from the results of a screening test, Am J Epidemiol 107, 71-76).
Interval: Lang and Reiczigel 2014 (Confidence limits for prevalence of disease adjusted for estimated sensitivity and
specificity, Prev Vet Med 113, 13-22), which also takes in how well the error rates themselves are known, from counts
of those known to have the property and those known not to have it. Their equations are numbered below.

It holds where the listeners tested resemble those by whom the error rates were found. Nothing here can check that.
"""

from dataclasses import asdict, dataclass
from math import sqrt
from typing import Any

from scipy.special import ndtri

from blindtest.stats.binomial import checked_counts, checked_probability

__all__ = ["TrueShare", "true_share"]


@dataclass(frozen=True, slots=True, kw_only=True)
class TrueShare:
    """The share that has a property, by a test that errs."""

    passed: int
    tested: int
    share_passed: float
    sensitivity: float
    """Share of those who have the property that pass."""
    specificity: float
    """Share of those who have it not that fail."""
    estimate: float | None
    """Rogan and Gladen's, held within 0 ... 1; None where the test tells nothing (sensitivity + specificity <= 1)."""
    interval: tuple[float, float] | None
    """Lang and Reiczigel's, held within 0 ... 1."""
    level: float
    method: str = "Rogan and Gladen 1978, interval by Lang and Reiczigel 2014"

    def to_dict(self) -> dict[str, Any]:
        """Return what JSON can hold."""
        held = asdict(self)
        return held if self.interval is None else {**held, "interval": list(self.interval)}


def true_share(
    passed: int,
    tested: int,
    *,
    with_passed: int,
    with_tested: int,
    without_passed: int,
    without_tested: int,
    level: float = 0.95,
) -> TrueShare:
    """Return the share that has the property a test looks for.

    Parameters
    ----------
    passed, tested : of those of whom it is asked
    with_passed, with_tested : of those known to have the property, in the study that found the error rates
    without_passed, without_tested : of those known not to have it, in that study
    level : of the interval

    Raises
    ------
    ValueError
        Counts that no test can give.
    """
    passed, tested = checked_counts(passed, tested)
    with_passed, with_tested = checked_counts(with_passed, with_tested)
    without_passed, without_tested = checked_counts(without_passed, without_tested)
    level = checked_probability("level", level)
    apparent, sensitivity = passed / tested, with_passed / with_tested
    specificity = 1 - without_passed / without_tested
    worth = sensitivity + specificity - 1
    estimate, interval = None, None
    if worth > 0:
        estimate = min(1.0, max(0.0, (apparent + specificity - 1) / worth))  # eq. 2
        interval = _interval(apparent, tested, sensitivity, with_tested, specificity, without_tested, level)
    return TrueShare(
        passed=passed,
        tested=tested,
        share_passed=apparent,
        sensitivity=sensitivity,
        specificity=specificity,
        estimate=estimate,
        interval=interval,
        level=level,
    )


def _interval(
    apparent: float, tested: int, sensitivity: float, with_tested: int, specificity: float, without_tested: int,
    level: float,
) -> tuple[float, float]:  # fmt: skip
    """Return the limits of eq. 16; primes of the paper are written out as `more`."""
    z = float(ndtri(0.5 + level / 2))
    more_tested = tested + z**2  # eq. 6
    more_apparent = (tested * apparent + z**2 / 2) / more_tested  # eq. 7
    se, se_n = (with_tested * sensitivity + 1) / (with_tested + 2), with_tested + 2
    sp, sp_n = (without_tested * specificity + 1) / (without_tested + 2), without_tested + 2
    worth = se + sp - 1
    share = (more_apparent + sp - 1) / worth
    scatter_se, scatter_sp = se * (1 - se) / se_n, sp * (1 - sp) / sp_n
    shift = 2 * z**2 * (share * scatter_se - (1 - share) * scatter_sp)  # eq. 17
    variance = (
        more_apparent * (1 - more_apparent) / more_tested + share**2 * scatter_se + (1 - share) ** 2 * scatter_sp
    ) / worth**2  # eq. 4, with primes
    half = z * sqrt(variance)
    low, high = (min(1.0, max(0.0, share + shift + side * half)) for side in (-1, 1))
    return low, high
