"""A panel of listeners as a measuring instrument: how far they agree, how well each repeats, who is screened out."""

from blindtest.stats.panel.agreement import AgreementResult, agreement
from blindtest.stats.panel.difference_grades import (
    MeanDifferenceGrade,
    difference_grades,
    grades_of_pair,
    mean_difference_grades,
)
from blindtest.stats.panel.expertise import ExpertiseResult, assessor_expertise
from blindtest.stats.panel.krippendorff import krippendorff_alpha
from blindtest.stats.panel.screening import (
    MeanBelowZero,
    Screened,
    ScreeningResult,
    ShareOfItems,
    WithAndWithout,
    bs_1116_rules,
    bs_1534_rules,
    screen_listeners,
    with_and_without,
)

__all__ = [
    "AgreementResult",
    "ExpertiseResult",
    "MeanBelowZero",
    "MeanDifferenceGrade",
    "Screened",
    "ScreeningResult",
    "ShareOfItems",
    "WithAndWithout",
    "agreement",
    "assessor_expertise",
    "bs_1116_rules",
    "bs_1534_rules",
    "difference_grades",
    "grades_of_pair",
    "krippendorff_alpha",
    "mean_difference_grades",
    "screen_listeners",
    "with_and_without",
]
