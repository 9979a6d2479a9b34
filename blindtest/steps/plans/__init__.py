"""What a plan can show, method by method: in words, as a table, and as a figure."""

from blindtest.steps.plans.contract import PlanAsked, PlanMethod, PlanShown, write_figure
from blindtest.steps.plans.members import PLAN_METHODS, plan_power

__all__ = ["PLAN_METHODS", "PlanAsked", "PlanMethod", "PlanShown", "plan_power", "write_figure"]
