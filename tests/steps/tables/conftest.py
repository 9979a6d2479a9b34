"""Tables written on the spot, and commands run on them."""

import json
from importlib.resources import files

import pytest
from jsonschema import Draft202012Validator

from blindtest.cli.commands import main

SCHEMA = json.loads(files("blindtest.cli").joinpath("results.schema.json").read_text(encoding="utf-8"))


@pytest.fixture
def write(tmp_path):
    """Write a table's text to a file and return its path."""

    def written(text, name="table.csv"):
        path = tmp_path / name
        path.write_text(text, encoding="utf-8")
        return path

    return written


@pytest.fixture
def said(capsys):
    """Run `blindtest analyze` with arguments; return what it printed on stdout, on stderr, and its exit code."""

    def run(*arguments):
        capsys.readouterr()
        with pytest.raises(SystemExit) as left:
            main(["analyze", *map(str, arguments)])
        printed = capsys.readouterr()
        return printed.out, printed.err, int(left.value.code or 0)

    return run


@pytest.fixture
def value(said):
    """Run `blindtest analyze --json`; return the object printed, which keeps to the JSON Schema, and the exit code."""

    def run(*arguments):
        out, _, code = said(*arguments, "--json")
        found = json.loads(out)
        Draft202012Validator(SCHEMA).validate(found)
        return found, code

    return run
