"""A claim that one keeps people listening, from `new` to the report; numbers are scipy's of the rows published.

Simulated listeners sit in front of the page, as in test_protocols.py, whose helpers are used.
"""

import json
import runpy
import sqlite3
from pathlib import Path

import pytest
from scipy.stats import binomtest

from blindtest import steps
from blindtest.session import Liking, SimulatedListener

H = runpy.run_path(str(Path(__file__).with_name("test_protocols.py")))
rendered, own = H["rendered"], H["own"]
sit, analyzed, reported, recorded = (H[name] for name in ("sit", "analyzed", "reported", "recorded"))


def liking(first, name="L-likes"):
    return SimulatedListener(pseudonym=name, liking=Liking(utility={"first": first, "second": 0.0}))


def picked(folder):
    """Return for each counted track whether the first was chosen, from the rows alone."""
    rows = [row for row in recorded(folder) if row["phase"] == "blind" and row["slot"] == "choice"]
    return [dict(part.split("=") for part in row["order"].split("|"))[row["response"]] == "first" for row in rows]


@pytest.mark.parametrize(("utility", "word"), [(3.0, "shown"), (-3.0, "refuted")])
def test_choices_with_a_consequence_decide(own, utility, word):
    """Two-sided exact binomial test against 1/2, by scipy."""
    folder = own("free-listening")
    sit(folder, liking(utility))
    said, told = analyzed(folder)
    chosen = picked(folder)
    assert len(chosen) == 20
    claim = told["claims"][0]
    assert (claim["kind"], claim["word"]) == ("keeps listening", word)
    assert claim["p_value"] == pytest.approx(binomtest(sum(chosen), 20).pvalue, rel=1e-9)
    found = claim["listened"]
    assert (found["choice"]["pooled"]["chosen"], found["choice"]["pooled"]["tracks"]) == (sum(chosen), 20)
    assert found["dwell"]["word"] in ("shown", "refuted", "negligible", "open")
    assert found["skips"]["sentence"]
    assert len(found["cannot_tell"]) == 8
    assert "Claim: first keeps people listening more than second." in said
    assert "What dwell can’t tell" in said
    page, block, _ = reported(folder)
    assert "It shows that the sound moves what people do, not why" in page
    assert 'id="figure-listened"' in page
    told_in = {"shown": "first was shown to be chosen to play on", "refuted": "second is chosen to play on more often"}
    assert told_in[word] in block
    assert f"{sum(chosen)} of 20" in block.replace("\u00a0", " ")


def test_the_sealed_plan_says_how_often_it_ends_how(own):
    """Exact: 15 of 20 and more at a probability of .8, 5 and fewer at .2, 8 to 12 at .5 (scipy's binomial)."""
    from scipy.stats import binom

    folder = own("free-listening")
    sit(folder, liking(0.0))
    plan = analyzed(folder)[1]["claims"][0]["listened"]["plan"]
    assert plan["more"]["shown"] == pytest.approx(binom.sf(14, 20, 0.8), rel=1e-9)
    assert plan["less"]["refuted"] == pytest.approx(binom.cdf(5, 20, 0.2), rel=1e-9)
    assert plan["alike"]["negligible"] == pytest.approx(binom.cdf(12, 20, 0.5) - binom.cdf(7, 20, 0.5), rel=1e-9)


def test_tracks_that_nobody_heard_count_against_the_conclusion(own):

    folder = own("free-listening")
    sit(folder, liking(6.0), stop_after=16)
    steps.abandon(folder, clock=lambda: H["day"](1))
    chosen = picked(folder)
    choice = analyzed(folder)[1]["claims"][0]["listened"]["choice"]
    assert (choice["pooled"]["tracks"], choice["pooled"]["without_choice"]) == (15, 5)
    # One-sided: those without a choice count as chosen for the other.
    expected = binomtest(sum(chosen), 20, alternative="greater").pvalue
    assert choice["pooled"]["p_claimed"] == pytest.approx(expected, rel=1e-9)


@pytest.mark.parametrize("slot", ["played", "ended"])
def test_rows_that_came_once_the_rest_was_over_are_verified_too(own, slot):
    """How the rest of a track went joins the chain after its choice: it holds as recorded, and breaks where it was
    changed afterwards."""
    folder = own("free-listening")
    sit(folder, liking(1.0))
    slots = [row["slot"] for row in recorded(folder)]
    assert slots.index("choice") < slots.index("played") < slots.index("ended"), "later in the chain than the choice"
    assert slots.count("ended") == slots.count("choice") == 21, "practice among them"
    verified = steps.verify(folder)
    assert (verified.ok, verified.grade) == (True, "consistent")
    with sqlite3.connect(folder / "study.db") as database:
        triggers = database.execute("SELECT name, sql FROM sqlite_master WHERE type = 'trigger'").fetchall()
        for name, _ in triggers:
            database.execute(f"DROP TRIGGER {name}")
        found = database.execute("SELECT position, row FROM content ORDER BY position DESC").fetchall()
        position, text = next((place, row) for place, row in found if json.loads(row)["slot"] == slot)
        row = json.loads(text)
        row["response"] = 0.5 if slot == "played" else {"over": "skipped"}.get(row["response"], "over")
        database.execute("UPDATE content SET row = ? WHERE position = ?", (json.dumps(row), position))
        for _, sql in triggers:
            database.execute(sql)
    broken = steps.verify(folder)
    assert (broken.ok, broken.grade) == (False, "broken")
