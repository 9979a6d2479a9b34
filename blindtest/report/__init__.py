"""Results in words and pictures: a self-contained page, a Markdown block, and every figure as SVG and PNG.

Fill a `ReportInput`; `html`, `markdown` and `figures` read nothing else. Clocks and files stay outside.
"""

from blindtest.report.attribute_facts import AttributeFacts, AttributeListenerFacts
from blindtest.report.chain_facts import (
    ChainFacts,
    DelayFacts,
    HarmonicsFacts,
    LoadFacts,
    MisfitLine,
    RoomFacts,
    StageCurve,
)
from blindtest.report.choice_facts import (
    PlanFacts,
    Results,
    Tested,
    Truth,
)
from blindtest.report.claim_facts import (
    BlockFacts,
    ClaimFacts,
    ClaimResult,
    ProtocolFacts,
    left_standing,
)
from blindtest.report.claim_words import Said, claimed, numbers_words, said_of, text_of_claim
from blindtest.report.companion_words import companion_lines
from blindtest.report.correction_facts import CorrectionFacts, HeldBackFacts
from blindtest.report.facts import ReportInput, names_of
from blindtest.report.figures import Figure
from blindtest.report.gallery import figures
from blindtest.report.hardware_facts import ConnectedUnit, HardwareFacts
from blindtest.report.hardware_words import unit_words
from blindtest.report.listened_facts import ListenedFacts, ListenedPlan
from blindtest.report.listened_words import CANNOT_TELL_WORDS, listened_plan
from blindtest.report.markdown_block import markdown
from blindtest.report.page import html
from blindtest.report.panel_words import OWN_EQUIPMENT, OWN_LEVEL, ConsentFacts, consent_words
from blindtest.report.plan_figures import PlanCurves, plan_figure
from blindtest.report.preference_facts import (
    PreferenceFacts,
    PreferencePlanFacts,
    PreferenceTruth,
    Preferred,
    Strength,
    StrengthFacts,
    Tally,
)
from blindtest.report.rating_facts import (
    Effect,
    MixedFacts,
    RatedFacts,
    RatingFacts,
    RatingTruth,
    Rejected,
    Repeated,
    UnitEffect,
)
from blindtest.report.recognition_facts import RecognitionFacts
from blindtest.report.record_facts import (
    FindingFacts,
    ImpressionFacts,
    RecordEvent,
    SealFacts,
    SittingFacts,
    TrialFacts,
)
from blindtest.report.scale_facts import ScaleFacts
from blindtest.report.scale_words import scale_further, scale_plan, screening_words
from blindtest.report.screening_facts import DevicesFacts, ScreenedFacts, ScreeningFacts, ScreeningTestFacts
from blindtest.report.screening_words import played_on_words
from blindtest.report.setting_words import SettingsFacts, cross_check, setting_beside, setting_sentence
from blindtest.report.sound_facts import (
    ClipFacts,
    ConditionFacts,
    FilterCurve,
    LimitFacts,
    MatchLine,
    RenderingFacts,
    ResponseCurve,
    UnitFacts,
)
from blindtest.report.stage_words import StageFacts, stage_beside, stage_claimed, stage_rows, stage_sentence
from blindtest.report.stopped_words import StoppedFacts, stopped_beside
from blindtest.report.survival_plan_facts import SurvivalPlanFacts
from blindtest.report.threshold_words import ThresholdFacts
from blindtest.report.unreliable_facts import UnreliableFacts, UnreliablePlan, UnreliableTruth
from blindtest.report.words import clean, escaped_markdown, p_words, typeset

__all__ = [
    "CANNOT_TELL_WORDS",
    "OWN_EQUIPMENT",
    "OWN_LEVEL",
    "AttributeFacts",
    "AttributeListenerFacts",
    "BlockFacts",
    "ChainFacts",
    "ClaimFacts",
    "ClaimResult",
    "ClipFacts",
    "ConditionFacts",
    "ConnectedUnit",
    "ConsentFacts",
    "CorrectionFacts",
    "DelayFacts",
    "DevicesFacts",
    "Effect",
    "Figure",
    "FilterCurve",
    "FindingFacts",
    "HardwareFacts",
    "HarmonicsFacts",
    "HeldBackFacts",
    "ImpressionFacts",
    "LimitFacts",
    "ListenedFacts",
    "ListenedPlan",
    "LoadFacts",
    "MatchLine",
    "MisfitLine",
    "MixedFacts",
    "PlanCurves",
    "PlanFacts",
    "PreferenceFacts",
    "PreferencePlanFacts",
    "PreferenceTruth",
    "Preferred",
    "ProtocolFacts",
    "RatedFacts",
    "RatingFacts",
    "RatingTruth",
    "RecognitionFacts",
    "RecordEvent",
    "Rejected",
    "RenderingFacts",
    "Repeated",
    "ReportInput",
    "ResponseCurve",
    "Results",
    "RoomFacts",
    "Said",
    "ScaleFacts",
    "ScreenedFacts",
    "ScreeningFacts",
    "ScreeningTestFacts",
    "SealFacts",
    "SettingsFacts",
    "SittingFacts",
    "StageCurve",
    "StageFacts",
    "StoppedFacts",
    "Strength",
    "StrengthFacts",
    "SurvivalPlanFacts",
    "Tally",
    "Tested",
    "ThresholdFacts",
    "TrialFacts",
    "Truth",
    "UnitEffect",
    "UnitFacts",
    "UnreliableFacts",
    "UnreliablePlan",
    "UnreliableTruth",
    "claimed",
    "clean",
    "companion_lines",
    "consent_words",
    "cross_check",
    "escaped_markdown",
    "figures",
    "html",
    "left_standing",
    "listened_plan",
    "markdown",
    "names_of",
    "numbers_words",
    "p_words",
    "plan_figure",
    "played_on_words",
    "said_of",
    "scale_further",
    "scale_plan",
    "screening_words",
    "setting_beside",
    "setting_sentence",
    "stage_beside",
    "stage_claimed",
    "stage_rows",
    "stage_sentence",
    "stopped_beside",
    "text_of_claim",
    "typeset",
    "unit_words",
]
