"""What is said, and the code that is left with, where nothing is run: no command, no room, a stop while starting."""

import errno
import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

from blindtest.cli.commands import commands, main

FULL = Path("/dev/full")
full = pytest.mark.skipif(not FULL.exists(), reason="this system has no device that is always full")


def failing(monkeypatch, error):
    def fail(*_, **__):
        raise error

    monkeypatch.setattr(commands, "main", fail)


def left_with(*arguments):
    with pytest.raises(SystemExit) as left:
        main(arguments)
    return left.value.code


def test_without_a_command_the_help_stands_by_itself(capsys):
    assert left_with() == 2
    lines = capsys.readouterr().err.splitlines()
    assert lines[0].startswith("Usage: blindtest")
    assert lines[-1] == "no command is named; see blindtest --help"


def test_a_full_disk_is_no_fault_of_ours(monkeypatch, capsys):
    failing(monkeypatch, OSError(errno.ENOSPC, "No space left on device", "somewhere.txt"))
    assert left_with("check") == 4
    said = capsys.readouterr().err
    assert said.startswith("somewhere.txt: no room is left to write to (No space left on device); make room, then run")
    assert len(said.splitlines()) == 1


def test_a_full_disk_as_json(monkeypatch, capsys):
    failing(monkeypatch, OSError(errno.EDQUOT, "Disk quota exceeded"))
    assert left_with("check", "--json") == 4
    assert json.loads(capsys.readouterr().out)["error"]["exit_code"] == 4


@full
@pytest.mark.parametrize(("arguments", "code"), [(["guide"], 4), (["check", "nowhere"], 3)])
def test_streams_that_take_nothing_leave_the_code_as_it_is(arguments, code):
    with FULL.open("w") as stream:
        done = subprocess.run(
            [sys.executable, "-m", "blindtest", *arguments], stdout=stream, stderr=stream, check=False
        )
    assert done.returncode == code


def test_a_trace_that_cannot_be_kept_is_said_in_a_line(monkeypatch, capsys, tmp_path):
    import tempfile

    failing(monkeypatch, RuntimeError("what nobody thought of"))
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path / "gone"))
    assert left_with("check") == 70
    said = capsys.readouterr().err
    assert "RuntimeError: what nobody thought of; nothing that was answered is lost; the trace can't be kept" in said
    assert len(said.splitlines()) == 1


def test_stopped_while_the_commands_are_read_there_is_no_trace(tmp_path):
    (tmp_path / "click.py").write_text("raise KeyboardInterrupt\n")
    here = str(Path(__file__).parents[2])
    path = os.pathsep.join([str(tmp_path), here])
    done = subprocess.run(
        [sys.executable, "-m", "blindtest", "check"],
        capture_output=True, text=True, check=False, env={**os.environ, "PYTHONPATH": path},
    )  # fmt: skip
    assert done.returncode == 130
    assert done.stderr.startswith("Interrupted.")
    assert len(done.stderr.splitlines()) == 1


def test_a_folder_with_blanks_is_named_so_that_a_shell_takes_it(tmp_path, capsys):
    folder = tmp_path / "two words"
    assert left_with("new", str(folder)) == 0
    assert f"then run: blindtest check '{folder}'" in capsys.readouterr().out
