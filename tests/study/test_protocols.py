"""Protocols: found by name, wherever the package lies, and by path."""

import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

from blindtest.design import METHODS
from blindtest.errors import BlindtestError
from blindtest.study import find_protocol, list_protocols, resources

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
    assert "abx" in list_protocols()
    for name in list_protocols():
        protocol = find_protocol(name)
        for block in protocol.blocks:
            if block.counted:
                assert set(protocol.decides) <= set(METHODS[block.method].decides)


def test_names_that_come_later_and_names_that_never_will():
    with pytest.raises(BlindtestError, match=r"not yet: survival \(allowed: .*abx"):
        find_protocol("survival")
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
