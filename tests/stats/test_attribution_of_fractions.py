"""Fractions of a factorial, held against statsmodels' least squares; and simulated studies against the truth.

The reference table tests/references/stats/attribution_error_rates.csv is written by simulate_attribution.py, which
names its seeds; rates are held against alpha and against what `check` promises, within their Monte Carlo error.
"""

import csv
import runpy
from pathlib import Path

import numpy as np
import pytest
import statsmodels.formula.api as smf
from scipy.stats import norm

from blindtest.design import factorial
from blindtest.errors import BlindtestError
from blindtest.stats import attribution, table_of
from blindtest.study import stage_reach

HERE = Path(__file__).parent
RATES = HERE.parent / "references" / "stats" / "attribution_error_rates.csv"
HALF = factorial(("a", "b", "c", "d"), 1)


def ratings(rng, *, clips=4, repeats=2, together=0.0):
    """Return one listener's ratings of half of four stages: a does 10 points, d -6, b and c together `together`."""
    rows = []
    for clip in range(clips):
        for run in HALF.runs:
            on = dict(zip(HALF.factors, run, strict=True))
            for _ in range(repeats):
                value = 50 + 2 * clip + 10 * on["a"] - 6 * on["d"] + together * (on["b"] == on["c"]) + rng.normal(0, 5)
                words = {name: "on" if x else "off" for name, x in on.items()}
                rows.append({"listener": "L", "clip": f"c{clip}", "rating": float(value), **words})
    return table_of(rows, ("listener", "clip", "rating", *HALF.factors))


def test_half_of_four_is_what_least_squares_find():
    table = ratings(np.random.default_rng(3))
    products = [group[0] for group in HALF.pairs]
    found = attribution(table, margin=4.0, interactions=products)
    coded = table.assign(**{name: np.where(table[name] == "on", 0.5, -0.5) for name in HALF.factors})
    own = smf.ols("rating ~ a + b + c + d + a:b + a:c + a:d + C(clip)", coded).fit()
    for one in (*found.stages, *found.interactions):
        term = one.name.replace(" x ", ":")
        assert one.effect.estimate == pytest.approx(own.params[term])
        assert one.effect.interval == pytest.approx(tuple(own.conf_int().loc[term]), rel=1e-6)
        assert one.p_value == pytest.approx(own.pvalues[term], abs=1e-9)
    assert [one.name for one in found.interactions] == ["a x b", "a x c", "a x d"]


def test_what_stands_together_is_one_number():
    """b and c together act as their alias a x d does: AD = BC."""
    table = ratings(np.random.default_rng(4), together=12.0)
    alias = attribution(table, margin=4.0, interactions=[("a", "d")]).stage("a x d")
    named = attribution(table, margin=4.0, interactions=[("b", "c")]).stage("b x c")
    assert alias.effect.estimate == pytest.approx(named.effect.estimate)
    assert alias.effect.estimate == pytest.approx(24.0, abs=5)
    with pytest.raises(BlindtestError, match="can't be told from the rest"):
        attribution(table, margin=4.0, interactions=[("a", "d"), ("b", "c")])
    with pytest.raises(ValueError, match="no stage"):
        attribution(table, margin=4.0, interactions=[("a", "z")])


def test_why_ratings_and_not_pairs():
    """The variances that guide/attribution.md names, in units of the variance of a rating: Fisher information at 0.

    A choice of two with normal scatter s each: P = Phi(d / (s sqrt 2)), so one pair tells d with variance
    P (1 - P) / (dP/dd)^2 (Thurstone's case V).
    """
    full = factorial(("a", "b", "c"))
    coded = np.where(np.array(full.runs), 0.5, -0.5)
    by_ratings = np.linalg.inv(coded.T @ coded)
    pair = 0.25 / (norm.pdf(0) / np.sqrt(2)) ** 2
    assert pair == pytest.approx(np.pi)
    one_at_a_time = np.vstack([np.eye(3), np.eye(3), np.eye(3), np.eye(3)]) * np.sqrt(4 / 12)  # four pairs, shared
    mirrored = coded[:4] - coded[:3:-1]  # everything that is on in one is off in the other
    assert np.array_equal(np.abs(mirrored), np.ones((4, 3)))
    assert np.diag(by_ratings) == pytest.approx(0.5)
    assert np.diag(pair * np.linalg.inv(one_at_a_time.T @ one_at_a_time)) == pytest.approx(2.36, abs=0.005)
    assert np.diag(pair * np.linalg.inv(mirrored.T @ mirrored)) == pytest.approx(0.79, abs=0.006)
    text = (HERE.parents[1] / "blindtest" / "guide" / "attribution.md").read_text(encoding="utf-8")
    assert all(number in text for number in ("0.5", "2.36", "0.79"))


def rows():
    with RATES.open(encoding="utf-8") as stream:
        return [
            {key: value if key == "design" else float(value) for key, value in row.items()}
            for row in csv.DictReader(stream)
        ]


SIMULATED = runpy.run_path(str(HERE / "simulate_attribution.py"))


def test_simulated_studies_end_as_the_truth_and_the_plan_say():
    table = rows()
    assert {row["design"] for row in table} <= set(SIMULATED["DESIGNS"])
    assert len(table) == 2 * len({row["design"] for row in table}) >= 4
    for row in table:
        error = 3 * (0.05 * 0.95 / row["studies"]) ** 0.5
        listeners, clips, stages, halvings = SIMULATED["DESIGNS"][row["design"]]
        made = factorial(stages, halvings)
        plan = stage_reach(
            listeners=listeners,
            clips=clips,
            repeats=SIMULATED["REPEATS"].get(row["design"], 1),
            combinations=len(made.runs),
            stages=len(stages),
            products=len(made.pairs),
            margin=SIMULATED["MARGIN"],
        )
        # Stages that do nothing are called heard in at most 5 % of studies, all of them together.
        assert row["false_heard"] <= 0.05 + error
        assert row["covered"] >= 0.95 - error
        assert row["shown"] + row["wrong_side"] + row["negligible"] + row["open"] == pytest.approx(1)
        spread = 3 * (0.25 / row["studies"]) ** 0.5
        if row["effect"]:
            assert row["wrong_side"] <= 0.01
            assert row["negligible"] <= 0.05 + error
            # Promised are the chances of the strictest level: what comes out may be better.
            assert row["shown"] >= plan.chance_shown - spread
        else:
            assert row["shown"] + row["wrong_side"] <= 0.05 + error
            assert row["negligible_of_nothing"] >= plan.chance_negligible - spread


@pytest.mark.long
def test_the_table_is_what_the_script_makes():
    name = "one listener, 5 clips, 2^3, 4 times"
    (row,) = (row for row in rows() if row["design"] == name and row["effect"] == 8.0)
    made = SIMULATED["rates"](name, 8.0, int(row["studies"]), int(row["seed"]))
    assert made == pytest.approx(row)
