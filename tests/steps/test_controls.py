"""Control trials: drawn among those that count, never counted, and what they say; the binomial is scipy's."""

import json
import runpy
from pathlib import Path

import pytest
from scipy import stats as scipy_stats

from blindtest.session import SimulatedListener
from blindtest.steps.controls import ControlsFound, controls_words
from blindtest.study import check_study

H = runpy.run_path(str(Path(__file__).with_name("test_protocols.py")))
rendered, own = H["rendered"], H["own"]
sit, analyzed, reported, recorded, edit = (H[name] for name in ("sit", "analyzed", "reported", "recorded", "edit"))

LOUDER = """
[[condition]]
id = "louder"
decoy = true
stages = [{ response = "second" }, { gain_db = 1.0 }]

[[clip]]
"""
CLAIM = '[[claim]]\nid = "c"\nkind = "heard"\ndevice = "first"\ncomparator = "second"\n\n[protocol]'
CONTROLS = '[protocol.changes]\ntest.controls = { audible = "louder", inaudible = true, every = 2 }\n#'


@pytest.fixture
def controlled(rendered, tmp_path):
    """A study by ABX with a control for every two trials that count: 28 and 14 of them."""
    edits = (
        ("\n[[clip]]\n", LOUDER),
        ("\n[protocol]\n", f"\n{CLAIM}\n"),
        ("# [protocol.changes]  ", f"{CONTROLS} "),
    )
    return rendered("abx", tmp_path / "my-study", edits=edits)


def test_controls_are_analysed_apart_and_count_in_no_claim(controlled):
    sit(controlled, SimulatedListener(pseudonym="L-deaf", d_prime=0.0))
    said, told = analyzed(controlled)
    rows = recorded(controlled)
    kinds = {phase: [row for row in rows if row["phase"] == phase] for phase in ("practice", "control", "blind")}
    assert {phase: len(own) for phase, own in kinds.items()} == {"practice": 4, "control": 14, "blind": 28}
    conclusion = told["claims"][0]["heard"]["conclusion"]
    right = sum(row["correct"] == "true" for row in kinds["blind"])
    assert (conclusion["correct"], conclusion["trials"]) == (right, 28)
    audible, same = told["controls"]
    assert [(one["kind"], one["planned"], one["answered"]) for one in (audible, same)] == [
        ("audible", 7, 7),
        ("inaudible", 7, 7),
    ]
    for one in (audible, same):
        p = scipy_stats.binomtest(one["found"], 7, 0.5, alternative="greater").pvalue
        assert one["p_value"] == pytest.approx(p, rel=1e-9)
    # 6 standard deviations apart: a listener who is deaf to the difference hears the control all the same
    assert audible["found"] == 7
    assert audible["found"] + same["found"] == sum(row["correct"] == "true" for row in kinds["control"])
    line = f"Controls: found 7 of 7 audible controls and {same['found']} of 7 identical ones; they count in no claim."
    assert line in said
    page, _, published = reported(controlled)
    assert f"found 7 of 7 audible controls and {same['found']} of 7 identical ones" in page
    assert sum(row["phase"] == "control" for row in published) == 14


def test_the_seal_commits_to_controls(controlled):
    import sqlite3

    sit(controlled, SimulatedListener(pseudonym="L", d_prime=2.0))
    with sqlite3.connect(controlled / "study.db") as database:
        seals = [json.loads(text) for (text,) in database.execute("SELECT record FROM seals")]
    study = next(record for record in seals if record["kind"] == "study seal")
    held = {block["id"]: block.get("controls") for block in study["protocol"]["blocks"]}
    assert held == {"practice": None, "test": {"every": 2, "audible": "louder", "inaudible": True}}


@pytest.mark.parametrize(
    ("written", "problem"),
    [
        ('{ audible = "lauder", every = 2 }', "the audible control is no condition of this study"),
        ('{ audible = "second", every = 2 }', "the audible control is one of the two that are compared"),
        ("{ every = 2 }", "neither audible nor inaudible ones"),
        ("{ inaudible = true, every = 60 }", "there would be no control at all"),
        ("{ inaudible = true }", "missing"),
        ("{ inaudible = true, every = 2, loud = 1 }", "unknown key"),
    ],
)
def test_controls_that_cannot_be_are_refused(controlled, written, problem):
    edit(controlled, ('{ audible = "louder", inaudible = true, every = 2 }', written))
    assert any(problem in fault.problem for fault in check_study(controlled)), check_study(controlled)


def found(kind, right, answered, p):
    return ControlsFound(
        block="test", kind=kind, method="abx", found=right, answered=answered, planned=10, guess_rate=0.5, p_value=p
    )


def test_what_makes_a_reader_think_twice_is_said():
    fine = controls_words((found("audible", 10, 10, 0.001), found("inaudible", 5, 10, 0.62)), 0.05)
    assert fine == ["Controls: found 10 of 10 audible controls and 5 of 10 identical ones; they count in no claim."]
    unable = controls_words((found("audible", 6, 10, 0.38),), 0.05)
    assert "unable to show anything" in unable[1]
    leaking = controls_words((found("inaudible", 10, 10, 0.001),), 0.05)
    assert "something besides the sound" in leaking[1]
