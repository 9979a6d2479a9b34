"""The confidence sequence: limits that hold at all trials at once."""

from math import log

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import quad

from blindtest.stats import confidence_sequence, e_value
from blindtest.stats.binomial import clopper_pearson
from blindtest.stats.stopping.anytime_limits import log_mixture_ratio
from blindtest.stats.stopping.walk import stages

counts = st.integers(1, 200).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n)))


def ever_missed(p: float, trials: int, level: float, side: str = "both") -> float:
    """Chance that p lies outside the limits at some trial up to `trials`: exact, over the walk of the count."""
    limits = {}

    def limits_of(n: int) -> tuple[int, int]:
        if n not in limits:
            held = [k for k in range(n + 1) if _holds(k, n, p, level, side)]
            limits[n] = (min(held), max(held))
        return limits[n]

    walk = stages(
        range(1, trials + 1), p, stop_high=lambda n: limits_of(n)[1] + 1, stop_low=lambda n: limits_of(n)[0] - 1
    )
    return sum(stage.up + stage.down for stage in walk)


def _holds(k: int, n: int, p: float, level: float, side: str) -> bool:
    if side == "lower":
        return e_value(k, n, guess=p) < 1 / (1 - level)
    return log_mixture_ratio(k, n, p) < -log(1 - level)


@pytest.mark.parametrize("p", [0.02, 0.2, 1 / 3, 0.5, 0.7, 0.95])
@pytest.mark.parametrize("level", [0.95, 0.8])
def test_the_truth_is_ever_outside_with_probability_one_minus_level_at_most(p, level):
    """By exact sums up to 150 trials; the long form (exact_stopping.py) goes to 1000."""
    missed = ever_missed(p, 150, level)
    assert 0 < missed <= 1 - level


@pytest.mark.parametrize("p", [0.3, 0.5, 0.75])
def test_the_one_sided_limit_is_ever_above_the_truth_as_seldom(p):
    assert 0 < ever_missed(p, 100, 0.95, "lower") <= 0.05


@given(counts, st.sampled_from([0.5, 0.9, 0.95, 0.999]))
def test_limits_are_where_the_bet_reaches_one_over_alpha(count, level):
    k, n = count
    found = confidence_sequence(k, n, level=level)
    low, high = found
    assert low <= k / n <= high
    # The bet in its defining integral, by scipy.integrate.quad.
    for p in {low, high} - {0.0, 1.0}:
        bet, _ = quad(
            lambda t, p=p: (t / p) ** k * ((1 - t) / (1 - p)) ** (n - k), 0, 1, points=[k / n], epsrel=1e-10, limit=200
        )
        assert bet == pytest.approx(1 / (1 - level), rel=1e-6)
    if found.lower_limit:
        assert e_value(k, n, guess=found.lower_limit) == pytest.approx(1 / (1 - level), rel=1e-9)


@given(counts)
def test_looking_at_will_costs_width(count):
    k, n = count
    low, high = confidence_sequence(k, n)
    fixed = clopper_pearson(k, n, 0.95)
    assert low <= fixed[0] + 1e-12
    assert high >= fixed[1] - 1e-12


@given(counts)
def test_right_and_wrong_exchanged_mirror_the_limits(count):
    k, n = count
    low, high = confidence_sequence(k, n)
    mirrored = confidence_sequence(n - k, n)
    assert (1 - mirrored.high, 1 - mirrored.low) == pytest.approx((low, high), abs=1e-12)


@given(counts, st.sampled_from([0.5, 1 / 3]))
def test_the_one_sided_limit_passes_a_guess_rate_just_when_the_e_value_reaches_twenty(count, guess):
    k, n = count
    assert (confidence_sequence(k, n).lower_limit > guess + 1e-12) == (e_value(k, n, guess=guess) > 20 * (1 + 1e-9))


@settings(max_examples=40)
@given(st.lists(st.booleans(), min_size=1, max_size=30))
def test_what_was_rejected_at_an_earlier_trial_stays_rejected(answers):
    right = [sum(answers[: n + 1]) for n in range(len(answers))]
    trials = list(range(1, len(answers) + 1))
    running = confidence_sequence(right, trials)
    single = [confidence_sequence(k, n) for k, n in zip(right, trials, strict=True)]
    if running.low == running.low:
        assert running.low == max(s.low for s in single)
        assert running.high == min(s.high for s in single)
    else:
        assert max(s.low for s in single) > min(s.high for s in single)


def test_a_chance_that_changed_leaves_no_proportion():
    found = confidence_sequence([60, 60], [60, 180])
    assert found.low != found.low
    assert "no proportion stands with all trials so far" in found.sentence
    assert found.to_dict()["interval"] == [None, None]


def test_it_reads_as_a_pair_and_as_a_result():
    found = confidence_sequence(12, 16)
    low, high = found
    assert (low, high) == found.interval == (found[0], found[1]) == found[:2]
    assert len(found) == 2
    assert (low, high) == pytest.approx(found)
    assert "12 of 16 right. With 95 % confidence, however often one looked" in found.sentence
    assert found.to_dict()["lower_limit"] == found.lower_limit
    assert confidence_sequence(0, 5)[0] == 0
    assert confidence_sequence(0, 5).lower_limit == 0
    assert confidence_sequence(5, 5)[1] == 1


@pytest.mark.parametrize(
    ("correct", "trials", "message"),
    [
        (5, 4, "the number correct"),
        ([], [], "at least one look long"),
        ([1], [1, 2], "same length"),
        ([1, 3], [1, 2], r"must lie in 0 \.\.\. 2 \(the trials\), got 3"),
        ([1, 3], [1, 2, 3], "same length"),
        ([0, 2], [3, 4], "2 of 4 can't follow 0 of 3"),
        ([2, 1], [2, 3], "1 of 3 can't follow 2 of 2"),
        ([1, 1], [2, 2], "1 of 2 can't follow 1 of 2"),
    ],
)
def test_counts_that_cannot_be_are_refused(correct, trials, message):
    with pytest.raises(ValueError, match=message):
        confidence_sequence(correct, trials)
    with pytest.raises(ValueError, match="level must lie between 0 and 1"):
        confidence_sequence(1, 2, level=1.0)
