"""The folder a user writes: study.toml and protocol files read, everything that is wrong with them found at once."""

from blindtest.study.attribute_reach import ALTERNATIVES, AttributeReach, attribute_reach, choices_needed
from blindtest.study.before_return import CAPTURES, Capture, captures_of
from blindtest.study.comparing import (
    QUALITY,
    claim_blocks,
    claim_clips,
    compared,
    compared_by_block,
    labels,
    planned_conditions,
    primary_claim,
    tested_clips,
)
from blindtest.study.condition import StudyCondition, StudyCorrection, StudyStage
from blindtest.study.correction_stages import target_words
from blindtest.study.factorial_checks import alias_words
from blindtest.study.factorials import FRACTIONS, factorial_in
from blindtest.study.findings import Note
from blindtest.study.folder import new_study, pair_study
from blindtest.study.hardware import Connection, Hardware
from blindtest.study.job import render_job
from blindtest.study.lengths import LONGEST_MIN, SittingLength, sitting_lengths
from blindtest.study.loading import FILE_NAME, load_study
from blindtest.study.loudspeaker_route import loudspeaker_route, rooms_of
from blindtest.study.material import Examined, check_study, examine
from blindtest.study.measurements import unit_averages, unit_response
from blindtest.study.panel import Panel, PanelQuestion
from blindtest.study.playing_level import PlayingLevel, full_scale_spl, playing_level, sensitivity_of
from blindtest.study.protocols import find_protocol, is_path, list_protocols, no_such_protocol, resources
from blindtest.study.rated_claims import is_rated, scale_name
from blindtest.study.rated_reach import RatedReach, listeners_needed, rated_reach, sittings_needed
from blindtest.study.reading import read_toml
from blindtest.study.refutation import (
    PreferenceReach,
    Reach,
    pairs_needed,
    preference_reach,
    reach,
    trials_needed,
)
from blindtest.study.reseating import Apart, apart_db, reseating_of, seating_response, units_apart
from blindtest.study.ruled_reach import RuledReach
from blindtest.study.scale_reach import ScaleReach, scale_reach
from blindtest.study.schema import json_schema
from blindtest.study.stage_reach import StageReach, stage_pair_reach, stage_reach
from blindtest.study.storage import Storage, storage_in
from blindtest.study.study import Listeners, Rendering, Study, StudyClip, protocol_text, study_files
from blindtest.study.succession import Kept, Origin, new_study_from, read_origin
from blindtest.study.unit import PlaybackSetting, Unit
from blindtest.study.unreliable_reach import UnreliableReach, unreliable_reach

__all__ = [
    "ALTERNATIVES",
    "CAPTURES",
    "FILE_NAME",
    "FRACTIONS",
    "LONGEST_MIN",
    "QUALITY",
    "Apart",
    "AttributeReach",
    "Capture",
    "Connection",
    "Examined",
    "Hardware",
    "Kept",
    "Listeners",
    "Note",
    "Origin",
    "Panel",
    "PanelQuestion",
    "PlaybackSetting",
    "PlayingLevel",
    "PreferenceReach",
    "RatedReach",
    "Reach",
    "Rendering",
    "RuledReach",
    "ScaleReach",
    "SittingLength",
    "StageReach",
    "Storage",
    "Study",
    "StudyClip",
    "StudyCondition",
    "StudyCorrection",
    "StudyStage",
    "Unit",
    "UnreliableReach",
    "alias_words",
    "apart_db",
    "attribute_reach",
    "captures_of",
    "check_study",
    "choices_needed",
    "claim_blocks",
    "claim_clips",
    "compared",
    "compared_by_block",
    "examine",
    "factorial_in",
    "find_protocol",
    "full_scale_spl",
    "is_path",
    "is_rated",
    "json_schema",
    "labels",
    "list_protocols",
    "listeners_needed",
    "load_study",
    "loudspeaker_route",
    "new_study",
    "new_study_from",
    "no_such_protocol",
    "pair_study",
    "pairs_needed",
    "planned_conditions",
    "playing_level",
    "preference_reach",
    "primary_claim",
    "protocol_text",
    "rated_reach",
    "reach",
    "read_origin",
    "read_toml",
    "render_job",
    "reseating_of",
    "resources",
    "rooms_of",
    "scale_name",
    "scale_reach",
    "seating_response",
    "sensitivity_of",
    "sitting_lengths",
    "sittings_needed",
    "stage_pair_reach",
    "stage_reach",
    "storage_in",
    "study_files",
    "target_words",
    "tested_clips",
    "trials_needed",
    "unit_averages",
    "unit_response",
    "units_apart",
    "unreliable_reach",
]
