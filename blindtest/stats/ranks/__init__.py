"""Ratings by their ranks and medians: companions of the mixed models, and the standards' own analysis."""

from blindtest.stats.ranks.condition_summary import ConditionSummary, summarise_conditions
from blindtest.stats.ranks.cumulative_link import CumulativeLinkResult, fit_cumulative_link
from blindtest.stats.ranks.disagreement import Disagreement, RankCompanions, rank_companions, where_they_disagree
from blindtest.stats.ranks.friedman import FriedmanResult, friedman_test
from blindtest.stats.ranks.likelihood_ratio import LikelihoodRatio
from blindtest.stats.ranks.medians import MedianDifference, hinges, median_difference_test, outside_fences
from blindtest.stats.ranks.multimodality import multimodality
from blindtest.stats.ranks.planned_contrasts import planned_contrasts
from blindtest.stats.ranks.repeated_measures import RepeatedMeasures, repeated_measures
from blindtest.stats.ranks.signed_ranks import SignedRankResult, signed_rank_pairs, signed_rank_test

__all__ = [
    "ConditionSummary",
    "CumulativeLinkResult",
    "Disagreement",
    "FriedmanResult",
    "LikelihoodRatio",
    "MedianDifference",
    "RankCompanions",
    "RepeatedMeasures",
    "SignedRankResult",
    "fit_cumulative_link",
    "friedman_test",
    "hinges",
    "median_difference_test",
    "multimodality",
    "outside_fences",
    "planned_contrasts",
    "rank_companions",
    "repeated_measures",
    "signed_rank_pairs",
    "signed_rank_test",
    "summarise_conditions",
    "where_they_disagree",
]
