"""A panel of listeners as a measuring instrument: how far they agree, how well each repeats, who is screened out."""

from blindtest.stats.panel.agreement import AgreementResult, agreement
from blindtest.stats.panel.krippendorff import krippendorff_alpha

__all__ = ["AgreementResult", "agreement", "krippendorff_alpha"]
