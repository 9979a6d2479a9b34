"""Protocols: found by name, wherever the package lies, and by path."""

import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

from blindtest.design import METHODS
from blindtest.errors import BlindtestError
from blindtest.study import find_protocol, list_protocols, preference_reach, resources

AS_SPECIFIED = """\
format = 1
title = "Is there a difference at all?"
decides = ["heard"]
source = "Munson & Gardner 1950; Clark 1982"
[[block]]
id = "practice"
phase = "practice"
method = "abx"
trials = 4
feedback = true
[[block]]
id = "test"
phase = "blind"
method = "abx"
trials = 28
spread = "clips"
break_after = 14
margin = 0.5
deadline_days = 7
"""
"""The values of the project's page on the study file."""


def test_the_abx_protocol_is_the_specified_one():
    assert tomllib.loads((resources("protocols") / "abx.toml").read_text()) == tomllib.loads(AS_SPECIFIED)
    protocol = find_protocol("abx")
    assert [(block.id, block.trials, block.counted) for block in protocol.blocks] == [
        ("practice", 4, False),
        ("test", 28, True),
    ]
    assert protocol.name == "abx"


def test_every_protocol_can_be_read_and_decides_what_its_methods_can():
    assert set(list_protocols()) >= {"abx", "preference", "short", "survival", "tuning"}
    for name in list_protocols():
        protocol = find_protocol(name)
        able = {kind for block in protocol.blocks if block.counted for kind in METHODS[block.method].decides}
        # Ratings of one moment answer claims of an attribute or of a stage; with names and without, one that is rated.
        assert set(protocol.decides) <= able
        assert able - set(protocol.decides) <= {"attribute", "rated", "stage"}


def test_the_short_protocol_is_that_of_claims_6():
    # claims.md 6: 4 practice pairs, then 20 blind pairs; 24 at about 35 s are 14 minutes
    practice, test = find_protocol("short").blocks
    assert (practice.trials, practice.phase, practice.method) == (4, "practice", "preference")
    assert (test.trials, test.phase, test.method) == (20, "blind", "preference")
    assert 24 * 35 / 60 <= 20


def test_the_survival_protocol_is_that_of_claims_3():
    protocol = find_protocol("survival")
    assert protocol.order == "blind-first"
    blocks = {block.id: block for block in protocol.blocks}
    assert blocks["labelled"].method == blocks["blind"].method == "rating"
    assert blocks["labelled"].sittings == blocks["blind"].sittings == blocks["recognition"].sittings == 2
    assert blocks["blind"].margin == blocks["labelled"].margin == 8
    assert protocol.blocks.index(blocks["recognition"]) == protocol.blocks.index(blocks["blind"]) + 1
    assert find_protocol("tuning").decides == ("heard", "preferred")


@pytest.mark.parametrize("name", ["free-listening", "preference", "short", "tuning"])
def test_what_a_protocol_says_of_its_numbers_is_what_they_reach(name):
    """The numbers in the comments of the files are computed again."""
    text = (resources("protocols") / f"{name}.toml").read_text()
    for block in find_protocol(name).blocks:
        if block.counted and block.method in ("preference", "free-listening"):
            plan = preference_reach(block.trials, block.margin)
            assert plan.can_fail
            if name == "short":
                assert (plan.shown_from, plan.refuted_to) == (15, 5)
                assert "15 or more show it (p = .041), reached with .80 at a true preference of .8; 5 or fewer" in text
            else:
                low, high = plan.negligible
                said = f"shown from {plan.shown_from}, refuted up to {plan.refuted_to}, negligible from {low} to {high}"
                assert said in text


def test_names_that_come_later_and_names_that_never_will():
    with pytest.raises(BlindtestError, match="did you mean 'abx'"):
        find_protocol("axb")
    with pytest.raises(BlindtestError, match="there is no protocol file here"):
        find_protocol("gone.toml")


