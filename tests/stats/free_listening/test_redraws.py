"""Draws the plan could have made: p values and limits, against enumeration and scipy."""

from itertools import product

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import permutation_test

from blindtest.stats.free_listening.redraws import Unit, flips, redrawn, redrawn_by_plans

shares = st.lists(st.floats(0.01, 0.99), min_size=1, max_size=9)
MAIZE = [49, -67, 8, 16, 6, 23, 28, 41, 14, 29, 56, 24, 75, 60, -48]
"""Darwin's maize, crossed minus self-fertilised, eighths of an inch: Fisher 1935, The Design of Experiments, 21."""


def test_fisher_counted_the_signs_of_darwins_maize():
    """ "863 out of 2^15 as large or larger in the same direction" (section 21; quoted from memory)."""
    found = redrawn(flips(MAIZE))
    assert found.exact
    assert found.draws == 2**15
    assert found.p_greater() == 863 / 2**15
    assert found.p_greater() + found.p_less() >= 1


def random_units(seed: int, sizes: list[int]) -> list[Unit]:
    rng = np.random.default_rng(seed)
    return [Unit(values=np.round(rng.dirichlet(np.ones(m)), 2), place=int(rng.integers(m))) for m in sizes]


@settings(max_examples=50)
@given(
    # In 128ths sums are exact: a tie is one for scipy too, whose tolerance is relative to the statistic.
    st.lists(st.integers(1, 127).map(lambda k: k / 128), min_size=2, max_size=9),
    st.randoms(use_true_random=False),
)
def test_two_slots_are_the_exchange_within_pairs_of_scipy(values, random):
    # scipy.stats.permutation_test, permutation_type="samples": exact
    units = [Unit(values=np.array([v, 1 - v]), place=random.randint(0, 1)) for v in values]
    device = np.array([unit.values[unit.place] for unit in units])
    other = np.array([unit.values[1 - unit.place] for unit in units])
    found = redrawn(units)
    for alternative, p in (("greater", found.p_greater()), ("less", found.p_less())):
        reference = permutation_test(
            (device, other),
            lambda x, y: np.mean(x - y),
            permutation_type="samples",
            alternative=alternative,
            n_resamples=np.inf,
        )
        assert p == pytest.approx(reference.pvalue, abs=1e-12)


@pytest.mark.parametrize("sizes", [[3, 3, 3, 3], [2, 3, 4], [2], [5, 2, 2]])
@pytest.mark.parametrize("seed", [1, 2, 3])
@pytest.mark.parametrize("effect", [-0.2, 0.0, 0.05, 0.3])
def test_p_values_of_any_effect_are_those_of_all_draws_gone_through(sizes, seed, effect):
    """The device's slot is put back to what it would have got without the effect, then every draw is made."""
    units = random_units(seed, sizes)
    without = []
    for unit in units:
        values = unit.values + effect / (unit.values.size - 1)
        values[unit.place] = unit.values[unit.place] - effect
        without.append(values)
    made = sum(values[unit.place] for values, unit in zip(without, units, strict=True))
    sums = [sum(v[p] for v, p in zip(without, places, strict=True)) for places in product(*map(range, sizes))]
    found = redrawn(units)
    assert found.p_greater(effect) == pytest.approx(np.mean([s >= made - 1e-9 for s in sums]), abs=1e-12)
    assert found.p_less(effect) == pytest.approx(np.mean([s <= made + 1e-9 for s in sums]), abs=1e-12)


@settings(max_examples=60)
@given(shares, st.randoms(use_true_random=False), st.sampled_from([0.05, 0.1, 0.25]))
def test_limits_are_where_the_p_value_passes_alpha(values, random, alpha):
    found = redrawn([Unit(values=np.array([v, 1 - v]), place=random.randint(0, 1)) for v in values])
    low, high = found.lower_limit(alpha), found.upper_limit(alpha)
    if np.isfinite(low):
        assert found.p_greater(low + 1e-7) > alpha
        assert found.p_greater(low - 1e-7) <= alpha
        assert found.p_less(high - 1e-7) > alpha
        assert found.p_less(high + 1e-7) <= alpha
    else:
        assert found.smallest_p > alpha
    assert low <= high


@given(shares)
def test_device_and_other_exchanged_mirror_everything(values):
    one = redrawn([Unit(values=np.array([v, 1 - v]), place=0) for v in values])
    two = redrawn([Unit(values=np.array([v, 1 - v]), place=1) for v in values])
    assert one.p_greater() == pytest.approx(two.p_less(), abs=1e-12)
    assert one.lower_limit(0.2) == pytest.approx(-two.upper_limit(0.2), abs=1e-12)


def test_a_sample_comes_near_all_draws_and_never_says_zero():
    units = random_units(4, [2] * 12)
    exact, sample = redrawn(units), redrawn(units, most=100, sample=20_000)
    assert exact.exact
    assert not sample.exact
    assert sample.draws == 20_001
    # Five standard errors of a share of 20,000.
    assert sample.p_greater() == pytest.approx(exact.p_greater(), abs=5 * 0.5 / 20_000**0.5)
    assert sample.lower_limit(0.05) == pytest.approx(exact.lower_limit(0.05), abs=0.03)
    extreme = redrawn([Unit(values=np.array([1.0, 0.0]), place=0)] * 40, sample=999)
    assert extreme.p_greater() == 1 / 1000
    assert (
        redrawn(units, most=100, sample=500, seed=3).p_greater()
        == redrawn(units, most=100, sample=500, seed=3).p_greater()
    )


def test_plans_that_were_drawn_otherwise():
    """Three tracks, the device once in each slot: six plans, not 27."""
    units = random_units(5, [3, 3, 3])
    units = [Unit(values=unit.values, place=place) for unit, place in zip(units, (2, 0, 1), strict=True)]
    plans = np.array([[0, 1, 2], [0, 2, 1], [1, 0, 2], [1, 2, 0], [2, 0, 1], [2, 1, 0]])
    sums = [sum(unit.values[p] for unit, p in zip(units, plan, strict=True)) for plan in plans]
    made = sum(unit.values[unit.place] for unit in units)
    found = redrawn_by_plans(units, plans)
    assert found.exact
    assert found.p_greater() == np.mean([s >= made - 1e-9 for s in sums])
    # The plan made is not on the list: a sample, to which it is added.
    sample = redrawn_by_plans(units, plans[:4])
    assert not sample.exact
    assert sample.p_greater() == (1 + sum(s >= made - 1e-9 for s in sums[:4])) / 5


def test_equal_shares_say_nothing():
    found = redrawn([Unit(values=np.array([0.5, 0.5]), place=0)] * 8)
    assert found.p_greater() == found.p_less() == 1
    assert found.lower_limit(0.05) == found.upper_limit(0.05) == 0
