"""Commands speak as documented: help, exit codes, one line a fault, JSON with the same places."""

import json
import re
import subprocess
import sys
from importlib.resources import files
from pathlib import Path

import pytest

from blindtest.cli.commands import commands, main

README = Path(__file__).parents[2] / "README.md"


def run(*arguments, **options):
    return subprocess.run(
        [sys.executable, "-m", "blindtest", *arguments], capture_output=True, text=True, check=False, **options
    )


@pytest.mark.parametrize("name", sorted(commands.commands))
def test_every_command_has_help_and_a_place_in_the_readme(name):
    command = commands.commands[name]
    assert command.help
    assert len(command.help.splitlines()[0]) > 20
    assert re.search(rf"^\| `blindtest {name}\b", README.read_text(encoding="utf-8"), flags=re.MULTILINE)


def test_the_readme_names_no_command_that_is_not_there():
    named = set(re.findall(r"blindtest ([a-z]+)", README.read_text(encoding="utf-8")))
    assert named - {"demo", *commands.commands} <= {"does", "is"}


def test_where_nobody_can_answer_a_question_it_is_said_in_one_line(tmp_path):
    (tmp_path / "study.db").touch()
    done = run("forget", "L-nobody", str(tmp_path), "--json", stdin=subprocess.DEVNULL)
    assert done.returncode == 2
    assert "nobody to answer the question" in json.loads(done.stdout)["error"]["faults"][0]["problem"]


def test_every_page_of_the_guide_is_linked_from_the_readme():
    found = files("blindtest").joinpath("guide").iterdir()
    pages = {page.name for page in found if page.name.endswith(".md")}
    linked = set(re.findall(r"blindtest/guide/([a-z-]+\.md)", README.read_text(encoding="utf-8")))
    assert pages == linked


def test_options_are_documented():
    for name, command in commands.commands.items():
        for option in command.params:
            if option.param_type_name == "option" and option.name not in ("alpha",):
                assert option.help, f"{name} {option.name}"


def guide_and_readme():
    pages = [page for page in files("blindtest").joinpath("guide").iterdir() if page.name.endswith(".md")]
    return "\n".join([README.read_text(encoding="utf-8"), *(page.read_text(encoding="utf-8") for page in pages)])


def options_of(command):
    return {name for one in command.params for name in (*one.opts, *one.secondary_opts) if name.startswith("--")}


def test_every_option_stands_in_the_guide():
    named = set(re.findall(r"(?<![\w-])--[a-z][a-z0-9-]*", guide_and_readme()))
    lacking = {name: sorted(options_of(command) - named) for name, command in commands.commands.items()}
    assert {name: options for name, options in lacking.items() if options} == {}


def test_the_guide_gives_no_command_an_option_that_it_lacks():
    astray = []
    for name, rest in re.findall(r"blindtest ([a-z]+)([^`\n;|]*)", guide_and_readme()):
        known = options_of(commands.commands[name]) if name in commands.commands else set()
        astray += [f"{name} {one}" for one in re.findall(r"(?<![\w-])--[a-z][a-z0-9-]*", rest) if one not in known]
    assert astray == []


def test_an_unknown_command_is_wrong_usage():
    result = run("nonsense")
    assert result.returncode == 2
    assert result.stderr.strip() == "No such command 'nonsense'; see blindtest --help"
    assert not result.stdout


def test_an_unknown_option_is_wrong_usage_in_json_too():
    result = run("check", "--json", "--nonsense")
    assert result.returncode == 2
    error = json.loads(result.stdout)["error"]
    assert error["exit_code"] == 2
    assert "nonsense" in error["faults"][0]["problem"]


def test_a_folder_without_a_study_is_input_that_cannot_be_used(tmp_path):
    result = run("render", str(tmp_path))
    assert result.returncode == 3
    assert "study.toml" in result.stderr
    assert len(result.stderr.strip().splitlines()) == 1


def test_guide_pages_are_printed():
    assert run("guide").stdout.count("\n") >= 5
    assert run("guide", "abx").stdout.startswith("# ABX")
    missing = run("guide", "abxx")
    assert missing.returncode == 2
    assert "did you mean 'abx'?" in missing.stderr


def test_an_unexpected_fault_leaves_a_trace_in_a_file(monkeypatch, capsys, tmp_path):
    def fails(*arguments, **options):
        raise RuntimeError("planted")

    monkeypatch.setattr("tempfile.tempdir", str(tmp_path))
    monkeypatch.setattr(commands, "main", fails)
    with pytest.raises(SystemExit) as left:
        main(["check"])
    assert left.value.code == 70
    said = capsys.readouterr().err
    assert "RuntimeError: planted" in said
    (trace,) = tmp_path.iterdir()
    assert str(trace) in said
    assert "Traceback" in trace.read_text()


def test_an_interrupt_says_that_nothing_is_lost(monkeypatch, capsys):
    def interrupted(*arguments, **options):
        raise KeyboardInterrupt

    monkeypatch.setattr(commands, "main", interrupted)
    with pytest.raises(SystemExit) as left:
        main(["listen"])
    assert left.value.code == 130
    assert "is safe" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("arguments", "code", "said"),
    [
        (["analyze", "gone.csv"], 3, "gone.csv: there is no such table, and no such study folder; look at the path's"),
        (
            ["analyze", "--method", "preference", "--margin", "0", "--one-sided"],
            2,
            "--method, --margin, --one-sided: goes",
        ),
        (["analyze", "--column", "correct=ok"], 2, "--column: goes with a table; a study is analysed as its protocol"),
        (["listen", "gone.wav"], 2, "no study folder, and one file alone is held against nothing, got 'gone.wav'"),
        (["listen", "gone"], 3, "gone/study.toml: there is no study file here"),
    ],
)
def test_what_only_a_table_or_a_pair_has_is_not_left_out_in_silence(arguments, code, said, capsys):
    with pytest.raises(SystemExit) as left:
        main(arguments)
    assert left.value.code == code
    assert capsys.readouterr().err.startswith(said)


@pytest.mark.parametrize("there", [True, False])
def test_a_link_is_opened_where_there_is_a_browser(there, monkeypatch):
    import webbrowser

    from blindtest.cli import listening_commands

    opened = []
    monkeypatch.setattr(listening_commands.click, "launch", opened.append)

    def get():
        if not there:
            raise webbrowser.Error("could not locate runnable browser")

    monkeypatch.setattr(webbrowser, "get", get)
    listening_commands._launch("http://127.0.0.1:1/#x")
    assert opened == ["http://127.0.0.1:1/#x"] * there
