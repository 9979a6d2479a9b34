"""Which stage is heard, from `new` to the report: a chain's stages switched on and off, simulated listeners, the truth.

What comes out is held against ordinary arithmetic on the rows that the report publishes: the contrast of a stage is the
mean of the ratings with it minus that without it (NIST/SEMATECH e-Handbook of Statistical Methods, 5.3.3; Box, Hunter
and Hunter, Statistics for Experimenters: both from memory).
"""

import json
import runpy
import sqlite3
from pathlib import Path

import numpy as np
import pytest

from blindtest import steps
from blindtest.cli.commands import main
from blindtest.session import Opinion, SimulatedListener
from blindtest.study import load_study

P = runpy.run_path(str(Path(__file__).parent / "test_protocols.py"))
EFFECTS = {"response": 1.0, "hump": -22.0}
LISTENERS = 10
BASE = 70.0


def qualities(folder, effects):
    """Return what each condition is worth: the chain with nothing on at BASE, each stage adding its own."""
    found = {"low-anchor": 15.0}
    for cells in load_study(folder).factorials.values():
        for cell in cells:
            found[cell.id] = BASE + sum(effects[name] for name, on in cell.switches if on)
    return found


@pytest.fixture(scope="module")
def own(tmp_path_factory, fill_in_protocol):
    folder = tmp_path_factory.mktemp("attribution") / "my-study"
    main(["new", str(folder), "--protocol", "attribution", "--quiet"], standalone_mode=False)
    other = '\n[[claim]]\nid = "voiced"\nkind = "stage"\ndevice = "first"\nstage = "response"\n\n\n[protocol]'
    fill_in_protocol(folder, planned=LISTENERS, edits=(("\n[protocol]", other), ("# margin = 8 ", "margin = 12 ")))
    text = (folder / "study.toml").read_text()
    (folder / "study.toml").write_text(text.replace('stage = "response"\n', 'stage = "response"\nmargin = 12\n'))
    checked = steps.check(folder)
    assert not checked.faults, "\n".join(map(str, checked.faults))
    assert "4 renderings, all combinations of response, hump" in " ".join(checked.notes)
    P["held"](("check", checked))
    steps.render(folder)
    worth = qualities(folder, EFFECTS)
    for number in range(LISTENERS):
        rng = np.random.default_rng([5, number])
        own = {name: rng.normal(0, 2) for name in EFFECTS}
        mine = {name: value + rng.normal(0, 1) for name, value in worth.items()}
        for name in worth:
            mine[name] += sum(own[stage] for stage in EFFECTS if f"{stage}+" in name)
        opinion = Opinion(quality=mine, residual=6.0)
        P["sit"](folder, SimulatedListener(pseudonym=f"L-{number}", opinion=opinion), seed=number)
    return folder


def contrasts(rows, stage):
    """Return each listener's mean with a stage on minus that with it off, from the published rows alone."""
    by = {}
    for row in rows:
        if row["phase"] == "blind" and "@" in row["condition"]:
            on = f"{stage}+" in row["condition"]
            by.setdefault(row["listener"], {}).setdefault(on, []).append(float(row["response"]))
    return np.array([np.mean(one[True]) - np.mean(one[False]) for one in by.values()])


def test_each_stage_is_worked_again_from_the_rows(own):
    said, told = P["analyzed"](own)
    page, block, rows = P["reported"](own)
    assert [claim["staged"]["stage"] for claim in told["claims"]] == ["hump", "response"]
    for claim in told["claims"]:
        found = claim["staged"]
        stage = next(one for one in found["result"]["stages"] if one["name"] == found["stage"])
        own_means = contrasts(rows, found["stage"])
        assert len(own_means) == LISTENERS
        # Balanced: the estimate of the mixed model is the mean of contrasts, whatever the variances.
        assert stage["effect"]["estimate"] == pytest.approx(own_means.mean(), abs=1e-6)
        assert abs(stage["effect"]["estimate"] - EFFECTS[found["stage"]]) < 4
    words = {claim["staged"]["stage"]: claim["word"] for claim in told["claims"]}
    assert words == {"hump": "shown", "response": "negligible"}
    assert "heard, lowers ratings" in said
    assert "Which stage of first is heard" in page
    assert "negligible: within the margin" in page
    assert "hump" in block


def test_the_seal_holds_the_combinations_and_their_aliases(own):
    with sqlite3.connect(own / "study.db") as database:
        records = [json.loads(text) for (text,) in database.execute("SELECT record FROM seals")]
    study = next(record for record in records if record["kind"] == "study seal")
    sealed = study["factorials"]["first"]
    assert sealed["combinations"] == {
        "first@response-hump-": {"response": False, "hump": False},
        "first@response+hump-": {"response": True, "hump": False},
        "first@response-hump+": {"response": False, "hump": True},
        "first@response+hump+": {"response": True, "hump": True},
    }
    assert sealed["products"] == [["response x hump"]]
    assert sealed["confounded"] == []
    assert "Holm" in study["analysis"]["stage"]
    assert set(study["compared"]["rated"]) == {*sealed["combinations"], "low-anchor"}


def test_a_combination_lacks_the_stages_that_are_off(own):
    made = {one.id: one for one in load_study(own).conditions}
    assert made["first@response-hump-"].stages == ()
    assert [one.response for one in made["first@response+hump-"].stages] == ["first"]
    assert [one.hump is not None for one in made["first@response-hump+"].stages] == [True]
    assert len(made["first@response+hump+"].stages) == 2
