"""Adjustment from own files to the report: a grid about the match, starts on both sides, a claim, a cross-check."""

import json
import re
import runpy
import shutil
import sqlite3
from pathlib import Path

import numpy as np
import pytest
from scipy import stats as scipy_stats

from blindtest import steps
from blindtest.cli.commands import main
from blindtest.session import Setter, SimulatedListener

P = runpy.run_path(str(Path(__file__).parent / "test_protocols.py"))
VALUES = {f"second@{value}": float(value) for value in range(-4, 5)}
FEWER = (
    "[-4, -3.5, -3, -2.5, -2, -1.5, -1, -0.5, 0, 0.5, 1, 1.5, 2, 2.5, 3, 3.5, 4]",
    "[-4, -3, -2, -1, 0, 1, 2, 3, 4]",
)


OTHER = """
[[condition]]
id = "third"
stages = [{ response = "second" }]
"""


def setter(point, spread=0.7, pull=0.2):
    return Setter(point=point, spread=spread, pull=pull, values=VALUES)


@pytest.fixture(scope="module")
def rendered(tmp_path_factory, fill_in_protocol):
    folder = tmp_path_factory.mktemp("adjustment") / "my-study"
    main(["new", str(folder), "--protocol", "adjustment", "--quiet"], standalone_mode=False)
    fill_in_protocol(folder, edits=(FEWER, ("\n[[claim]]", OTHER + "\n[[claim]]")))
    checked = steps.check(folder)
    assert not checked.faults, "\n".join(map(str, checked.faults))
    notes = " ".join(map(str, checked.notes))
    assert "16 settings of each listener: shown where the 90 % interval of the mean of settings lies within" in notes
    P["held"](("check", checked))
    steps.render(folder)
    return folder


@pytest.fixture(scope="module")
def own(rendered):
    for number, point in enumerate((0.3, -0.2, 0.4, 0.1), start=1):
        P["sit"](rendered, SimulatedListener(pseudonym=f"L-{number}", setter=setter(point)), seed=number)
    return rendered


def settings_in(rows):
    """Return (listener, start, set) of counted trials, from the rows of the published table alone."""
    trials = {}
    for row in rows:
        if row["phase"] == "blind":
            trials.setdefault((row["listener"], row["trial"]), {})[row["slot"]] = row["response"]
    return [(who, VALUES[one["start"]], VALUES[one["set"]]) for (who, _), one in trials.items()]


@pytest.mark.long
def test_the_claim_is_worked_again_from_the_rows(own):
    said, told = P["analyzed"](own)
    (claim,) = told["claims"]
    found = claim["matched"]["result"]
    page, block, rows = P["reported"](own)
    made = settings_in(rows)
    assert len(made) == 64
    means = [np.mean([value for who, _, value in made if who == name]) for name in ("L-1", "L-2", "L-3", "L-4")]
    low, high = scipy_stats.t.interval(0.90, 3, loc=np.mean(means), scale=scipy_stats.sem(means))
    assert found["mean"] == pytest.approx(np.mean(means))
    assert found["equivalence"]["interval"] == pytest.approx([low, high])
    assert claim["word"] == ("shown" if low > -0.5 and high < 0.5 else "open")
    # Half of the starts lie on each side of the match, on every clip and for every listener.
    for name in ("L-1", "L-2", "L-3", "L-4"):
        assert sum(start > 0 for who, start, _ in made if who == name) == 8
        assert sum(start < 0 for who, start, _ in made if who == name) == 8
    # Simulated about .15 with a pull of .2: the truth lies within the interval, the pull is found.
    assert found["interval"][0] < 0.15 < found["interval"][1]
    assert found["start"]["slope"] == pytest.approx(0.2, abs=0.12)
    assert f"mean {found['mean']:+.2f}"[5:] in said
    assert "from below" in said
    assert claim["p_value"] == pytest.approx(found["p_value"])

    assert "Do listeners set" in page
    assert "from the match" in page
    # Where level is doubted it stands once more.
    level = page[page.index("Was one of them simply louder?") : page.index("Who chose the music, and when?")]
    assert re.search(r"4 listeners set .* equal to .* at .* dB from the match", level)
    assert "Begun below" in page
    assert "from the match" in block


def test_every_rung_is_a_rendering_at_its_level(own):
    table = (own / "stimuli" / "table.csv").read_text().splitlines()
    head = table[0].split(",")
    loud = {}
    for line in table[1:]:
        row = dict(zip(head, line.split(","), strict=True))
        loud.setdefault(row["clip"], {})[row["condition"]] = float(row["heard_after_lufs"])
    for clip in loud.values():
        for name, value in VALUES.items():
            assert clip[name] - clip["first"] == pytest.approx(value, abs=0.01)


