"""Conditions made audible: clips x conditions, level-matched, in files that tell nothing.

`chain` says what a condition is, `curves` which curve makes it; `stimuli` renders a job into a folder and looks up what
was rendered. Levels in dB, frequencies in Hz, frames (n, channels).
"""

from .anchors import AnchorStage, TiltStage
from .binaural_stage import BinauralStage
from .chain import STAGES, Condition, GainStage, RecordingStage, ResponseStage, Stage
from .correction_stage import CorrectionStage
from .curves import CommonCurve, common_curve, condition_curve_db
from .distortion import DistortionStage
from .errands import Hands
from .filters import FilterCurve
from .folder import kept_to_us
from .hump import HumpStage
from .imbalance_stage import ImbalanceStage
from .job import RenderJob
from .phase_stage import ExcessPhaseStage
from .playback import Limit, Playback, heard_curve_db, playback_inverse_db
from .programme import ClipSource
from .rendered import Rendered, Stimulus
from .section_stage import SectionStage
from .shares import measured_shares_db
from .shelf import ShelfStage
from .source_stage import SourceImpedanceStage
from .stimuli import load_rendered, render
from .table import table_text

__all__ = [
    "STAGES",
    "AnchorStage",
    "BinauralStage",
    "ClipSource",
    "CommonCurve",
    "Condition",
    "CorrectionStage",
    "DistortionStage",
    "ExcessPhaseStage",
    "FilterCurve",
    "GainStage",
    "Hands",
    "HumpStage",
    "ImbalanceStage",
    "Limit",
    "Playback",
    "RecordingStage",
    "RenderJob",
    "Rendered",
    "ResponseStage",
    "SectionStage",
    "ShelfStage",
    "SourceImpedanceStage",
    "Stage",
    "Stimulus",
    "TiltStage",
    "common_curve",
    "condition_curve_db",
    "heard_curve_db",
    "kept_to_us",
    "load_rendered",
    "measured_shares_db",
    "playback_inverse_db",
    "render",
    "table_text",
]
