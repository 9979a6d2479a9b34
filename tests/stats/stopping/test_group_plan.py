"""Group sequential plans: bounds on the count, real error rates, and published bounds they come near to."""

from itertools import product
from math import e, log, prod, sqrt

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import brentq
from scipy.stats import multivariate_normal, norm

from blindtest.stats import critical_number, group_sequential
from blindtest.stats.stopping.spending import SPENDING, spent

PUBLISHED = {
    # Lan & DeMets 1983 spending, 5 equal looks, one-sided .025 (two-sided .05): standard tables, quoted from memory;
    # the integration below is the independent check.
    "obrien-fleming": (4.8769, 3.3569, 2.6803, 2.2898, 2.0310),
    "pocock": (2.4380, 2.4268, 2.4101, 2.3966, 2.3859),
}


def normal_bounds(shares, alpha, spending):
    """Bounds of a standardised sum by integrating the multivariate normal distribution: scipy, no walk of a count."""
    bounds = []
    for place, share in enumerate(shares):
        times = np.array(shares[: place + 1])
        correlation = np.sqrt(np.minimum.outer(times, times) / np.maximum.outer(times, times))

        def too_much(z, correlation=correlation, share=share):
            inside = multivariate_normal(cov=correlation, allow_singular=True).cdf([*bounds, z], rng=1)
            return (1 - inside) - spent(share, alpha=alpha, spending=spending)

        bounds.append(brentq(too_much, 1.0, 8.0, xtol=1e-4))
    return bounds


@pytest.mark.parametrize("spending", ["obrien-fleming", "pocock", "linear"])
def test_with_many_trials_the_bounds_are_those_of_the_normal_distribution(spending):
    """Three looks, one-sided .05, against scipy's integration; a count's step at 12,000 trials is .018 errors."""
    looks = (4000, 8000, 12_000)
    plan = group_sequential(looks, spending=spending)
    for look, high, z in zip(looks, plan.stop_high, normal_bounds([1 / 3, 2 / 3, 1.0], 0.05, spending), strict=True):
        assert (high - look / 2) / sqrt(look / 4) == pytest.approx(
            z + 0.5 / sqrt(look / 4), abs=0.75 / sqrt(look / 4) + 0.004
        )


@pytest.mark.parametrize("spending", ["obrien-fleming", "pocock"])
def test_with_many_trials_the_bounds_are_the_published_ones(spending):
    looks = tuple(range(4000, 20_001, 4000))
    plan = group_sequential(looks, spending=spending, alpha=0.025)
    for look, high, z in zip(looks, plan.stop_high, PUBLISHED[spending], strict=True):
        # In the far tail the skew-free binomial is a little lighter than the normal: .01 at z = 4.9.
        assert (high - look / 2) / sqrt(look / 4) == pytest.approx(z, abs=1.5 / sqrt(look / 4) + 0.01)


def test_spending_functions_by_hand():
    # Lan & DeMets 1983: 2 - 2 Phi(z(alpha/2)/sqrt t), alpha ln(1 + (e - 1) t), alpha t; scipy.stats.norm
    assert spent(0.25, alpha=0.05, spending="obrien-fleming") == pytest.approx(
        2 * norm.sf(norm.isf(0.025) / 0.5), rel=1e-12
    )
    assert spent(0.4, alpha=0.05, spending="pocock") == pytest.approx(0.05 * log(1 + (e - 1) * 0.4), rel=1e-14)
    assert spent(0.4, alpha=0.05, spending="linear") == pytest.approx(0.02)
    for name in SPENDING:
        assert spent(0, alpha=0.05, spending=name) == 0
        assert spent(1, alpha=0.05, spending=name) == 0.05
        values = [spent(t, alpha=0.05, spending=name) for t in np.linspace(0, 1, 30)]
        assert values == sorted(values)


