"""Anybody's table, analysed: one way per method, each reading the columns it needs and saying what it understood."""

from blindtest.steps.tables.contract import Asked, TableAnalysis, TableMethod
from blindtest.steps.tables.members import TABLE_METHODS, analyze_table

__all__ = ["TABLE_METHODS", "Asked", "TableAnalysis", "TableMethod", "analyze_table"]
