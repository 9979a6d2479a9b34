"""Results in words and pictures: a self-contained page, a Markdown block, and every figure as SVG and PNG.

Fill a `ReportInput`; `html`, `markdown` and `figures` read nothing else. Clocks and files stay outside.
"""

from blindtest.report.facts import (
    ClaimFacts,
    ClipFacts,
    ConditionFacts,
    FilterCurve,
    FindingFacts,
    LimitFacts,
    MatchLine,
    PlanFacts,
    ProtocolFacts,
    RenderingFacts,
    ReportInput,
    ResponseCurve,
    Results,
    SealFacts,
    SittingFacts,
    Tested,
    TrialFacts,
    Truth,
    UnitFacts,
)
from blindtest.report.figures import Figure, figures
from blindtest.report.page import html, markdown

__all__ = [
    "ClaimFacts",
    "ClipFacts",
    "ConditionFacts",
    "Figure",
    "FilterCurve",
    "FindingFacts",
    "LimitFacts",
    "MatchLine",
    "PlanFacts",
    "ProtocolFacts",
    "RenderingFacts",
    "ReportInput",
    "ResponseCurve",
    "Results",
    "SealFacts",
    "SittingFacts",
    "Tested",
    "TrialFacts",
    "Truth",
    "UnitFacts",
    "figures",
    "html",
    "markdown",
]
