"""Hits and false alarms: the distance by a table of the normal distribution, its interval by another program's fits."""

from math import inf, isnan, nan

import numpy as np
import pytest
import statsmodels.api as sm
from scipy import stats

from blindtest.stats.two_rates import two_rates


def likelihood(counts, totals, offset=None):
    """Return the log-likelihood of a probit regression of statsmodels: free, or with the distance held."""
    side = np.array([0.5, -0.5])
    table = np.column_stack([counts, np.subtract(totals, counts)])
    family = sm.families.Binomial(sm.families.links.Probit())
    if offset is None:
        return sm.GLM(table, sm.add_constant(side), family=family).fit(tol=1e-12).llf
    return sm.GLM(table, np.ones((2, 1)), offset=offset * side, family=family).fit(tol=1e-12).llf


@pytest.mark.filterwarnings("ignore::RuntimeWarning", "ignore:Perfect separation")
@pytest.mark.parametrize("level", [0.95, 0.8])
@pytest.mark.parametrize(
    ("hits", "signals", "false_alarms", "noises"), [(30, 40, 12, 40), (9, 14, 11, 25), (3, 9, 8, 9)]
)
def test_the_limits_are_where_the_likelihood_of_a_probit_regression_falls_by_half_of_chi_square(
    hits, signals, false_alarms, noises, level
):
    found = two_rates(hits, signals, false_alarms, noises, level=level)
    z = stats.norm.ppf([hits / signals, false_alarms / noises])
    assert (found.hits, found.false_alarms) == (hits / signals, false_alarms / noises)
    assert found.distance == pytest.approx(z[0] - z[1], abs=1e-12)
    assert found.criterion == pytest.approx(-z.sum() / 2, abs=1e-12)
    best = likelihood((hits, false_alarms), (signals, noises))
    for limit in found.distance_interval:
        fallen = 2 * (best - likelihood((hits, false_alarms), (signals, noises), offset=limit))
        assert fallen == pytest.approx(stats.chi2.ppf(level, 1), abs=1e-5)
    assert found.distance_interval[0] < found.distance < found.distance_interval[1]


def test_a_table_of_the_normal_distribution():
    """z(.75) = .6745, z(.30) = -.5244 (any printed table)."""
    found = two_rates(30, 40, 12, 40, level=0.95)
    assert found.distance == pytest.approx(1.1989, abs=1e-4)
    assert found.criterion == pytest.approx(-0.07505, abs=1e-4)


@pytest.mark.parametrize(
    ("counts", "distance", "criterion"),
    [
        ((5, 5, 0, 5), inf, nan), ((0, 5, 5, 5), -inf, nan), ((5, 5, 5, 5), nan, -inf), ((0, 5, 0, 5), nan, inf),
        ((5, 5, 2, 4), inf, -inf), ((2, 4, 0, 5), inf, inf),
    ],
)  # fmt: skip
def test_rates_at_an_end_leave_one_or_both_open(counts, distance, criterion):
    found = two_rates(*counts, level=0.95)
    for got, wanted in ((found.distance, distance), (found.criterion, criterion)):
        assert got == wanted or (isnan(got) and isnan(wanted))
    low, high = found.distance_interval
    assert (low == -inf, high == inf) == (distance != inf, distance != -inf), "nothing is shut out that could be"
    assert low < high
