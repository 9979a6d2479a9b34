"""How often ratings with unreliable labels refute a claim: against a simulation, and against Schuirmann's t limits."""

from pathlib import Path

import numpy as np
import pytest
from scipy.stats import t

import blindtest
from blindtest.session.view import _TOLD
from blindtest.study import unreliable_reach
from blindtest.study.unreliable_reach import unreliable_listeners_needed, unreliable_repeats_needed


def simulated(listeners, times, margin, clips, sittings, studies=40_000, seed=3):
    """Return the share of studies whose two one-sided t limits lie inside the margin, the effect being 0."""
    rng = np.random.default_rng(seed)
    scatter = 12 * np.sqrt(2 / times)
    if listeners == 1:
        df = 2 * times - 4 - (clips - 1) - (sittings - 1)
        mean = scatter * rng.standard_normal(studies)
        error = scatter * np.sqrt(rng.chisquare(df, studies) / df)
    else:
        own = rng.normal(0, np.hypot(8, scatter), (studies, listeners))
        df, mean, error = listeners - 1, own.mean(axis=1), own.std(axis=1, ddof=1) / np.sqrt(listeners)
    half = t.ppf(0.95, df) * error
    return float(np.mean((mean - half > -margin) & (mean + half < margin)))


@pytest.mark.parametrize(
    ("listeners", "sittings", "ratings", "margin", "clips"),
    [(1, 1, 20, 8.0, 5), (1, 2, 12, 8.0, 3), (1, 1, 4, 20.0, 2), (12, 2, 12, 8.0, 3), (5, 2, 8, 15.0, 4)],
)  # fmt: skip
def test_the_integral_is_what_a_simulation_finds(listeners, sittings, ratings, margin, clips):
    # 40,000 studies: standard error of a share at most .0025; four of them.
    plan = unreliable_reach(listeners=listeners, sittings=sittings, ratings=ratings, margin=margin, clips=clips)
    found = simulated(listeners, ratings * sittings, margin, clips, sittings)
    assert plan.chance_negligible == pytest.approx(found, abs=0.01)


def test_the_fewest_are_the_fewest():
    asked = {"sittings": 2, "margin": 8.0, "clips": 3}
    repeats = unreliable_repeats_needed(listeners=1, **asked)
    assert repeats is not None
    assert repeats % 2 == 0

    def chance(listeners, repeats):
        return unreliable_reach(listeners=listeners, ratings=3 * repeats, **asked).chance_negligible

    assert chance(1, repeats) >= 0.5 > chance(1, repeats - 2)
    panel = unreliable_listeners_needed(ratings=12, **asked)
    assert panel is not None
    assert chance(panel, 4) >= 0.5 > chance(panel - 1, 4)
    assert unreliable_repeats_needed(listeners=2, **asked) is None


def test_what_the_guide_says_is_computed():
    page = (Path(blindtest.__file__).parent / "guide" / "unreliable-labels.md").read_text(encoding="utf-8")
    prose = " ".join(page.replace("\n> ", " ").split())
    assert _TOLD["unreliable"] in prose
    chances = [
        unreliable_reach(listeners=n, sittings=2, ratings=20, margin=8, clips=5).chance_negligible for n in (1, 8, 12)
    ]
    one, eight, twelve = (f"{chance:.2f}".removeprefix("0") for chance in chances)
    assert f"a margin of 8 that is {one} for a single listener, {eight} for a panel of 8 and {twelve} for one" in prose
