"""Statistics of listening tests: counts or tables in, frozen results out; usable alone, on anybody's data.

Choices are judged by exact tests; every result carries its numbers, estimate, interval, method and assumptions, and a
sentence in plain words. Words of conclusions are *shown*, *refuted*, *negligible* and *open*.
"""

from blindtest.stats.beta_binomial import BetaBinomialResult, fit_beta_binomial
from blindtest.stats.conclusion import Conclusion, conclude
from blindtest.stats.discrimination import (
    DiscriminationResult,
    SimilarityResult,
    critical_number,
    discrimination_test,
    distinguishers,
    proportion_at,
    similarity_critical_number,
    similarity_test,
)
from blindtest.stats.equivalence import EquivalenceResult, equivalence_test
from blindtest.stats.impressions import Rejection, SurvivalResult, survival
from blindtest.stats.listeners import ListenerResults, answers_in_order, counted_trials, listener_results
from blindtest.stats.long_table import LongTable, Wanted, read_long_table
from blindtest.stats.mixed.binary import fit_binary_mixed
from blindtest.stats.mixed.binary_result import BinaryMixedResult
from blindtest.stats.multiplicity import adjust_p_values
from blindtest.stats.other_scales import OtherScale
from blindtest.stats.pair_model import Convergence
from blindtest.stats.panel import AgreementResult, agreement, krippendorff_alpha
from blindtest.stats.planning import (
    DetectableEffect,
    MinutesPlan,
    PlanChances,
    PowerResult,
    SampleSize,
    detectable_effect,
    minutes_plan,
    plan_chances,
    power,
    sample_size,
)
from blindtest.stats.preference import (
    PreferenceConclusion,
    PreferenceTest,
    conclude_preference,
    preference_test,
)
from blindtest.stats.preference_planning import PreferenceChances, preference_chances
from blindtest.stats.ranks import FriedmanResult, friedman_test
from blindtest.stats.recognition import RecognitionResult, recognition_test
from blindtest.stats.second_opinion import MixedOpinion
from blindtest.stats.sensitivity import (
    DECISION_RULES,
    DecisionRule,
    criterion,
    d_prime,
    d_prime_from_rates,
    d_prime_std_error,
    decision_rule,
    log_linear_rate,
    proportion_correct,
    slope,
)
from blindtest.stats.sign_tests import preference_sign_tests
from blindtest.stats.stopping import (
    ConfidenceSequence,
    GroupOperating,
    GroupSequentialPlan,
    SprtDecision,
    SprtOperating,
    SprtPlan,
    StagewiseResult,
    StoppedAtWill,
    combined_e_value,
    confidence_sequence,
    e_process_numbers,
    e_process_stopped,
    e_value,
    group_sequential,
    peeking_error,
    peeking_p_value,
    sprt,
    stagewise_result,
    stopped_at_will,
    stopped_at_will_by_listener,
)
from blindtest.stats.strengths import PreferenceResult, fit_paired_preferences
from blindtest.stats.survival_planning import SurvivalPower, VerdictChances, survival_power
from blindtest.stats.table import COLUMNS, TrialTable, read_trial_table, table_of, trial_table, write_trial_table
from blindtest.stats.thresholds import Threshold, ThresholdResult, fit_threshold
from blindtest.stats.verdict import Effect, Verdict

__all__ = [
    "COLUMNS",
    "DECISION_RULES",
    "AgreementResult",
    "BetaBinomialResult",
    "BinaryMixedResult",
    "Conclusion",
    "ConfidenceSequence",
    "Convergence",
    "DecisionRule",
    "DetectableEffect",
    "DiscriminationResult",
    "Effect",
    "EquivalenceResult",
    "FriedmanResult",
    "GroupOperating",
    "GroupSequentialPlan",
    "ListenerResults",
    "LongTable",
    "MinutesPlan",
    "MixedOpinion",
    "OtherScale",
    "PlanChances",
    "PowerResult",
    "PreferenceChances",
    "PreferenceConclusion",
    "PreferenceResult",
    "PreferenceTest",
    "RecognitionResult",
    "Rejection",
    "SampleSize",
    "SimilarityResult",
    "SprtDecision",
    "SprtOperating",
    "SprtPlan",
    "StagewiseResult",
    "StoppedAtWill",
    "SurvivalPower",
    "SurvivalResult",
    "Threshold",
    "ThresholdResult",
    "TrialTable",
    "Verdict",
    "VerdictChances",
    "Wanted",
    "adjust_p_values",
    "agreement",
    "answers_in_order",
    "combined_e_value",
    "conclude",
    "conclude_preference",
    "confidence_sequence",
    "counted_trials",
    "criterion",
    "critical_number",
    "d_prime",
    "d_prime_from_rates",
    "d_prime_std_error",
    "decision_rule",
    "detectable_effect",
    "discrimination_test",
    "distinguishers",
    "e_process_numbers",
    "e_process_stopped",
    "e_value",
    "equivalence_test",
    "fit_beta_binomial",
    "fit_binary_mixed",
    "fit_paired_preferences",
    "fit_threshold",
    "friedman_test",
    "group_sequential",
    "krippendorff_alpha",
    "listener_results",
    "log_linear_rate",
    "minutes_plan",
    "peeking_error",
    "peeking_p_value",
    "plan_chances",
    "power",
    "preference_chances",
    "preference_sign_tests",
    "preference_test",
    "proportion_at",
    "proportion_correct",
    "read_long_table",
    "read_trial_table",
    "recognition_test",
    "sample_size",
    "similarity_critical_number",
    "similarity_test",
    "slope",
    "sprt",
    "stagewise_result",
    "stopped_at_will",
    "stopped_at_will_by_listener",
    "survival",
    "survival_power",
    "table_of",
    "trial_table",
    "write_trial_table",
]
