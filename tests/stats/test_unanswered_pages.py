"""Planned pages that nobody answered, against whichever conclusion is drawn about a stage."""

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from blindtest.stats import attribution
from blindtest.stats.unanswered_pages import against, with_missing
from blindtest.steps.answers.stage import LEFT_OUT, stage_answers

CELLS = {f"c@a{'+' if a else '-'}b{'+' if b else '-'}": {"a": a, "b": b} for a in (False, True) for b in (False, True)}


def ratings(effect, listeners=12, clips=3, seed=1):
    rng = np.random.default_rng(seed)
    rows = []
    for listener in range(listeners):
        own = effect + rng.normal(0, 2)
        for clip in range(clips):
            for name, on in CELLS.items():
                value = 60 + own * (0.5 if on["a"] else -0.5) + rng.normal(0, 4)
                rows.append((f"L{listener}", f"k{clip}", name, value))
    return pd.DataFrame(rows, columns=["listener", "clip", "condition", "rating"])


def columns(table):
    held = table[["listener", "clip", "rating"]].copy()
    for stage in ("a", "b"):
        held[stage] = ["on" if CELLS[name][stage] else "off" for name in table["condition"]]
    return held


def test_what_missing_pages_stand_for():
    assert against("shown", 8) == (-8,)
    assert against("refuted", 8) == (8,)
    assert against("negligible", 8) == (16, -16)
    assert against("open", 8) == ()


def test_a_missing_page_has_the_effect_it_stands_for_and_no_other():
    """By hand: the contrast of a page is the effect, that of the other stage nothing, its mean the listener's own."""
    table = columns(ratings(10.0))
    missing = [
        {"listener": "L3", "clip": "k9", **{stage: "on" if on[stage] else "off" for stage in ("a", "b")}}
        for on in CELLS.values()
    ]
    page = with_missing(table, missing, stage="a", effect=-6.0).iloc[len(table) :]
    contrast = {s: page[page[s] == "on"].rating.mean() - page[page[s] == "off"].rating.mean() for s in ("a", "b")}
    assert contrast == pytest.approx({"a": -6.0, "b": 0.0})
    assert page.rating.mean() == pytest.approx(table[table.listener == "L3"].rating.mean())
    nobody = with_missing(table, [{**missing[0], "listener": "L99"}], stage="a", effect=0.0).iloc[-1]
    assert nobody.rating == pytest.approx(table.rating.mean())
    assert with_missing(table, [], stage="a", effect=5.0) is table


def sitting(listener, table, pages):
    """Stand in for a sitting of `pages` planned pages (a clip each), of which those in `table` were answered."""
    own = table[table.listener == listener]
    clips = list(dict.fromkeys(own["clip"]))
    rows = tuple(
        {"trial": clips.index(row.clip), "clip": row.clip, "condition": row.condition, "response": row.rating}
        for row in own.itertuples()
    )
    slots = tuple(SimpleNamespace(condition=name) for name in CELLS)
    return SimpleNamespace(
        entry=SimpleNamespace(listener=listener, number=1, state="finished"),
        locked=False,
        of_claim=lambda claim: rows,
        planned_for=lambda claim: range(pages),
        unanswered_for=lambda claim: pages - len(clips),
        plan=SimpleNamespace(
            trial=lambda number: SimpleNamespace(clip=f"k{number}", drawn=SimpleNamespace(slots=slots))
        ),
    )


def answers(effect, missing_pages, said="either", rule="unanswered pages count against whichever conclusion is drawn"):
    table = ratings(effect)
    claim = {
        "device": "c", "stage": "a", "effect": said, "margin": 8.0, "only_these_clips": False, "blocks": ["rated"],
        "clips": ["k0", "k1", "k2"],
    }  # fmt: skip
    sealed = {"stages": ["a", "b"], "combinations": CELLS, "products": [["a x b"]], "confounded": []}
    record = {
        "factorials": {"c": sealed},
        "analysis": {"stage": rule},
        "listeners": 12,
        "protocol": {"blocks": [{"id": "rated", "method": "rating", "numbers": {}, "sittings": 1}]},
    }
    sittings = [sitting(name, table, 3 + missing_pages) for name in dict.fromkeys(table.listener)]
    return stage_answers(claim, sittings, record, 0.05), attribution(columns(table), stages=["a", "b"], margin=8.0)


@pytest.mark.parametrize(("effect", "alone"), [(12.0, "shown"), (-12.0, "refuted"), (0.0, "negligible")])
def test_a_conclusion_survives_few_missing_pages_and_not_many(effect, alone):
    whole, known = answers(effect, 0)
    few, _ = answers(effect, 1)
    many, _ = answers(effect, 9)
    claimed = "shown" if alone == "refuted" else alone  # it is heard, whichever way
    assert known.stage("a").word == alone
    assert (whole.word, whole.counted, whole.unanswered) == (claimed, None, 0)
    assert (few.unanswered, many.unanswered) == (12, 108)
    assert many.word == "open"
    assert many.word_if_answered_only == claimed
    assert many.to_dict()["word_if_answered_only"] == claimed
    assert few.word in (claimed, "open")
    if alone == "shown":
        assert few.word == "shown"  # 12 points on three of four pages and -8 on the fourth: 7 points still


def test_studies_sealed_under_the_old_rule_keep_it():
    old, _ = answers(12.0, 9, rule=f"...; {LEFT_OUT}")
    assert (old.word, old.counted) == ("shown", None)
    lowers, _ = answers(-12.0, 1, said="lowers")
    assert lowers.word_if_answered_only == "shown"
