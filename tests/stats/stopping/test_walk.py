"""The walk of a count from look to look, against every sequence of answers there is."""

from fractions import Fraction
from itertools import product

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import binom

from blindtest.stats.stopping.walk import as_written, checked_looks, checked_share, stages


def by_counting(looks, p, stop_high, stop_low):
    """Chances to stop high and low at each look, by going through all 2^n sequences of answers."""
    high, low = dict.fromkeys(looks, 0.0), dict.fromkeys(looks, 0.0)
    for answers in product((0, 1), repeat=looks[-1]):
        chance = np.prod([p if answer else 1 - p for answer in answers])
        for look in looks:
            right = sum(answers[:look])
            if right >= stop_high(look):
                high[look] += chance
                break
            if right <= stop_low(look):
                low[look] += chance
                break
    return high, low


@pytest.mark.parametrize("p", [0.0, 0.3, 0.5, 0.8, 1.0])
@pytest.mark.parametrize("looks", [(1, 2, 3, 4, 5, 6, 7, 8, 9, 10), (3, 4, 9), (10,)])
def test_chances_to_stop_are_those_counted_over_all_sequences_of_answers(p, looks):
    def stop_high(n: int) -> int:
        return n // 2 + 2

    def stop_low(n: int) -> int:
        return n // 2 - 2

    high, low = by_counting(looks, p, stop_high, stop_low)
    for stage in stages(looks, p, stop_high=stop_high, stop_low=stop_low):
        assert stage.up == pytest.approx(high[stage.trials], abs=1e-14)
        assert stage.down == pytest.approx(low[stage.trials], abs=1e-14)


@given(st.integers(1, 300), st.floats(0.01, 0.99))
def test_without_bounds_the_count_is_binomial(trials, p):
    # scipy.stats.binom; 1e-10: log-gamma at 300
    (stage,) = stages([trials], p)
    assert stage.arriving == pytest.approx(binom.pmf(np.arange(trials + 1), trials, p), abs=1e-10)
    *_, single = stages(range(1, trials + 1), p)
    assert single.arriving == pytest.approx(stage.arriving, abs=1e-10)


@given(st.floats(0, 1), st.lists(st.integers(1, 40), min_size=1, max_size=6, unique=True), st.integers(0, 3))
def test_nobody_gets_lost(p, looks, width):
    ended, going = 0.0, 1.0
    walk = stages(sorted(looks), p, stop_high=lambda n: n // 2 + 1 + width, stop_low=lambda n: n // 2 - 1 - width)
    for stage in walk:
        assert float(stage.arriving.sum()) == pytest.approx(going, abs=1e-12)
        ended += stage.up + stage.down
        going = float(stage.going_on.sum())
    assert ended + going == pytest.approx(1, abs=1e-12)


def test_numbers_mean_what_was_written():
    assert as_written(1 / 3) == Fraction(1, 3)
    assert as_written(0.05) == Fraction(1, 20)
    assert as_written(0.5123) == Fraction(5123, 10000)
    assert as_written(Fraction(1, 7)) == Fraction(1, 7)


@pytest.mark.parametrize(
    ("looks", "message"),
    [([], "at least one look"), ([0, 4], r"rise from 1 or more, got \[0, 4\]"), ([5, 5], r"got \[5, 5\]")],
)
def test_looks_rise(looks, message):
    with pytest.raises(ValueError, match=message):
        checked_looks(looks)


@pytest.mark.parametrize("value", [-0.1, 1.1, float("nan")])
def test_a_share_lies_between_0_and_1(value):
    with pytest.raises(ValueError, match=r"the share must lie in 0 \.\.\. 1"):
        checked_share("the share", value)
