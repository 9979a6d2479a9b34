# ruff: noqa: E501
"""How often ratings refute an impression: against claims.md 4, a simulation, and the simulation that stats uses."""

import numpy as np
import pytest
from scipy.stats import t

from blindtest.stats import survival_power
from blindtest.study import listeners_needed, rated_reach, sittings_needed


def plan(listeners, sittings=2, ratings=5, margin=8.0, kept=2 / 3, clips=None):
    return rated_reach(listeners=listeners, sittings=sittings, ratings=ratings, margin=margin, kept=kept, clips=clips)


@pytest.mark.parametrize(("listeners", "chance"), [(24, 0.87), (12, 0.37)])
def test_the_planning_table_of_claims_4(listeners, chance):
    # claims.md 4 [sim]: SD listener 8, listener x mode 6, residual 12, 5 clips x 2 repeats, M = 8, labelled 20:
    # d = 0 vanishes .87 with 24 listeners, .37 with 12. Two digits, Monte Carlo error there up to .005.
    assert plan(listeners).chance_vanishes == pytest.approx(chance, abs=0.01)


def simulated(listeners, sittings, ratings, margin, studies=40_000, seed=7):
    """Return the share of studies that end as *vanishes*, straight from the conditions of claims.md 4."""
    rng = np.random.default_rng(seed)
    single = listeners == 1
    units = sittings if single else listeners
    scatter = np.sqrt(36 + 2 * 144 / (ratings * (1 if single else sittings)))
    own = 0.0 if single else rng.normal(0, 8, (studies, units))
    d = own + rng.normal(0, scatter, (studies, units))
    s = 20 + own + rng.normal(0, scatter, (studies, units))

    def limits(x, alpha):
        half = t.ppf(1 - alpha, units - 1) * x.std(axis=1, ddof=1) / np.sqrt(units)
        return x.mean(axis=1) - half, x.mean(axis=1) + half

    inside = (limits(d, 0.05)[0] > -margin) & (limits(d, 0.025)[1] < margin)
    return float(np.mean(inside & (limits(s, 0.05)[0] > 0)))


@pytest.mark.parametrize(
    ("listeners", "sittings", "ratings", "margin"),
    [
        (24, 2, 5, 8.0),
        (12, 2, 5, 8.0),
        (16, 3, 3, 10.0),
        (1, 8, 10, 8.0),
        (1, 3, 10, 8.0),
        (1, 12, 4, 9.0),
        (5, 2, 4, 20.0),
    ],
)
def test_the_integral_is_what_a_simulation_finds(listeners, sittings, ratings, margin):
    # 40,000 studies: standard error of a share at most .0025; four of them.
    found = simulated(listeners, sittings, ratings, margin)
    assert plan(listeners, sittings, ratings, margin).chance_vanishes == pytest.approx(found, abs=0.01)


@pytest.mark.parametrize("these", [True, None])
@pytest.mark.parametrize(("listeners", "sittings"), [(24, 2), (8, 2), (1, 8), (1, 2), (2, 4)])
def test_check_says_what_power_says(listeners, sittings, these):
    power = survival_power(
        listeners=listeners,
        sittings=sittings,
        clips=5,
        repeats=1,
        only_these_clips=these,
        rng=np.random.default_rng(3),
        studies=20_000,
    )
    found = plan(listeners, sittings, clips=None if these else 5)
    assert found.chance_vanishes == pytest.approx(power.chance_to_vanish, abs=0.012)
    assert power.clips_drawn == (found.clips is not None)


def test_clips_as_a_sample_cost_a_little_and_are_named():
    found = plan(24, clips=5)
    assert plan(24).chance_vanishes - 0.05 < found.chance_vanishes < plan(24).chance_vanishes
    assert "the same on each of 5 clips, which are a sample of clips" in found.sentence
    assert plan(24, clips=4) == plan(24)  # four say too little about others: the verdict is about these


def test_two_days_of_one_listener_reach_nothing():
    # claims.md 4: a plan of 2 + 2 days is told beforehand that it can reach nothing
    reach = plan(1, 2)
    assert reach.chance_vanishes == 0
    assert not reach.can_fail
    assert reach.unit == "sitting"


def test_the_fewest_days_and_listeners_can_and_one_fewer_cannot():
    days = sittings_needed(ratings=10, margin=8, kept=2 / 3)
    assert plan(1, days, 10).can_fail
    assert not plan(1, days - 1, 10).can_fail
    panel = listeners_needed(sittings=2, ratings=5, margin=8, kept=2 / 3)
    assert plan(panel).can_fail
    assert not plan(panel - 1).can_fail
    assert sittings_needed(ratings=1, margin=0.5, kept=2 / 3) is None


def test_more_of_anything_helps_and_a_tiny_margin_is_hopeless():
    chances = [plan(n).chance_vanishes for n in (3, 6, 12, 24, 48, 200)]
    assert chances == sorted(chances)
    # With the scatter gone and both limits inside, 1: an effect of 0 always vanishes.
    assert plan(200).chance_vanishes == pytest.approx(1, abs=1e-3)
    assert plan(24, margin=0.1).chance_vanishes < 1e-4


def test_the_sentence_names_plan_and_assumption():
    assert plan(24).sentence == (
        "with 24 listeners, 2 labelled and 2 blind sittings each, margin 8, an impression that is gone blind ends as "
        "'vanishes' with chance 0.87 (assumed: standard deviations of 8 between listeners, 6 new in each mode and 12 of "
        "a single rating, labelled effect 20 of 100 points)"
    )
