"""Figures of claims about an attribute, about what plays on and about thresholds: what is drawn is what was found."""

import math
import os
from dataclasses import replace
from pathlib import Path

import pandas as pd
import pytest

from blindtest.report import (
    AttributeFacts,
    AttributeListenerFacts,
    ClaimFacts,
    ClaimResult,
    ListenedFacts,
    ThresholdFacts,
)
from blindtest.report.choice_figures import attribute_figure, listened_figure
from blindtest.report.interval_rows import IntervalRow, interval_figure
from blindtest.report.threshold_figures import threshold_figure, tracks_figure
from blindtest.stats import choice_test, conclude_attribute, conclude_threshold

FIGURES = (attribute_figure, listened_figure, threshold_figure, tracks_figure)


@pytest.fixture
def drawn(make_report):
    """Return the figures of a report whose only claim is this."""

    def draw(kind, *, margin, **ended):
        report = make_report()
        a, b = report.compared
        claim = ClaimFacts(id="c", kind=kind, device=a, comparator=b, attribute="bass", margin=margin)
        claims = (ClaimResult(claim=claim, **ended),)
        told = replace(report, claims=claims, results=None, plan=None)
        made = {one.name: one for figure in FIGURES if (one := figure(told)) is not None}
        if folder := os.environ.get("LOOK_AT"):
            for figure in made.values():
                Path(folder, f"{kind}-{figure.name}.png").write_bytes(figure.png)
        return made

    return draw


def test_more_of_an_attribute_in_d_prime(drawn):
    """At 24 of 24 right d' is infinite (pc = 1): the bar runs to the edge, and the table says so."""
    own = [conclude_attribute(n, 24, method="2afc", margin=1.0) for n in (24, 18)]
    listeners = tuple(AttributeListenerFacts(who=f"L{k}", conclusion=one) for k, one in enumerate(own))
    facts = AttributeFacts(conclusion=conclude_attribute(42, 48, method="2afc", margin=1.0), listeners=listeners)
    figure = drawn("attribute", attribute=facts, margin=1.0)["attribute"]
    assert [row[:2] for row in figure.rows] == [("L0", "24 of 24"), ("L1", "18 of 24"), ("all answers", "42 of 48")]
    assert figure.rows[0][2] == figure.rows[0][4] == "infinite"
    # methods 9.2, check value 17: d' of 2-AFC at .75 right is .9539.
    assert figure.rows[1][2] == pytest.approx(0.9539, abs=1e-4)
    assert "counts as negligible" in figure.description
    assert "<title" in figure.svg
    assert "nan" not in figure.svg.lower()


def test_what_plays_on(drawn):
    rows = [
        {"listener": who, "sitting": who, "track": f"t{k}", "order": "1=heron|2=plover", "chosen": name}
        for who, picks in (("a", 8), ("b", 5))
        for k in range(10)
        for name in ["heron" if k < picks else "plover"]
    ]
    choice = choice_test(pd.DataFrame(rows), device="heron", margin=0.3)
    figure = drawn("keeps listening", listened=ListenedFacts(choice=choice), margin=0.3)["listened"]
    assert [row[1] for row in figure.rows] == ["8 of 10", "5 of 10", "13 of 20"]
    assert [row[2] for row in figure.rows] == pytest.approx([0.8, 0.5, 0.65])
    assert figure.rows[-1][0] == "listeners' mean"


def test_thresholds_and_tracks(drawn):
    levels = [4, 4, 3, 3, 2, 2, 1, 1.5, 1, 1.5, 1, 1.5, 2, 1.5, 1, 0.5, 1, 1.5, 1, 1.5]
    right = [True, True, True, True, True, True, False, True] + [False, True, False, True] * 3
    table = pd.DataFrame(
        [
            {"listener": who, "track": f"{who}1", "clip": "c", "level": level, "correct": ok}
            for who in ("a", "b")
            for level, ok in zip(levels, right, strict=True)
        ]
    )
    found = conclude_threshold(table, guess=1 / 3, margin=2.0, staircases=False)
    made = drawn("threshold", threshold=ThresholdFacts(conclusion=found, trials=table), margin=2.0)
    assert [row[0] for row in made["threshold"].rows] == ["a", "b", "mean"]
    assert made["threshold"].rows[-1][2] == pytest.approx(found.estimate)
    assert len(made["tracks"].rows) == 40
    assert made["tracks"].rows[6] == ("a, a1", 7, 1.0, "wrong")
    assert "claimed 2" in made["tracks"].svg


def test_a_row_without_an_estimate_is_said_in_words():
    rows = [IntervalRow(who="a", estimate=math.nan, interval=(math.nan, math.nan), note="0 of 0")]
    figure = interval_figure("x", "T", "axis", rows, [(0.0, "nothing", False)], "End.")
    assert figure.rows == (("a", "0 of 0", "", "", ""),)
    assert figure.description == "a: 0 of 0, no estimate. End."
