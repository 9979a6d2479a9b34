"""What `--json` prints keeps to the JSON Schema that is shipped with the commands."""

import json
from importlib.resources import files

import pytest
from jsonschema import Draft202012Validator

from blindtest.cli.commands import commands, main

SCHEMA = json.loads(files("blindtest.cli").joinpath("results.schema.json").read_text(encoding="utf-8"))
VALIDATOR = Draft202012Validator(SCHEMA)


def printed(capsys, *arguments):
    capsys.readouterr()
    with pytest.raises(SystemExit) as left:
        main([*map(str, arguments), "--json"])
    return left.value.code, json.loads(capsys.readouterr().out)


def test_the_schema_is_one():
    Draft202012Validator.check_schema(SCHEMA)


def test_every_command_that_prints_results_is_in_it():
    named = {one["properties"]["command"]["const"] for one in SCHEMA["oneOf"] if "command" in one["properties"]}
    speaking = {name for name, command in commands.commands.items() if any(p.name == "as_json" for p in command.params)}
    assert named == speaking


@pytest.mark.parametrize(
    ("arguments", "code"),
    [
        (("power", "--trials", 16, "--margin", 0.3), 0),
        (("power", "--minutes", 1), 0),
        (("power", "--method", "preference", "--minutes", 20), 0),
        (("power", "--method", "rating", "--listeners", 12), 0),
        (("doctor",), 0),
        (("check", "nowhere"), 3),
        (("power", "--trials", 5, "--minutes", 5), 2),
        (("verify", "nowhere"), 3),
    ],
)
def test_what_is_printed_keeps_to_it(arguments, code, capsys):
    left, value = printed(capsys, *arguments)
    assert left == code
    VALIDATOR.validate(value)


def test_new_and_check_keep_to_it(capsys, tmp_path):
    for arguments, code in ((("new", tmp_path / "s"), 0), (("check", tmp_path / "s"), 1)):
        left, value = printed(capsys, *arguments)
        assert left == code
        VALIDATOR.validate(value)
    assert len(value["faults"]) >= 10


def test_a_table_of_anybody_keeps_to_it(capsys, tmp_path):
    table = tmp_path / "t.csv"
    table.write_text("who,right\n" + "".join(f"{name},{right}\n" for name in "ab" for right in (1, 1, 0, 1, 1)))
    left, value = printed(
        capsys, "analyze", table, "--column", "listener=who", "--column", "correct=right", "--margin", 0.5
    )
    assert left == 0
    VALIDATOR.validate(value)
    assert value["conclusion"]["correct"] == 8


def test_measuring_keeps_to_it(capsys, tmp_path):
    import numpy as np
    import soundfile

    soundfile.write(tmp_path / "a.wav", np.zeros((4800, 2)), 48_000)
    (tmp_path / "r.txt").write_text("Hz dB\n" + "".join(f"{20 * 2**k} {80 + k}\n" for k in range(10)))
    left, value = printed(capsys, "measure", tmp_path / "a.wav", tmp_path / "r.txt")
    assert left == 0
    VALIDATOR.validate(value)
    assert value["audio"][0]["integrated_lufs"] is None
