"""The street as functions of a study: the only room that knows the whole story.

Each function reads what the step before it made and can be run again. Clocks and entropy are asked for here, and can
be passed in.
"""

from blindtest.steps.analysis import Analysis, analyze
from blindtest.steps.before_return import BeforeReturn, before_return
from blindtest.steps.bundle.verification import BundleVerified, verify
from blindtest.steps.comparison import Comparison, compare
from blindtest.steps.demo_story import DemoShown
from blindtest.steps.demonstration import demo, demo_study
from blindtest.steps.doctor import Looked, Symptom, doctor
from blindtest.steps.ending import Ended, abandon
from blindtest.steps.forgetting import Forgotten, forget, record_to_erase_from
from blindtest.steps.impressions import ImpressionShown, impression
from blindtest.steps.listening import prepare_sitting
from blindtest.steps.loopback import LOOPBACK_CAUTIONS, LoopbackShown, loopback
from blindtest.steps.measuring import Measured, measure
from blindtest.steps.panel.admission import Admitted, drawn_token
from blindtest.steps.panel.end import OpenedNonces
from blindtest.steps.panel.invites import (
    MOST_INVITATIONS,
    PANEL_PORT,
    PANEL_URL,
    Invited,
    PanelClosed,
    close_panel,
    invite,
    public_origin,
)
from blindtest.steps.panel.look import PanelLooked, look_at_panel
from blindtest.steps.panel.open_panel import OpenPanel, open_panel
from blindtest.steps.planning import planned
from blindtest.steps.plans import (
    PLAN_METHODS,
    PlanShown,
    PowerShown,
    PreferencePowerShown,
    SurvivalPowerShown,
    plan_power,
    power,
    preference_power,
    rating_power,
    write_figure,
)
from blindtest.steps.playing import PlayerFound
from blindtest.steps.prepared_sitting import PreparedSitting
from blindtest.steps.reporting import ReportShown, report
from blindtest.steps.sealing import SealShown, seal
from blindtest.steps.studying import Checked, RenderShown, check, new, pair, render, schema
from blindtest.steps.tables import TABLE_METHODS, TableAnalysis, analyze_table
from blindtest.steps.unit.drive import DriveAsked
from blindtest.steps.unit.measuring import (
    SOURCE_OHMS,
    UnitMeasured,
    default_figures_folder,
    draw_unit,
    measure_unit,
)
from blindtest.steps.unseen import Kept, keep_unseen
from blindtest.steps.verification import Finding, Verified

__all__ = [
    "LOOPBACK_CAUTIONS",
    "MOST_INVITATIONS",
    "PANEL_PORT",
    "PANEL_URL",
    "PLAN_METHODS",
    "SOURCE_OHMS",
    "TABLE_METHODS",
    "Admitted",
    "Analysis",
    "BeforeReturn",
    "BundleVerified",
    "Checked",
    "Comparison",
    "DemoShown",
    "DriveAsked",
    "Ended",
    "Finding",
    "Forgotten",
    "ImpressionShown",
    "Invited",
    "Kept",
    "Looked",
    "LoopbackShown",
    "Measured",
    "OpenPanel",
    "OpenedNonces",
    "PanelClosed",
    "PanelLooked",
    "PlanShown",
    "PlayerFound",
    "PowerShown",
    "PreferencePowerShown",
    "PreparedSitting",
    "RenderShown",
    "ReportShown",
    "SealShown",
    "SurvivalPowerShown",
    "Symptom",
    "TableAnalysis",
    "UnitMeasured",
    "Verified",
    "abandon",
    "analyze",
    "analyze_table",
    "before_return",
    "check",
    "close_panel",
    "compare",
    "default_figures_folder",
    "demo",
    "demo_study",
    "doctor",
    "draw_unit",
    "drawn_token",
    "forget",
    "impression",
    "invite",
    "keep_unseen",
    "look_at_panel",
    "loopback",
    "measure",
    "measure_unit",
    "new",
    "open_panel",
    "pair",
    "plan_power",
    "planned",
    "power",
    "preference_power",
    "prepare_sitting",
    "public_origin",
    "rating_power",
    "record_to_erase_from",
    "render",
    "report",
    "schema",
    "seal",
    "verify",
    "write_figure",
]
