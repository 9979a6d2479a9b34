"""From a study folder with an original and anchors to the table of ratings: a protocol of the user's own with training.

Source: ITU-R BS.1534-3 (2015): hidden reference, low and mid anchor, training that is never used (5.2).
"""

from datetime import UTC, datetime

import numpy as np
import pytest
import soundfile

from blindtest.cli.commands import main
from blindtest.session import Opinion, SimulatedListener, simulated_clock
from blindtest.steps.tables import analyze_table

STUDY = """
format = 1
title = "A coarse coding against the original"
reviewer = "R-test"
[rendering]
over = "worn"
match = "file"
[[condition]]
id = "original"
reference = true
stages = []
[[condition]]
id = "coarse"
stages = [{ tilt_db_per_octave = -2 }]
[[condition]]
id = "low-anchor"
anchor = "low"
stages = [{ lowpass_hz = 3500 }]
[[condition]]
id = "mid-anchor"
anchor = "mid"
stages = [{ lowpass_hz = 7000 }]
[[clip]]
id = "one"
file = "one.wav"
[[clip]]
id = "two"
file = "two.wav"
[[claim]]
id = "heard"
kind = "heard"
device = "coarse"
comparator = "original"
[protocol]
use = "own.toml"
"""
ABX = '[[block]]\nid = "test"\nphase = "blind"\nmethod = "abx"\ntrials = 28\nmargin = 0.5\n'
TRAINING = '[[block]]\nid = "training"\nphase = "practice"\nmethod = "multi-stimulus"\nrepeats = 1\n'
RATED = '[[block]]\nid = "rated"\nphase = "blind"\nmethod = "multi-stimulus"\nrepeats = 1\n'
HEAD = 'format = 1\ntitle = "Heard, and how good?"\ndecides = ["heard"]\nsource = "ITU-R BS.1534-3"\n'
QUALITY = {"original": 97.0, "coarse": 62.0, "low-anchor": 15.0, "mid-anchor": 38.0}
START = datetime(2026, 3, 2, 9, tzinfo=UTC)


@pytest.fixture
def folder(tmp_path):
    rng = np.random.default_rng(7)
    for name in ("one", "two"):
        soundfile.write(tmp_path / f"{name}.wav", 0.1 * rng.standard_normal((48_000, 2)), 48_000, subtype="PCM_24")
    (tmp_path / "study.toml").write_text(STUDY)
    (tmp_path / "own.toml").write_text(HEAD + ABX + TRAINING + RATED)
    return tmp_path


def command(*arguments):
    with pytest.raises(SystemExit) as left:
        main([*map(str, arguments)])
    return int(left.value.code or 0)


def listened(sit, folder, number):
    """Let a listener sit, and return their plan."""
    listener = SimulatedListener(pseudonym=f"L-{number}", d_prime=3.0, opinion=Opinion(quality=QUALITY, residual=3.0))
    rng = np.random.default_rng(number)
    clock = simulated_clock(START, rng)
    return sit(folder, listener, seed=rng, clock=clock, ticking=clock).plan


def test_from_the_folder_to_medians(folder, capsys, sit):
    plan = listened(sit, folder, 1)
    for number in range(2, 5):
        listened(sit, folder, number)
    rated = next(block for block in plan.protocol.blocks if block.id == "rated")
    assert plan.compared(rated) == ("original", "coarse", "low-anchor", "mid-anchor"), "the original first"
    assert rated.trials == 2, "a page for each clip"
    assert command("report", folder, "--quiet") == 0
    capsys.readouterr()
    found = analyze_table(folder / "report" / "trials.csv", method="multi-stimulus")
    assert any("training, never counted" in line for line in found.understood)
    assert (found.values["reference"], found.values["mid_anchor"]) == ("original", "mid-anchor")
    whole = found.values["summary"]["everybody"]["table"]
    medians = {row["condition"]: (row["n"], row["median"]) for row in whole if row["item"] == "(all)"}
    assert {name: n for name, (n, _) in medians.items()} == dict.fromkeys(QUALITY, 8), "four listeners, two clips"
    assert medians["original"][1] == 100, "somebody on every page gets it, and the original is the best"
    for name in ("coarse", "low-anchor", "mid-anchor"):
        # Of 8 ratings with a standard deviation of 3: the median's is about 1.3.
        assert medians[name][1] == pytest.approx(QUALITY[name], abs=5.5)
    assert found.values["screening"]["dropped"] == []


def test_without_training_it_is_refused(folder, capsys):
    (folder / "own.toml").write_text(HEAD + ABX + RATED)
    assert command("check", folder) == 1
    said = capsys.readouterr()
    assert "block.rated.method: ratings against an original need training before them" in said.out + said.err
