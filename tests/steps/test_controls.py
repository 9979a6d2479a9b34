"""Control trials: drawn among those that count, never counted, and what they say; the binomial is scipy's."""

import json
import runpy
from datetime import UTC, datetime
from hashlib import sha256
from pathlib import Path

import numpy as np
import pytest
import soundfile
from scipy import stats as scipy_stats

from blindtest.design import Block, Controls, Protocol, make_plan
from blindtest.methods import METHODS
from blindtest.render import render
from blindtest.session import SimulatedListener, rows_of, simulate_sitting, simulated_clock
from blindtest.steps.controls import ControlsFound, controls_found, controls_words
from blindtest.study import check_study, examine, load_study, render_job

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


def one_sitting(method, controls, trials, seed):
    """Return (plan, rows) of a listener who is deaf to the difference and hears any control."""
    block = Block(id="t", phase="blind", method=method, trials=trials, controls=controls)
    protocol = Protocol(name="p", title="P", source="s", decides=("heard",), blocks=(block,))
    plan = make_plan(
        study_seal="ab" * 32, sitting=1, protocol=protocol, conditions=("a", "b"), clips=("c1", "c2"),
        nonce=sha256(f"{method}{seed}".encode()).digest(), deadline="2027-01-01T00:00:00+00:00",
    )  # fmt: skip
    rng = np.random.default_rng([seed, len(method)])
    deaf = SimulatedListener(pseudonym="L", d_prime=0.0, hears_controls=14.0, criterion=6.0)
    clock = simulated_clock(datetime(2026, 5, 6, 9, tzinfo=UTC), rng)
    sitting = simulate_sitting(plan, deaf, rng, clock)
    return plan, [row for answer in sitting.answers for row in rows_of(answer)]


CHOOSING = sorted(
    name
    for name, one in METHODS.items()
    if one.answer_kind == "choose" and one.guess_rate is not None and not one.adaptive and not one.names_all
)


@pytest.mark.parametrize("method", CHOOSING)
def test_in_every_method_of_choice_who_hears_controls_finds_them_all_and_identical_ones_by_luck(method):
    """Fourteen standard deviations are heard in every trial; identical ones come right as often as a guess does."""
    same = method != "same-different"  # half of its pairs are the same already
    plan, rows = one_sitting(method, Controls(every=1, audible="loud", inaudible=same), 80, seed=4)
    found = {one.kind: one for one in controls_found([(plan, rows)])}
    audible = found["audible"]
    assert (audible.found, audible.answered, audible.planned) == ((40, 40, 40) if same else (80, 80, 80))
    assert audible.p_value == pytest.approx(METHODS[method].guess_rate ** audible.found, rel=1e-6)
    words = controls_words(tuple(found.values()), 0.05)
    if same:
        lucky = found["inaudible"]
        low, high = scipy_stats.binom.ppf([0.0005, 0.9995], 40, METHODS[method].guess_rate)
        assert low <= lucky.found <= high
        p = scipy_stats.binomtest(lucky.found, 40, METHODS[method].guess_rate, alternative="greater").pvalue
        assert lucky.p_value == pytest.approx(p, rel=1e-9)
        assert f"found 40 of 40 audible controls and {lucky.found} of 40 identical ones" in words[0]
    else:
        assert "found 80 of 80 audible controls;" in words[0]


@pytest.mark.parametrize(
    ("written", "chain"),
    [
        ('anchor = "low"\nstages = [{ lowpass_hz = 3500 }]', ("anchor",)),
        ('decoy = true\nstages = [{ gain_db = 1.0 }]', ("gain",)),
        ('decoy = true\nstages = [{ shelf = { type = "high", frequency_hz = 3000, gain_db = -3 } }]', ("shelf",)),
    ],
)  # fmt: skip
def test_an_anchor_a_step_and_a_shelf_are_ready_controls(tmp_path, written, chain):
    """The study is right without a word of complaint, and the control is rendered and heard beside the comparator."""
    rng = np.random.default_rng(3)
    soundfile.write(tmp_path / "one.wav", 0.1 * rng.standard_normal((24_000, 2)), 48_000, subtype="PCM_24")
    (tmp_path / "study.toml").write_text(READY.replace("CONTROL", written), encoding="utf-8")
    examined = examine(tmp_path)
    assert not examined.faults
    assert not [str(note) for note in examined.notes if "never heard" in str(note)]
    study = load_study(tmp_path)
    kinds = {
        condition.id: tuple(stage.kind for stage in condition.stages) for condition in render_job(study).conditions
    }
    assert kinds["surely"] == chain
    assert {one.condition for one in render(render_job(study), tmp_path / "stimuli").stimuli} == {"a", "b", "surely"}


READY = """\
format = 1
title = "Controls"
reviewer = "R-test"
[rendering]
over = "worn"
[[condition]]
id = "a"
stages = [{ tilt_db_per_octave = -0.2 }]
[[condition]]
id = "b"
stages = []
[[condition]]
id = "surely"
CONTROL
[[clip]]
id = "one"
file = "one.wav"
[[claim]]
id = "heard"
kind = "heard"
device = "a"
comparator = "b"
[protocol]
use = "abx"
[protocol.changes]
test.controls = { audible = "surely", inaudible = true, every = 4 }
"""
