"""Figures of residuals and influence: what they show stands in table and words, the same bytes on every run."""

import numpy as np
import pandas as pd
import pytest

from blindtest.report.residual_figures import influence_figure, quantiles_figure, spread_figure
from blindtest.stats import fit_linear_mixed


def ratings(listeners=12, clips=5, seed=3):
    """Invented ratings of two devices."""
    rng = np.random.default_rng(seed)
    who, what = rng.normal(0, 8, listeners), rng.normal(0, 4, clips)
    rows = [
        (f"L{i:02}", f"c{j}", d, 60 + who[i] + what[j] + 3 * (d == "B") + rng.normal(0, 6))
        for i in range(listeners)
        for j in range(clips)
        for d in "AB"
    ]
    return pd.DataFrame(rows, columns=["listener", "clip", "device", "rating"])


@pytest.fixture(scope="module")
def result():
    return fit_linear_mixed("rating ~ device", ratings())


def test_every_number_of_a_figure_stands_in_its_words_or_table(result):
    checks, influence = result.residual_checks(), result.influence()
    spread, quantiles, cook = spread_figure(checks), quantiles_figure(checks), influence_figure(influence)
    counts = [row[2] for row in spread.rows]
    assert sum(counts) == 120 == checks.n
    assert all(isinstance(count, int) for count in counts)
    assert f"({checks.sigma:.1f} points)" in spread.description
    assert len(quantiles.rows) == 120
    assert [row[1] for row in quantiles.rows] == pytest.approx(np.sort(checks.residuals))
    assert "that BS.1534 attachment 4 lets pass" in quantiles.description
    assert "listener (12)" in quantiles.description
    distances = [row[2] for row in cook.rows]
    assert distances == sorted(distances, reverse=True)
    assert distances[0] == pytest.approx(influence.levels["cooks_distance"].max())
    assert f"listener {cook.rows[0][0]}" in cook.description
    assert len(cook.rows[0]) == len(cook.columns)
    for figure in (spread, quantiles, cook):
        assert 'role="img"' in figure.inline
        assert "<text" in figure.svg
        assert figure.png.startswith(b"\x89PNG")


def test_the_same_bytes_again(result):
    one, other = (spread_figure(result.residual_checks()) for _ in range(2))
    assert (one.svg, one.png) == (other.svg, other.png)


def test_many_answers_are_thinned_and_said_to_be():
    checks = fit_linear_mixed("rating ~ device", ratings(60, 8)).residual_checks()
    figure = spread_figure(checks)
    assert "960\xa0answers, " in figure.description
    assert "of them drawn" in figure.description
    assert len(figure.svg) < 150_000
    extreme = np.abs(checks.residuals).max()
    assert any(abs(row[1]) == pytest.approx(extreme) for row in quantiles_figure(checks).rows)


def test_a_fit_without_any_spread_between_groups_is_drawn(result):
    """No variance for clips: their effects have no standard deviation to be drawn in."""
    flat = ratings()
    flat["rating"] -= flat.groupby("clip")["rating"].transform("mean")
    checks = fit_linear_mixed("rating ~ device", flat).residual_checks()
    assert "clip" not in checks.effects
    assert "clip" not in quantiles_figure(checks).description
