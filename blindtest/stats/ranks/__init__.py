"""Ratings by their ranks and medians: companions of the mixed models, and the standards' own analysis."""

from blindtest.stats.ranks.friedman import FriedmanResult, friedman_test

__all__ = ["FriedmanResult", "friedman_test"]
