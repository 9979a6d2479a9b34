"""Facts of a claim about ratings: single units and what was worn by hand, words and numbers as the result has them."""

from dataclasses import replace
from math import inf, nan
from types import SimpleNamespace

import pandas as pd
import pytest

from blindtest.report import RatedFacts
from blindtest.report.rating_facts import Effect, MixedFacts, Repeated
from blindtest.stats import survival


def rows(listener, sitting, mode, heron, plover, clip="drums"):
    """Return one page: both devices rated on one clip."""
    page = {"listener": listener, "sitting": sitting, "mode": mode, "clip": clip}
    return [{**page, "device": "heron", "rating": heron}, {**page, "device": "plover", "rating": plover}]


def concluded(*pages):
    """Return the table of pages and what the statistics say of it."""
    table = pd.DataFrame([row for page in pages for row in page])
    return table, survival(table, device="heron", comparator="plover", margin=8.0, mixed_model=False)


PANEL = (
    rows("L1", 1, "labelled", 60.0, 40.0), rows("L1", 2, "blind", 55.0, 50.0),
    rows("L2", 3, "labelled", 70.0, 40.0), rows("L2", 4, "blind", 53.0, 45.0),
    rows("L3", 5, "labelled", 50.0, 40.0), rows("L3", 6, "blind", 45.0, 50.0),
)  # fmt: skip
WORN = (rows("L1", 7, "worn", 70.0, 60.0), rows("L2", 8, "worn", 61.0, 60.0), rows("L3", 9, "worn", 80.0, 60.0))


def test_units_of_a_panel_are_its_listeners():
    table, result = concluded(*PANEL, *WORN)
    facts = RatedFacts.of(result, table=table)
    assert facts.unit == "listener"
    assert [(one.name, one.labelled, one.blind) for one in facts.units] == [
        ("L1", 20.0, 5.0),
        ("L2", 30.0, 8.0),
        ("L3", 10.0, -5.0),
    ]
    assert facts.labelled.estimate == pytest.approx(20)
    assert facts.blind.estimate == pytest.approx(8 / 3)
    # As worn: 10, 1 and 20 points, with the means and limits of the other effects.
    assert facts.worn.estimate == pytest.approx(31 / 3)
    assert RatedFacts.of(result).units == ()
    assert RatedFacts.of(result).worn is None
    given = Effect(estimate=3.0, interval=(1.0, 5.0))
    assert RatedFacts.of(result, table=table, worn=given).worn == given


def test_units_of_one_listener_are_sittings_in_their_mode():
    table, result = concluded(
        rows("L1", 1, "labelled", 60.0, 40.0), rows("L1", 2, "labelled", 64.0, 40.0),
        rows("L1", 3, "blind", 50.0, 49.0), rows("L1", 4, "blind", 50.0, 47.0),
    )  # fmt: skip
    facts = RatedFacts.of(result, table=table)
    assert facts.unit == "sitting"
    assert [(one.name, one.labelled, one.blind) for one in facts.units] == [
        ("sitting 1", 20.0, None),
        ("sitting 2", 24.0, None),
        ("sitting 3", None, 1.0),
        ("sitting 4", None, 3.0),
    ]
    assert facts.worn is None, "nothing was rated as worn"
    worn_alone = [row for row in rows("L1", 5, "worn", 70.0, 60.0) if row["device"] == "heron"]
    alone = pd.concat([table, pd.DataFrame(worn_alone)], ignore_index=True)
    assert RatedFacts.of(result, table=alone).worn is None, "of the two only one was worn"


def repeat(verdict, margin=0.2):
    """Return another scale that ends in `verdict`."""
    return SimpleNamespace(
        name="signs", verdict=verdict, remaining=(verdict,), labelled=None, blind=None, margin=margin, scale="shares",
        why_not="",
    )  # fmt: skip


@pytest.mark.parametrize(
    ("verdict", "reason", "remaining", "contradicts"),
    [
        ("undecided", "depends on the use of the scale", ("vanishes", "shrinks"), (False, True, False)),
        ("undecided", "depends on the use of the scale", ("vanishes",), (False, False, False)),
        ("undecided", "too few ratings", ("vanishes", "shrinks"), (False, False, False)),
        ("vanishes", "depends on the use of the scale", ("vanishes", "shrinks"), (False, False, False)),
    ],
)
def test_a_repeat_contradicts_where_the_verdict_hangs_on_the_scale(verdict, reason, remaining, contradicts):
    """The points leave `vanishes`: of repeats that end in it, in another state and in none, the second contradicts."""
    _, result = concluded(*PANEL)
    rejections = tuple(replace(one, rejected=one.state != "vanishes") for one in result.rejections)
    others = (repeat("vanishes"), repeat("shrinks"), repeat("undecided"))
    result = replace(
        result, verdict=verdict, reason=reason, remaining=remaining, rejections=rejections, other_scales=others
    )
    facts = RatedFacts.of(result)
    assert tuple(one.contradicts for one in facts.repeats) == contradicts
    assert facts.contradicted == tuple(one for one in facts.repeats if one.contradicts)


def test_where_points_leave_several_states_any_other_end_contradicts():
    _, result = concluded(*PANEL)
    rejections = tuple(replace(one, rejected=False) for one in result.rejections)
    result = replace(
        result, verdict="undecided", reason="depends on the use of the scale", remaining=("vanishes", "shrinks"),
        rejections=rejections, other_scales=(repeat("vanishes"),),
    )  # fmt: skip
    assert [one.contradicts for one in RatedFacts.of(result).repeats] == [True]


def test_what_was_not_rated_or_has_no_margin_is_none():
    assert Effect.of(None) is None
    nothing = SimpleNamespace(
        estimate=nan, interval=(-inf, inf), level=0.95, lower_limit=nan, upper_limit=nan, std_error=nan, df=nan
    )
    assert Effect.of(nothing) is None
    assert Repeated.of(repeat("vanishes", margin=nan)).margin is None
    assert Repeated.of(repeat("vanishes", margin=0.25)).margin == 0.25


def test_a_mixed_model_tells_effects_where_it_was_fitted():
    fit = SimpleNamespace(
        fitted=True, why_not="", model="rating ~ device * mode", source="REML", converged=True, remarks=("crossed",),
        labelled=20.0, labelled_interval=(10.0, 30.0), blind=3.0, blind_interval=(-4.0, 10.0), difference=-17.0,
        difference_interval=(-26.0, -8.0), level=0.9,
    )  # fmt: skip
    facts = MixedFacts.of(fit)
    assert facts.blind == Effect(estimate=3.0, interval=(-4.0, 10.0), level=0.9)
    assert (facts.labelled.estimate, facts.difference.interval, facts.remarks) == (20.0, (-26.0, -8.0), ("crossed",))
    fit.fitted, fit.why_not = False, "one clip"
    unfitted = MixedFacts.of(fit)
    assert (unfitted.labelled, unfitted.blind, unfitted.difference, unfitted.why_not) == (None, None, None, "one clip")