def test_one_look_is_the_fixed_test():
    for trials in (10, 16, 40):
        plan = group_sequential([trials])
        assert plan.stop_high == (critical_number(trials, method="abx"),)
    assert group_sequential([16]).real_alpha == pytest.approx(2517 / 2**16, abs=1e-12)
    two = group_sequential([20], two_sided=True)
    # Binomial table: P(X <= 5 of 20) = .0207
    assert (two.stop_high, two.stop_low) == ((15,), (5,))
    assert two.real_alpha == pytest.approx(0.04139, abs=5e-6)


def sequences(plan, p):
    """Chances of (look, way it ends), over all 2^n sequences of answers."""
    ends = {}
    for answers in product((0, 1), repeat=plan.looks[-1]):
        chance = prod(p if a else 1 - p for a in answers)
        for place, look in enumerate(plan.looks):
            decision = plan.decide(sum(answers[:look]), look)
            if decision != "go on":
                ends[place, decision] = ends.get((place, decision), 0.0) + chance
                break
    return ends


@pytest.mark.parametrize("guess", [1 / 2, 1 / 3])
@pytest.mark.parametrize("p", [1 / 3, 1 / 2, 0.8])
def test_chances_are_those_counted_over_all_sequences_of_answers(guess, p):
    plan = group_sequential([5, 8, 12], guess=guess, spending="pocock", alpha=0.1, futility_proportion=0.75, beta=0.3)
    ends = sequences(plan, p)
    found = plan.operating(p)
    for place in range(3):
        assert found.above[place] == pytest.approx(ends.get((place, "more right than by guessing"), 0.0), abs=1e-12)
        assert found.futile[place] == pytest.approx(ends.get((place, "futile"), 0.0), abs=1e-12)
    trials = sum(chance * plan.looks[place] for (place, _), chance in ends.items())
    assert found.expected_trials == pytest.approx(trials, abs=1e-10)


def test_a_two_sided_plan_counted():
    plan = group_sequential([6, 9, 12], two_sided=True, spending="linear", alpha=0.2)
    ends = sequences(plan, 0.5)
    wrong = sum(chance for (_, decision), chance in ends.items() if decision.endswith("by guessing"))
    assert plan.real_alpha == pytest.approx(wrong, abs=1e-12)
    assert all(
        h + low == n for h, low, n in zip(plan.stop_high, plan.stop_low, plan.looks, strict=True) if h is not None
    )
    assert plan.operating(0.8).below[0] == pytest.approx(0.2**6, abs=1e-12)


plans = st.builds(
    group_sequential,
    st.lists(st.integers(1, 120), min_size=1, max_size=5, unique=True).map(sorted),
    guess=st.sampled_from([1 / 2, 1 / 3]),
    alpha=st.sampled_from([0.01, 0.05, 0.1]),
    spending=st.sampled_from(["obrien-fleming", "pocock", "linear"]),
)


@given(plans)
def test_the_real_error_keeps_within_what_may_be_spent_at_every_look(plan):
    assert all(used <= may + 1e-12 for used, may in zip(plan.spent, plan.allowed, strict=True))
    assert plan.real_alpha <= plan.alpha + 1e-12
    assert plan.operating(plan.guess).power == pytest.approx(plan.real_alpha, abs=1e-12)


@settings(max_examples=30)
@given(plans)
def test_one_right_answer_fewer_would_spend_too_much(plan):
    """The bounds are the smallest numbers that keep to the plan."""
    for place, high in enumerate(plan.stop_high):
        if high is None:
            continue
        *_, stage = (s for s in plan.walk(plan.guess, futility=False) if s.trials <= plan.looks[place])
        before = plan.spent[place] - stage.at_least(high)
        assert before + stage.at_least(high - 1) > plan.allowed[place] or stage.at_least(high - 1) == stage.at_least(
            high
        )


