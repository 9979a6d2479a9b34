"""A threshold from own files to the report: a grid rendered ahead, tracks by the answers, limits against the claim."""

import json
import re
import runpy
import sqlite3
from pathlib import Path

import numpy as np
import pytest
import soundfile

from blindtest import steps
from blindtest.cli.commands import main
from blindtest.session import SimulatedListener
from blindtest.steps.answers.study import read_answers
from blindtest.steps.gathering import record as record_gathering
from blindtest.steps.place import open_store
from blindtest.study import load_study

P = runpy.run_path(str(Path(__file__).parent / "test_protocols.py"))
SEALED = "SELECT record FROM seals"
GRID = [0.5 * step for step in range(1, 9)]
FEWER = ("4, 4.5, 5, 5.5, 6]", "4]")


@pytest.fixture(scope="module")
def own(tmp_path_factory, fill_in_protocol):
    folder = tmp_path_factory.mktemp("threshold") / "my-study"
    main(["new", str(folder), "--protocol", "threshold", "--quiet"], standalone_mode=False)
    fill_in_protocol(folder, edits=(FEWER,))
    checked = steps.check(folder)
    assert not checked.faults, "\n".join(map(str, checked.faults))
    assert any("3 tracks of 40, 40, 40 trials" in note for note in map(str, checked.notes))
    P["held"](("check", checked))
    steps.render(folder)
    # d' of .5 for each half dB, by the rule of who knows what to listen for.
    P["sit"](folder, SimulatedListener(pseudonym="L-hears", d_prime=0.5, rule="highest"))
    return folder


def curve(levels):
    """Three sounds, the one that has most of it is taken: the integral of mAFC, by Monte Carlo over 50,000 triples."""
    rng = np.random.default_rng(3)
    noise = rng.standard_normal((50_000, 3))
    return [float(np.mean(noise[:, 0] + level > noise[:, 1:].max(axis=1))) for level in levels]


def test_every_level_is_a_rendering_of_its_own(own):
    table = (own / "stimuli" / "table.csv").read_text()
    for value in GRID:
        assert f"bump@{value:g}" in table
    waves = sorted((own / "stimuli").glob("*.wav"))
    assert len(waves) == 9
    assert len({soundfile.info(wave).frames for wave in waves}) == 1
    assert not [wave.name for wave in waves if "bump" in wave.name]


def test_the_threshold_is_found_and_told(own):
    said, told = P["analyzed"](own)
    (claim,) = told["claims"]
    found = claim["threshold"]["conclusion"]
    # The true level of 2/3 right: d' per half dB is .5, so d' = level.
    fine = np.linspace(0.2, 3, 29)
    truth = float(np.interp(2 / 3, curve(fine), fine))
    low, high = found["limits"]
    assert low < truth < high
    assert found["estimate"] == pytest.approx(truth, abs=0.6)
    assert claim["p_value"] is None
    assert claim["word"] == found["word"] == ("shown" if high <= 2 else "refuted" if low > 2 else "open")
    assert [one["trials"] for one in found["tracks"]] == [40, 40, 40]
    assert found["averages"]["target"] == pytest.approx(0.5**0.5)
    assert "there is no p" in said
    assert "Averages of late reversals" in said

    page, block, rows = P["reported"](own)
    assert "How much of bump does it take" in page
    assert {'id="figure-threshold"', 'id="figure-tracks"'} <= set(re.findall(r'id="figure-[a-z]+"', page))
    assert f"Threshold {found['estimate']:.3g}" in page
    assert "L-hears, track-2, sitting 1" in page
    assert f"Threshold {found['estimate']:.3g}" in block
    counted = [row for row in rows if row["phase"] == "blind"]
    assert len(counted) == 120

    # The levels that sounded are those of the rule, worked again from the rows by hand: two right down, one wrong up.
    track = [row for row in counted if row["block"] == "track-1"]
    place, row_of_right, step, turns, way, levels = 7, 0, 4, 0, 0, []
    for row in track:
        names = [pair.split("=")[1] for pair in row["order"].split("|")]
        levels.append(next(name for name in names if name != "clip"))
        assert levels[-1] == f"bump@{GRID[place]:g}"
        right = row["correct"] == "true"
        row_of_right = row_of_right + 1 if right else 0
        go = 1 if not right else -1 if row_of_right == 2 else 0
        row_of_right = 0 if go else row_of_right
        if go:
            if way == -go and turns < 2:
                turns, step = turns + 1, step // 2
            way, place = go, min(max(place + go * step, 0), 7)
    assert len(set(levels)) > 2


def test_the_seal_holds_rule_and_levels(own):
    with sqlite3.connect(own / "study.db") as database:
        records = [json.loads(text) for (text,) in database.execute(SEALED)]
    study = next(record for record in records if record["kind"] == "study seal")
    plan = next(record for record in records if record["kind"] == "sitting plan")
    assert study["grids"]["bump"] == {f"bump@{value:g}": value for value in GRID}
    assert "profile likelihood" in study["analysis"]["threshold"]
    assert plan["compared"]["track-1"] == ["clip", *(f"bump@{value:g}" for value in GRID)]
    rule = {"task": "odd", "start": 1.0, "step": 4, "halvings": 2, "down": 2}
    assert [block["numbers"] for block in plan["protocol"]["blocks"]] == [rule, rule, rule, {**rule, "start": 0.75}]


def test_the_reports_trials_hold_what_sounded(own):
    """Drawn again with the answers before them, trial by trial: what each slot held is what its row says."""
    with open_store(load_study(own), create=False) as store:
        (sitting,) = read_answers(store).sittings
        told = record_gathering.trial_facts(sitting)
    orders = {row["trial"] + 1: row["order"] for row in sitting.rows}
    assert len(told) == len(orders) > 120
    assert {one.trial: "|".join(f"{slot}={what}" for slot, what in one.slots) for one in told} == orders
    assert len({what for one in told for _, what in one.slots}) > 3, "levels went up and down"
    assert {one.attempt for one in told} == {0}, "the first attempt is called by no number"
