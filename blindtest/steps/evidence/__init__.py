"""The evidence bundle: what a stranger needs to check a report without trusting who wrote it.

A folder, and a ZIP of it that is the same bytes every time. What was recorded is copied into it; what was found is
computed from that alone, so that anybody can compute it again (`derived`).
"""

from blindtest.steps.evidence.archive import SUMS, write_folder, write_zip
from blindtest.steps.evidence.bundle import DERIVED, bundle_hash, derived, evidence, given
from blindtest.steps.evidence.licences import OPEN_LICENCES
from blindtest.steps.evidence.results import results
from blindtest.steps.evidence.trials import trials_schema, trials_text

__all__ = [
    "DERIVED",
    "OPEN_LICENCES",
    "SUMS",
    "bundle_hash",
    "derived",
    "evidence",
    "given",
    "results",
    "trials_schema",
    "trials_text",
    "write_folder",
    "write_zip",
]
