"""The folder a user writes: study.toml and protocol files read, everything that is wrong with them found at once."""

from blindtest.study.findings import Note
from blindtest.study.folder import new_study, pair_study
from blindtest.study.job import render_job
from blindtest.study.material import Examined, check_study, examine
from blindtest.study.measurements import unit_averages, unit_response
from blindtest.study.protocols import find_protocol, list_protocols, resources
from blindtest.study.refutation import Reach, reach, trials_needed
from blindtest.study.schema import json_schema
from blindtest.study.study import (
    Listeners,
    PlaybackSetting,
    Rendering,
    Study,
    StudyClip,
    StudyCondition,
    StudyStage,
    Unit,
    compared,
    load_study,
    primary_claim,
    study_files,
    tested_clips,
)

__all__ = [
    "Examined",
    "Listeners",
    "Note",
    "PlaybackSetting",
    "Reach",
    "Rendering",
    "Study",
    "StudyClip",
    "StudyCondition",
    "StudyStage",
    "Unit",
    "check_study",
    "compared",
    "examine",
    "find_protocol",
    "json_schema",
    "list_protocols",
    "load_study",
    "new_study",
    "pair_study",
    "primary_claim",
    "reach",
    "render_job",
    "resources",
    "study_files",
    "tested_clips",
    "trials_needed",
    "unit_averages",
    "unit_response",
]
