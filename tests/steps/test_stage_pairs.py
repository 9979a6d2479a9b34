"""Stages compared two at a time, from the study file to the report, by simulated listeners whose truth is known."""

import runpy
from pathlib import Path

import numpy as np
import pytest

from blindtest import steps
from blindtest.session import Liking, SimulatedListener
from blindtest.study import check_study, load_study
from blindtest.study.comparing import compared_by_block

HERE = Path(__file__).parent
P = runpy.run_path(str(HERE / "test_protocols.py"))
F = runpy.run_path(str(HERE.parent / "study" / "conftest.py"))
CHAIN = """
[[condition]]
id = "chain"
stages = [{ hump = { frequency_hz = 3000, gain_db = 6, q = 2 } }, { tilt_db_per_octave = 0.5 }]
factors = { stages = ["hump", "tilt_db_per_octave"] }

[[condition]]
id = "clip"
stages = []

"""
CLAIMS = """
[[claim]]
id = "peak"
kind = "stage"
device = "chain"
stage = "hump"
effect = "lowers"

[[claim]]
id = "dull"
kind = "stage"
device = "chain"
stage = "tilt_db_per_octave"
margin = 25

[protocol]
use = "attribution-pairs"

[listeners]
planned = 12
"""
TRUTH = {"hump": -3.0, "tilt_db_per_octave": 0.0}
CELLS = [f"chain@hump{h}tilt_db_per_octave{t}" for t in "-+" for h in "-+"]


def written(place, chain=CHAIN, claims=CLAIMS):
    F["write_noise"](place / "clips/strings.wav")
    text = F["STUDY"]
    head = 'format = 1\ntitle = "Stages"\nreviewer = "R-1"\n\n[rendering]\nover = "worn"\n'
    text = head + chain + text[text.index("[[clip]]") : text.index("[protocol]")] + claims
    (place / "study.toml").write_text(text)
    return place


def said(folder):
    return "\n".join(str(fault) for fault in check_study(folder))


@pytest.fixture(scope="module")
def own(tmp_path_factory):
    folder = written(tmp_path_factory.mktemp("pairs") / "s")
    checked = steps.check(folder)
    assert not checked.faults, "\n".join(map(str, checked.faults))
    assert "16 pairs of each of 2 stages" in " ".join(map(str, checked.notes))
    steps.render(folder)
    for number in range(12):
        liking = Liking(utility={name: TRUTH["hump"] * ("hump+" in name) for name in CELLS})
        listener = SimulatedListener(pseudonym=f"L-{number}", liking=liking)
        # One breaks off in the middle.
        P["sit"](folder, listener, seed=number, **({"stop_after": 20} if number == 3 else {}))
    return folder


def test_pairs_hold_combinations_that_differ_in_one_stage(own):
    study = load_study(own)
    assert compared_by_block(study)["compared"] == tuple(CELLS)
    assert all(reach.pairs == 16 and reach.can_fail for reach in study.reaches.values())


def test_the_verdict_is_the_truth_and_is_worked_again_from_the_rows(own):
    text, told = P["analyzed"](own, on=60)
    page, block, rows = P["reported"](own, on=60)
    words = {claim["staged"]["stage"]: claim["word"] for claim in told["claims"]}
    assert words == {"hump": "shown", "tilt_db_per_octave": "negligible"}
    by = {}
    for row in rows:
        if row["phase"] != "blind" or not row["response"]:
            continue
        pair = dict(one.split("=") for one in row["order"].split("|"))
        on = {slot: name.count("hump+") for slot, name in pair.items()}
        if len(set(on.values())) == 2:  # they differ in the hump
            by.setdefault(row["listener"], []).append(50.0 if on[row["response"]] else -50.0)
    means = [np.mean(values) for values in by.values()]
    found = next(c["staged"] for c in told["claims"] if c["staged"]["stage"] == "hump")
    own_effect = next(one for one in found["result"]["stages"] if one["name"] == "hump")
    assert len(means) == 12
    assert own_effect["effect"]["estimate"] == pytest.approx(np.mean(means), abs=1e-9)
    # Bradley and Terry: a difference of 3 logits is preferred with probability 1 / (1 + e^3).
    assert np.mean(means) == pytest.approx(100 / (1 + np.exp(3.0)) - 50, abs=5)
    assert found["paired"] is True
    assert "preferred to the same chain without it" in text
    assert "heard, preferred without it" in page
    assert "planned pairs without an answer, counted against it" in text
    assert "preferred to the same chain" in block


def test_a_fraction_has_no_pairs(tmp_path):
    chain = CHAIN.replace(
        "{ tilt_db_per_octave = 0.5 }]", "{ tilt_db_per_octave = 0.5 }, { lowpass_hz = 7000 }]"
    ).replace('"tilt_db_per_octave"] }', '"tilt_db_per_octave", "lowpass_hz"], fraction = "1/2" }')
    assert "in a fraction no two combinations differ in one stage alone" in said(written(tmp_path / "s", chain))


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("margin = 25", "margin = 60", "a number above 0 and below 50: percentage points of preference"),
        ("planned = 12", "planned = 2", "two listeners are no panel"),
        ("margin = 25", "margin = 1", "the claim can't fail: a stage that does nothing would end as negligible"),
    ],
)
def test_what_cannot_be_compared_so_is_refused(tmp_path, old, new, words):
    assert words in said(written(tmp_path / "s", claims=CLAIMS.replace(old, new)))
