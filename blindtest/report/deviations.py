"""Where a test goes another way than the standard that its method follows."""

from blindtest.report.claim_facts import ClaimResult
from blindtest.report.facts import ReportInput
from blindtest.report.scale_words import standard_deviations

__all__ = ["deviations_of"]


def deviations_of(report: ReportInput, result: ClaimResult) -> tuple[str, ...]:
    """Return where the test goes another way than the standard that the method of a claim follows."""
    if result.scaled is None:
        return ()
    original = result.scaled.reference
    heard = {name for block in report.protocol.blocks if block.phase == "blind" for name in block.conditions}
    rated = [one for one in report.conditions if one.id in heard]
    return standard_deviations(
        result.scaled,
        items=len(result.claim.clips) or len(report.clips),
        systems=sum(not one.anchor and one.id != original for one in rated),
        anchors=[one.anchor for one in rated if one.anchor],
        lengths=[one.out_s - (one.in_s or 0.0) for one in report.clips if one.out_s is not None],
    )
