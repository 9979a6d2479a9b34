"""Grids: which conditions a grid stands for, in which order, and everything that can be wrong with one."""

import pytest

from blindtest.render import GainStage, HumpStage, ShelfStage
from blindtest.study import check_study, compared, compared_by_block, load_study, render_job

GRID = """
[[condition]]
id = "bump"
stages = [{ response = "heron" }, { hump = { frequency_hz = 2000, gain_db = 1, q = 1.4 } }]
grid = { stage = "hump", values = [6, 1, 2, 0.5, 4] }
"""
CLAIM = """
[[claim]]
id = "enough"
kind = "threshold"
device = "bump"
comparator = "heron"
margin = 2
"""


@pytest.fixture
def gridded(folder, changed):
    """Return the study of this room's tests with a grid and the protocol of thresholds, and other changes made."""

    def make(*pairs, claim=CLAIM, grid=GRID, use="threshold"):
        text = (folder / "study.toml").read_text()
        head, protocol = text[: text.index("[protocol]")], f'[protocol]\nuse = "{use}"\n'
        text = head[: head.index("[[claim]]")] if "[[claim]]" in head else head
        text += grid + claim + protocol
        for before, after in pairs:
            assert text.count(before) == 1, before
            text = text.replace(before, after)
        (folder / "study.toml").write_text(text)
        return folder

    return make


def said(folder):
    return [str(fault) for fault in check_study(folder)]


def test_levels_in_ascending_order_each_with_its_stage(gridded):
    study = load_study(gridded())
    levels = study.grids["bump"]
    assert [one.id for one in levels] == ["bump@0.5", "bump@1", "bump@2", "bump@4", "bump@6"]
    assert [one.level for one in levels] == [0.5, 1, 2, 4, 6]
    assert not any(one.plain for one in levels)
    assert compared(study) == ("bump@6", "heron")
    for block, ids in compared_by_block(study).items():
        assert ids == ("heron", "bump@0.5", "bump@1", "bump@2", "bump@4", "bump@6"), block
    job = {condition.id: condition for condition in render_job(study).conditions}
    assert job["bump@2"].stages[1] == HumpStage(frequency_hz=2000, gain_db=2, q=1.4)
    assert "bump" not in job
    assert said(study.folder) == []


def test_levels_below_0_go_by_their_size(gridded):
    grid = """
[[condition]]
id = "softer"
stages = [{ response = "heron" }, { gain_db = -1 }]
grid = { stage = "gain_db", values = [-3, -0.25, -1] }
"""
    claim = CLAIM.replace("bump", "softer").replace("= 2", "= 0.5")
    study = load_study(gridded(grid=grid, claim=claim))
    assert [one.id for one in study.grids["softer"]] == ["softer@-0.25", "softer@-1", "softer@-3"]
    assert [one.level for one in study.grids["softer"]] == [0.25, 1, 3]
    job = {condition.id: condition for condition in render_job(study).conditions}
    assert job["softer@-3"].stages[1] == GainStage(gain_db=-3)


def test_a_grid_runs_over_the_decibels_of_a_shelf(gridded):
    grid = """
[[condition]]
id = "darker"
stages = [{ response = "heron" }, { shelf = { type = "high", frequency_hz = 3000, gain_db = -1 } }]
grid = { stage = "shelf", values = [-0.5, -3, -1] }
"""
    study = load_study(gridded(grid=grid, claim=CLAIM.replace("bump", "darker").replace("= 2", "= 1")))
    job = {condition.id: condition for condition in render_job(study).conditions}
    assert job["darker@-3"].stages[1] == ShelfStage(type="high", frequency_hz=3000, gain_db=-3, q=0.7)
    assert said(study.folder) == []


@pytest.mark.parametrize(
    ("pairs", "words"),
    [
        ([("[6, 1, 2, 0.5, 4]", "[6, -1, 2]")], ["some values are above 0, some below"]),
        ([("[6, 1, 2, 0.5, 4]", "[6, 0, 2]")], ["a level of nothing"]),
        ([("[6, 1, 2, 0.5, 4]", "[6, 2, 2]")], ["a value stands twice"]),
        ([("[6, 1, 2, 0.5, 4]", "[6, 2, 30]")], ["out of range", "-24 ... 24"]),
        ([("[6, 1, 2, 0.5, 4]", "[1, 2]")], ["values"]),
        ([('stage = "hump"', 'stage = "gain_db"')], ["the chain has no such stage"]),
        ([('id = "bump"', 'id = "bump"\nlabel = "Bump"')], ["its levels are never named"]),
        ([('device = "bump"', 'device = "plover"')], ["has no grid of levels"]),
        ([('comparator = "heron"', 'comparator = "bump"')], ["a grid of levels, not one rendering"]),
        ([("margin = 2", "margin = 6")], ["no level could refute the claim", "below 6"]),
        ([("margin = 2", "margin = 0.2")], ["no level could show the claim", "from 0.5 up"]),
        ([("margin = 2", "")], ["no margin", "in the unit of the grid"]),
        ([("gain_db = 1, q", "gain_db = 0, q")], ["a hump of nothing"]),
    ],
)
def test_what_is_wrong_is_said(gridded, pairs, words):
    faults = said(gridded(*pairs))
    assert len(faults) >= 1
    for word in words:
        assert any(word in fault for fault in faults), faults


def test_other_claims_speak_of_no_grid(gridded):
    claim = CLAIM.replace("threshold", "heard").replace("margin = 2", "margin = 0.5")
    assert any("not one rendering" in fault for fault in said(gridded(claim=claim, use="abx")))


def test_numbers_that_a_method_does_not_read_are_refused(gridded):
    folder = gridded()
    path = folder / "study.toml"
    text = path.read_text() + "\n[protocol.changes]\ntrack-2.down = 3\n"
    for change, words in (
        ("track-1.ratio = 3", "the method doesn't read it, got 'staircase' (allowed: staircase-weighted)"),
        ("track-3.step = 0", "track-3.step: "),
        ("track-3.task = 'both'", "track-3.task: "),
    ):
        path.write_text(text + change)
        assert [fault for fault in said(folder) if words in fault], said(folder)
    path.write_text(text)
    assert said(folder) == []
    blocks = {block.id: block.numbers for block in load_study(folder).protocol.blocks}
    assert blocks["track-2"]["down"] == 3
    assert blocks["track-1"] == {"task": "odd", "start": 1.0, "step": 4, "halvings": 2, "down": 2}