def test_the_seal_holds_what_can_be_set(own):
    with sqlite3.connect(own / "study.db") as database:
        records = [json.loads(text) for (text,) in database.execute("SELECT record FROM seals")]
    study = next(record for record in records if record["kind"] == "study seal")
    assert study["settings"]["set"] == {"grid": "second", "unit": "dB", "values": VALUES}
    assert "two one-sided tests" in study["analysis"]["matched"]
    assert study["compared"]["set"] == ["first", *VALUES]


PROTOCOL = """
format = 1
title = "Told apart, and set"
decides = ["heard"]
source = "made for a test"

[[block]]
id = "test"
phase = "blind"
method = "abx"
trials = 28
margin = 0.5

[[block]]
id = "equal"
phase = "blind"
method = "adjustment"
trials = 6

[[block]]
id = "liked"
phase = "blind"
method = "adjustment"
sets = "preferred"
trials = 4
"""


def test_a_block_beside_another_claim_is_a_cross_check(rendered, tmp_path):
    """Any protocol takes one as a further block: no claim rests on it, and it stands where level is doubted."""
    folder = shutil.copytree(rendered, tmp_path / "s", ignore=shutil.ignore_patterns("study.db*"))
    (folder / "own.toml").write_text(PROTOCOL)
    text = (folder / "study.toml").read_text()
    claim = text[text.index("[[claim]]") : text.index("\n[protocol]")]
    heard = '[[claim]]\nid = "told"\nkind = "heard"\ndevice = "third"\ncomparator = "first"\n'
    text = text.replace(claim, heard).replace('use = "adjustment"', 'use = "own.toml"')
    (folder / "study.toml").write_text(text)
    checked = steps.check(folder)
    assert not checked.faults, "\n".join(map(str, checked.faults))
    listener = SimulatedListener(pseudonym="L", d_prime=3.0, setter=setter(0.5))
    P["sit"](folder, listener)
    said, told = P["analyzed"](folder)
    assert [claim["kind"] for claim in told["claims"]] == ["heard"]
    equal, liked = told["settings"]
    assert (equal["blocks"], equal["against"], equal["result"]["settings"], equal["claimed"]) == (
        ["equal"],
        "first",
        6,
        False,
    )
    assert (liked["sets"], liked["against"], liked["result"]["settings"]) == ("preferred", "", 4)
    assert equal["result"]["word"] == ""
    assert "Cross-check (block equal): One listener set second equal to first at" in said
    assert "Cross-check (block liked): One listener preferred second at" in said


@pytest.mark.parametrize(
    ("before", "after", "said"),
    [
        ("margin = 0.5 ", "margin = 5 ", "no setting could refute the claim: the grid ends within the margin"),
        ("margin = 0.5 ", "# ", "no margin: nothing could refute the claim"),
        ('device = "second" ', 'device = "first" ', "the condition has no grid of levels to set it on"),
        (FEWER[1], "[-1, 0, 1]", "too few levels, got 3 (allowed: 5 to 41"),
        (FEWER[1], "[-1, 0, 1, 0, 2]", "a value stands twice"),
        ('stage = "gain_db"', 'stage = "tilt_db_per_octave"', "the chain has no such stage"),
    ],
)
def test_check_says_what_is_wrong(rendered, tmp_path, before, after, said):
    folder = shutil.copytree(rendered, tmp_path / "s", ignore=shutil.ignore_patterns("study.db*", "stimuli"))
    P["edit"](folder, (before, after))
    faults = [str(fault) for fault in steps.check(folder).faults]
    assert any(said in fault for fault in faults), "\n".join(faults)
    assert all("study.toml:" in fault for fault in faults)


def test_another_stage_needs_a_name_for_what_is_set(rendered, tmp_path):
    folder = shutil.copytree(rendered, tmp_path / "s", ignore=shutil.ignore_patterns("study.db*", "stimuli"))
    P["edit"](
        folder,
        ("{ gain_db = 0 }", "{ hump = { frequency_hz = 90, gain_db = 1, q = 1 } }"),
        ('stage = "gain_db"', 'stage = "hump"'),
    )
    (fault,) = [str(fault) for fault in steps.check(folder).faults if "practice" in str(fault)]
    assert "asks for a loudness, and the grid of second runs over hump" in fault
    text = (folder / "study.toml").read_text()
    head, _, _ = text.partition("# [protocol.changes]")
    changes = '[protocol.changes]\npractice.attribute = "bass"\nset.attribute = "bass"\nset.trials = 4\n'
    (folder / "study.toml").write_text(head + changes)
    checked = steps.check(folder)
    assert not checked.faults, "\n".join(map(str, checked.faults))
    assert any("fewer than 8 settings" in str(note) for note in checked.notes)
