"""The form of a complaint: file:line: key.path: what is wrong, got VALUE (allowed: RANGE); what to do."""

import math
from datetime import date, datetime
from pathlib import Path

import numpy as np
import pytest

from blindtest.errors import BlindtestError, Fault, FoundWanting, Missing, WrongUse, did_you_mean


def test_a_fault_in_full():
    fault = Fault(
        file="left.txt", line=214, key="level_db", problem="not a number", got="n/a", allowed="a finite number",
        remedy="delete the row or write the level",
    )  # fmt: skip
    assert str(fault) == (
        "left.txt:214: level_db: not a number, got 'n/a' (allowed: a finite number); delete the row or write the level"
    )


def test_parts_that_are_missing_leave_no_trace():
    assert str(Fault(problem="nothing here")) == "nothing here"
    assert str(Fault(problem="no stereo", line=3)) == "line 3: no stereo"
    assert str(Fault(problem="no stereo", file="a.wav")) == "a.wav: no stereo"


def test_a_long_value_is_shortened():
    assert len(str(Fault(problem="too long", got="x" * 5000))) < 150


@pytest.mark.parametrize(
    ("value", "spelled"),
    [
        (True, "true"),
        (date(2026, 3, 2), "2026-03-02"),
        (datetime(2026, 3, 2, 7, 32), "2026-03-02T07:32:00"),
        ((1, 2.5), "[1, 2.5]"),
        ({"unit": "heron", "a b": False}, "{ unit = 'heron', 'a b' = false }"),
        ([{"low": None}], "[{ low = nothing }]"),
        (np.float64(0.25), "0.25"),
        (np.int64(3), "3"),
        (Path("clips/a.wav"), "'clips/a.wav'"),
        ("n/a", "'n/a'"),
        (math.nan, "nan"),
    ],
)
def test_values_are_spelled_as_in_a_study_file(value, spelled):
    """TOML v1.0.0: booleans, dates (RFC 3339), arrays, inline tables, special floats; nothing as Python spells it."""
    assert str(Fault(problem="wrong", got=value)) == f"wrong, got {spelled}"
    assert Fault(problem="wrong", got=value).to_dict()["got"] == spelled


def test_a_fault_keeps_the_file_it_names():
    assert Fault(problem="p").in_file("a").file == "a"
    assert Fault(problem="p", file="b").in_file("a").file == "b"


def test_faults_are_sorted_by_file_and_line():
    error = BlindtestError.of([Fault(problem=p, file=f, line=n) for p, f, n in
                               [("3", "b", 1), ("2", "a", 9), ("1", "a", 2), ("0", "a", None)]])  # fmt: skip
    assert [fault.problem for fault in error.faults] == ["0", "1", "2", "3"]
    assert str(error).splitlines()[-1] == "b:1: 3"


def test_an_error_without_faults_is_a_mistake():
    with pytest.raises(ValueError, match="at least one fault"):
        BlindtestError()


def test_codes():
    # The documented exit codes: blindtest guide exit-codes
    assert [kind.exit_code for kind in (BlindtestError, FoundWanting, WrongUse, Missing)] == [3, 1, 2, 4]


def test_what_json_gets():
    held = Fault(problem="p", got=1.5, line=2).to_dict()
    assert held == {"problem": "p", "file": None, "line": 2, "key": None, "got": "1.5", "allowed": None, "remedy": None}


@pytest.mark.parametrize(("typed", "meant"), [("responce", "did you mean 'response'?"), ("RESPONSES", ""), ("zzz", "")])
def test_did_you_mean(typed, meant):
    assert did_you_mean(typed, ["response", "gain"]) == meant


def test_nothing_far_from_what_was_typed_is_offered():
    assert did_you_mean("nothing", ["anchoring", "night", "study"]) == ""
    assert did_you_mean("abc", ["abx"]) == "did you mean 'abx'?"