def test_a_protocol_of_ones_own(tmp_path):
    path = tmp_path / "own.toml"
    path.write_text(AS_SPECIFIED.replace("28", "40"))
    assert find_protocol("own.toml", folder=tmp_path).blocks[1].trials == 40
    assert find_protocol(path).name == "own"
    path.write_text(AS_SPECIFIED.replace('"blind"', '"practice"').replace("trials = 28", "trials = 0"))
    with pytest.raises(BlindtestError) as caught:
        find_protocol(path)
    said = str(caught.value)
    assert "own.toml:15: block.test.trials: out of range, got 0 (allowed: a whole number from 1 to 1000)" in said
    assert "no block is blind" in said
    assert "own.toml:18: block.test.margin: practice is never counted" in said


def test_resources_of_the_package_are_named_when_they_lack():
    with pytest.raises(BlindtestError, match="this installation has no folder 'no-such-folder'"):
        resources("no-such-folder")


def test_the_front_door_is_quick():
    """Nothing slow comes in with the room, nor while a study is checked (conventions.md, start-up)."""
    code = (
        "import sys, blindtest.study as s\n"
        "s.find_protocol('abx'); s.json_schema()\n"
        "slow = ('scipy.stats', 'scipy.signal', 'pandas', 'statsmodels', 'matplotlib')\n"
        "print([m for m in sys.modules if m.startswith(slow)])"
    )
    out = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True, cwd=Path(__file__).parents[2]
    )
    assert out.stdout.strip() == "[]"


def test_checking_a_study_brings_in_nothing_slow(folder):
    code = (
        f"import sys, blindtest.study as s\nassert s.check_study({str(folder)!r}) == ()\n"
        "slow = ('scipy.stats', 'scipy.signal', 'pandas', 'statsmodels', 'matplotlib')\n"
        "print([m for m in sys.modules if m.startswith(slow)])"
    )
    out = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True, cwd=Path(__file__).parents[2]
    )
    assert out.stdout.strip() == "[]"


RATINGS = """\
format = 1
title = "t"
decides = ["rated"]
source = "s"
[[block]]
id = "blind"
phase = "blind"
method = "rating"
repeats = 1
sittings = 2
[[block]]
id = "labelled"
phase = "labelled"
method = "rating"
repeats = 1
sittings = 2
"""


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ('phase = "labelled"', 'phase = "worn"', "no labelled rating: medium and blinding would not be separated"),
        (
            'phase = "labelled"\nmethod = "rating"',
            'phase = "labelled"\nmethod = "rating-single"',
            "labelled and blind are rated on different pages, got 'labelled rating-single; blind rating'",
        ),
        ('decides = ["rated"]', 'decides = ["rated", "heard"]', "no block decides this kind of claim, got 'heard'"),
        ('phase = "blind"', 'phase = "practice"', "no block is blind"),
        ("repeats = 1\nsittings = 2\n[[", "[[", "block.blind.repeats: missing; write repeats = 1"),
    ],
)
def test_what_blocks_lack_together(tmp_path, old, new, words):
    path = tmp_path / "own.toml"
    path.write_text(RATINGS)
    assert find_protocol(path).decides == ("rated",)
    assert RATINGS.count(old) == 1
    path.write_text(RATINGS.replace(old, new))
    with pytest.raises(BlindtestError) as caught:
        find_protocol(path)
    assert words in str(caught.value)


def test_sittings_of_days_need_a_labelled_phase(tmp_path):
    path = tmp_path / "own.toml"
    path.write_text(AS_SPECIFIED + "sittings = 3\n")
    with pytest.raises(BlindtestError, match=r"own.toml:\d+: block.test.sittings: a protocol without a labelled phase"):
        find_protocol(path)


def test_a_misspelt_number_is_said_once(tmp_path):
    path = tmp_path / "own.toml"
    path.write_text(AS_SPECIFIED.replace("trials = 28", "trails = 28"))
    with pytest.raises(BlindtestError) as caught:
        find_protocol(path)
    assert [str(fault) for fault in caught.value.faults] == [
        f"{path}:15: block.test.trails: unknown key, got 'trails'; did you mean 'trials'?"
    ]
    path.write_text(AS_SPECIFIED.replace('method = "abx"\ntrials = 28', 'metod = "abx"\ntrials = 28'))
    with pytest.raises(BlindtestError) as caught:
        find_protocol(path)
    assert len(caught.value.faults) == 1
