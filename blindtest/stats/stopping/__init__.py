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
from blindtest.stats.stopping.probability_ratio import SprtDecision, SprtOperating, SprtPlan, sprt
from blindtest.stats.stopping.spending import SPENDING, spent
from blindtest.stats.stopping.stagewise import StagewiseResult, stagewise_result
from blindtest.stats.stopping.stop_table import (
    STOPPING_RULES,
    Ending,
    Rule,
    StopTable,
    equal_looks,
    heard_proportion,
    stop_table,
)
from blindtest.stats.stopping.stopped_conclusion import (
    STOPPING_NAMES,
    StoppedConclusion,
    StoppedSitting,
    conclude_stopped,
)
from blindtest.stats.stopping.stopped_plan import StoppedChances, stopped_chances

__all__ = [
    "SPENDING",
    "STOPPING_NAMES",
    "STOPPING_RULES",
    "ConfidenceSequence",
    "Ending",
    "GroupOperating",
    "GroupSequentialPlan",
    "Rule",
    "SprtDecision",
    "SprtOperating",
    "SprtPlan",
    "StagewiseResult",
    "StopTable",
    "StoppedAtWill",
    "StoppedChances",
    "StoppedConclusion",
    "StoppedSitting",
    "combined_e_value",
    "conclude_stopped",
    "confidence_sequence",
    "e_process_numbers",
    "e_process_stopped",
    "e_value",
    "equal_looks",
    "group_sequential",
    "heard_proportion",
    "peeking_error",
    "peeking_p_value",
    "spent",
    "sprt",
    "stagewise_result",
    "stop_table",
    "stopped_at_will",
    "stopped_at_will_by_listener",
    "stopped_chances",
]
