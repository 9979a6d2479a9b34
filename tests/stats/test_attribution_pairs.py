"""Choices between combinations that differ in one stage, against scipy's tests and simulated listeners."""

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from blindtest.errors import BlindtestError
from blindtest.stats import attribution_of_pairs
from blindtest.study import stage_pair_reach


def choices(preference, listeners, pairs, rng, spread=0.0):
    """Return `pairs` choices of each stage by each listener, whose own preference scatters by `spread` points."""
    rows = []
    for listener in range(listeners):
        for stage, points in preference.items():
            own = np.clip((50 + points + rng.normal(0, spread)) / 100, 0.01, 0.99)
            won = rng.random(pairs) < own
            rows += [(f"L{listener}", f"k{n % 2}", stage, 50.0 if one else -50.0) for n, one in enumerate(won)]
    return pd.DataFrame(rows, columns=["listener", "clip", "stage", "value"])


def concluded(table, **more):
    return attribution_of_pairs(table, stages=list(dict.fromkeys(table.stage)), combinations=4, **more)


def test_of_a_panel_it_is_students_t_over_the_listeners():
    """scipy.stats.ttest_1samp of one mean per listener; Holm by hand for two stages."""
    table = choices({"a": 20, "b": 3}, 14, 16, np.random.default_rng(1), spread=10)
    found = concluded(table, margin=15)
    tests = {}
    for name in ("a", "b"):
        means = table[table.stage == name].groupby("listener").value.mean()
        tests[name] = stats.ttest_1samp(means, 0.0)
        own = found.stage(name)
        assert own.effect.estimate == pytest.approx(means.mean())
        assert own.p_value == pytest.approx(tests[name].pvalue, rel=1e-6)
        assert own.effect.interval == pytest.approx(tuple(tests[name].confidence_interval(0.95)), rel=1e-6)
    small, large = sorted(test.pvalue for test in tests.values())
    holm = sorted(one.adjusted_p_value for one in found.stages)
    assert holm == pytest.approx([min(1, 2 * small), min(1, max(2 * small, large))], rel=1e-6)
    assert found.stage("a").word == "shown"


def test_of_one_listener_its_limits_hold_those_of_the_exact_binomial():
    """scipy.stats.binomtest: with the largest variance the p value is never much smaller than the exact one."""
    for wins, trials in ((20, 24), (30, 40), (14, 24), (3, 24)):
        rows = [("L", "k", "a", 50.0 if n < wins else -50.0) for n in range(trials)]
        own = concluded(pd.DataFrame(rows, columns=["listener", "clip", "stage", "value"])).stage("a")
        exact = stats.binomtest(wins, trials)
        assert own.effect.estimate == pytest.approx(100 * wins / trials - 50)
        assert own.p_value > 0.8 * exact.pvalue or exact.pvalue > 0.5
        assert own.word == ("shown" if wins in (20, 30) else "refuted" if wins == 3 else "open")


def test_a_stage_that_does_nothing_is_called_heard_as_often_as_promised():
    """Truth: nothing is preferred, listeners scatter by 15 points; 600 studies of 12 listeners, two stages."""
    rng = np.random.default_rng(7)
    wrong = 0
    for _ in range(300):
        found = concluded(choices({"a": 0, "b": 0}, 12, 12, rng, spread=15), margin=15)
        wrong += any(one.word in ("shown", "refuted") for one in found.stages)
    assert wrong / 300 <= 0.05 + 3 * np.sqrt(0.05 * 0.95 / 300)


def test_what_was_said_beforehand_is_what_is_reached():
    """The chances of `stage_pair_reach` against simulated studies whose truth is the margin for one of two stages."""
    rng = np.random.default_rng(8)
    plan = stage_pair_reach(listeners=16, pairs=16, stages=2, margin=18)
    shown = negligible = 0
    for _ in range(200):
        found = concluded(choices({"a": 18, "b": 0}, 16, 16, rng, spread=15), margin=18)
        shown += found.stage("a").word == "shown"
        negligible += found.stage("b").word == "negligible"
    # Holm's level for the second stage is the weaker one, so what is reached is no less than what was said.
    assert shown / 200 == pytest.approx(plan.chance_shown, abs=0.08)
    assert negligible / 200 > plan.chance_negligible - 0.08
    assert plan.sentence.startswith("with 16 listeners, 16 pairs of each of 2 stages, margin 18 percentage points")


def test_too_few_are_refused():
    table = choices({"a": 10}, 2, 4, np.random.default_rng(1))
    with pytest.raises(BlindtestError, match="two listeners are no panel"):
        concluded(table)
    with pytest.raises(BlindtestError, match="no two pairs of the stage 'a'"):
        concluded(table[table.listener == "L0"].head(1))
    with pytest.raises(ValueError, match="below 50"):
        concluded(table, margin=60)
