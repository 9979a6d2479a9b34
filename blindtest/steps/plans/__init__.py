"""What a plan can show, method by method: in words, as a table, and as a figure."""

from blindtest.steps.plans.choice_power import PowerShown, power
from blindtest.steps.plans.choices import ALTERNATIVES, plan_choices
from blindtest.steps.plans.contract import PlanAsked, PlanMethod, PlanShown, write_figure
from blindtest.steps.plans.members import PLAN_METHODS, plan_power
from blindtest.steps.plans.preference_power import PreferencePowerShown, preference_power
from blindtest.steps.plans.rating_power import SurvivalPowerShown, rating_power
from blindtest.steps.plans.stopping import StoppingPowerShown, stopping_power

__all__ = [
    "ALTERNATIVES",
    "PLAN_METHODS",
    "PlanAsked",
    "PlanMethod",
    "PlanShown",
    "PowerShown",
    "PreferencePowerShown",
    "StoppingPowerShown",
    "SurvivalPowerShown",
    "plan_choices",
    "plan_power",
    "power",
    "preference_power",
    "rating_power",
    "stopping_power",
    "write_figure",
]
