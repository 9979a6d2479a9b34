"""Tests that may end early: their plans, their real error rates, and what can be said when one was stopped at will.

Everything here is exact: the count of right answers is followed from look to look (`walk`), so that error rates are
finite sums and not simulations.
"""

from blindtest.stats.stopping.anytime_limits import ConfidenceSequence, confidence_sequence
from blindtest.stats.stopping.e_process import combined_e_value, e_process_numbers, e_process_stopped, e_value
from blindtest.stats.stopping.group_plan import GroupOperating, GroupSequentialPlan, group_sequential
from blindtest.stats.stopping.peeking import (
    StoppedAtWill,
    peeking_error,
    peeking_p_value,
    stopped_at_will,
    stopped_at_will_by_listener,
)
from blindtest.stats.stopping.ratio_test import SprtDecision, SprtOperating, SprtPlan, sprt
from blindtest.stats.stopping.spending import SPENDING, spent
from blindtest.stats.stopping.stagewise import StagewiseResult, stagewise_result

__all__ = [
    "SPENDING",
    "ConfidenceSequence",
    "GroupOperating",
    "GroupSequentialPlan",
    "SprtDecision",
    "SprtOperating",
    "SprtPlan",
    "StagewiseResult",
    "StoppedAtWill",
    "combined_e_value",
    "confidence_sequence",
    "e_process_numbers",
    "e_process_stopped",
    "e_value",
    "group_sequential",
    "peeking_error",
    "peeking_p_value",
    "spent",
    "sprt",
    "stagewise_result",
    "stopped_at_will",
    "stopped_at_will_by_listener",
]