def test_futility_gives_up_too_early_with_probability_beta_at_most_and_costs_no_alpha():
    plain = group_sequential([20, 40, 60, 80])
    plan = group_sequential([20, 40, 60, 80], futility_proportion=0.65, beta=0.2)
    assert plan.stop_high == plain.stop_high
    assert 0 < sum(plan.operating(0.65).futile) <= 0.2
    assert plan.operating(0.5).power <= plain.real_alpha
    assert plan.operating(0.5, futility=False).power == pytest.approx(plan.real_alpha, abs=1e-14)
    assert plan.operating(0.5).expected_trials < plan.operating(0.5, futility=False).expected_trials
    assert plan.futility[-1] is None
    assert (plan.futility_proportion, plan.beta) == (0.65, 0.2)
    plain = group_sequential([20, 40, 60, 80], beta=0.2)
    assert (plain.futility_proportion, plain.beta, plain.futility) == (None, None, (None,) * 4)
    # However much may be wasted, a number that shows something is never futile.
    eager = group_sequential([38, 40], alpha=0.4, futility_proportion=0.55, beta=0.9, spending="linear")
    assert eager.futility[0] == eager.stop_high[0] - 1


def test_looks_that_come_otherwise_than_planned_spend_by_their_share_of_the_trials():
    """Lan & DeMets 1983: the function is fixed, the looks are not; a bound depends on earlier looks only."""
    early = group_sequential([10, 27], trials=60)
    late = group_sequential([10, 27, 60])
    assert early.stop_high == late.stop_high[:2]
    assert early.real_alpha < late.real_alpha <= 0.05


def test_decisions_and_words():
    plan = group_sequential([20, 40, 60, 80, 100], futility_proportion=0.65)
    assert plan.stop_high == (20, 30, 40, 50, 59)
    assert plan.decide(30, 40) == "more right than by guessing"
    assert plan.decide(29, 40) == "go on"
    assert plan.decide(20, 40) == "futile"
    assert plan.decide(58, 100) == "not shown"
    assert group_sequential([20], two_sided=True).decide(5, 20) == "fewer right than by guessing"
    assert "after 40 trials 30 or more" in plan.sentence
    assert "Real error rate over all looks 0.0483 (stated: 0.05, obrien-fleming spending)" in plan.sentence
    assert plan.to_dict()["real_alpha"] == plan.real_alpha
    table = plan.bounds()
    assert list(table.columns) == ["trials", "stop_high", "stop_low", "futility", "allowed", "spent"]
    assert table["stop_high"].tolist() == list(plan.stop_high)
    assert "after 69.0 trials on average (at most 100)" in plan.operating(0.65).sentence
    assert plan.operating(0.65).to_dict()["power"] == plan.operating(0.65).power


def test_a_look_too_early_for_any_number_says_so():
    plan = group_sequential([2, 40])
    assert plan.stop_high[0] is None
    assert "after 2 trials no number" in plan.sentence
    assert plan.decide(2, 2) == "go on"
    nothing = group_sequential([3])
    assert (nothing.stop_high, nothing.real_alpha) == ((None,), 0.0)
    assert nothing.decide(3, 3) == "not shown"


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: group_sequential([]), "at least one look"),
        (lambda: group_sequential([20, 10]), "rise from 1 or more"),
        (lambda: group_sequential([10, 20], trials=15), r"must not end before the last look \(20\), got 15"),
        (lambda: group_sequential([10], spending="even"), "no spending function 'even'"),
        (lambda: group_sequential([10], alpha=0), "alpha must lie between 0 and 1"),
        (lambda: group_sequential([10], guess=1.0), "the guess rate must lie between 0 and 1"),
        (lambda: group_sequential([10], two_sided=True, futility_proportion=0.7), "no bounds for futility here"),
        (lambda: group_sequential([10], futility_proportion=0.5), r"must lie in 0\.5 \.\.\. 1: 0\.5"),
        (lambda: group_sequential([10]).decide(5, 9), r"no look after 9 trials \(it looks after \[10\]\)"),
        (lambda: group_sequential([10]).operating(-1), "the proportion must lie in 0"),
        (lambda: spent(1.5, alpha=0.05, spending="linear"), "the share of trials must lie in"),
    ],
)
def test_impossible_plans_are_refused(call, message):
    with pytest.raises(ValueError, match=message):
        call()
