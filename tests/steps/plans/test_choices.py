"""Two-sided plans of 2-AFC and 3-AFC: numbers and chances against scipy's binomial and the normal distribution."""

import json
from importlib.resources import files
from math import sqrt

import pytest
from scipy.stats import binom, norm

from blindtest import steps
from blindtest.errors import WrongUse


def test_both_sides_of_a_plan_of_2afc():
    shown = steps.planned("2afc", trials=40, d_prime=1.0)
    plan = shown.to_dict()["plan"]
    # Two-sided at .05: the smallest count whose upper tail is .025 or less, and its mirror image.
    least = next(k for k in range(41) if binom.sf(k - 1, 40, 0.5) <= 0.025)
    assert (plan["critical_number"], plan["refuting_number"]) == (least, 40 - least) == (27, 13)
    # Two observations of unit scatter a d' apart: right with probability Phi(d'/sqrt 2) (Green & Swets 1966).
    right = norm.cdf(1 / sqrt(2))
    assert plan["chance_shown"] == pytest.approx(binom.sf(least - 1, 40, right), rel=1e-9)
    assert plan["chance_refuted"] == pytest.approx(plan["chance_shown"], rel=1e-9)
    low, high = plan["negligible_numbers"]
    near = binom.cdf(high, 40, 0.5) - binom.cdf(low - 1, 40, 0.5)
    assert plan["chance_negligible"] == pytest.approx(near, rel=1e-9)
    assert binom.cdf(high, 40, right) <= 0.05 < binom.cdf(high + 1, 40, right)
    assert shown.curves.planned == 40


def test_a_sealed_direction_takes_the_whole_of_alpha_on_one_side():
    plan = steps.planned("2afc", trials=40, d_prime=1.0, one_sided=True).to_dict()["plan"]
    assert plan["critical_number"] == next(k for k in range(41) if binom.sf(k - 1, 40, 0.5) <= 0.05) == 26


def test_what_is_printed_keeps_to_the_schema_and_what_is_needless_is_refused():
    from jsonschema import Draft202012Validator

    schema = json.loads(files("blindtest.cli").joinpath("results.schema.json").read_text(encoding="utf-8"))
    said = {"schema_version": 1, "command": "power", **steps.planned("3afc", minutes=20.0, d_prime=1.5).to_dict()}
    Draft202012Validator(schema).validate(json.loads(json.dumps(said, allow_nan=False)))
    for asked, problem in (
        ({"margin": 0.3}, "--margin: a plan of the method 2afc with --d-prime has no use for this"),
        ({"d_prime": 7.0}, "--d-prime: the margin is out of range, got 7"),
        ({"trials": 20, "minutes": 20.0}, "--trials and --minutes exclude each other"),
    ):
        with pytest.raises(WrongUse, match=problem):
            steps.planned("2afc", **{"d_prime": 1.0, **asked})
