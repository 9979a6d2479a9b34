"""The checks of an evidence bundle, each on what it compares: files, record, plan, results, sound."""

from blindtest.steps.bundle.checks.files import FilesFound, check_files
from blindtest.steps.bundle.checks.filters import check_filters
from blindtest.steps.bundle.checks.packing import check_packing
from blindtest.steps.bundle.checks.planned import Hashed, check_hashes, check_study, hashes_in, second_hashes
from blindtest.steps.bundle.checks.record import check_form, read_record
from blindtest.steps.bundle.checks.report import check_report
from blindtest.steps.bundle.checks.results import TO_THE_LAST_DIGIT, check_derived, check_verifier, only_by_hash
from blindtest.steps.bundle.checks.sound import Levels, check_levels, check_rendering, check_stimuli, levels_in
from blindtest.steps.bundle.checks.versions import MadeBy, made_by
from blindtest.steps.bundle.checks.workplace import Workplace, laid_out

__all__ = [
    "TO_THE_LAST_DIGIT",
    "FilesFound",
    "Hashed",
    "Levels",
    "MadeBy",
    "Workplace",
    "check_derived",
    "check_files",
    "check_filters",
    "check_form",
    "check_hashes",
    "check_levels",
    "check_packing",
    "check_rendering",
    "check_report",
    "check_stimuli",
    "check_study",
    "check_verifier",
    "hashes_in",
    "laid_out",
    "levels_in",
    "made_by",
    "only_by_hash",
    "read_record",
    "second_hashes",
]
