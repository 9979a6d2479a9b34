"""The street as functions of a study: the only room that knows the whole story.

Each function reads what the step before it made and can be run again. Clocks and entropy are asked for here, and can
be passed in.
"""

from blindtest.steps.analysis import Analysis, TableAnalysis, analyze, analyze_table
from blindtest.steps.demonstration import DemoShown, demo, demo_study
from blindtest.steps.doctor import Looked, Symptom, doctor
from blindtest.steps.forgetting import Forgotten, forget
from blindtest.steps.listening import Ended, PreparedSitting, abandon, prepare_sitting
from blindtest.steps.measuring import Measured, measure
from blindtest.steps.power import PowerShown, power
from blindtest.steps.reporting import ReportShown, report
from blindtest.steps.sealing import SealShown, seal
from blindtest.steps.studying import Checked, RenderShown, check, new, pair, render, schema
from blindtest.steps.verification import Finding, Verified, verify

__all__ = [
    "Analysis",
    "Checked",
    "DemoShown",
    "Ended",
    "Finding",
    "Forgotten",
    "Looked",
    "Measured",
    "PowerShown",
    "PreparedSitting",
    "RenderShown",
    "ReportShown",
    "SealShown",
    "Symptom",
    "TableAnalysis",
    "Verified",
    "abandon",
    "analyze",
    "analyze_table",
    "check",
    "demo",
    "demo_study",
    "doctor",
    "forget",
    "measure",
    "new",
    "pair",
    "power",
    "prepare_sitting",
    "render",
    "report",
    "schema",
    "seal",
    "verify",
]
