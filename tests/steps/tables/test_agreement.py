"""Tables of several judges' ratings, through the command."""

import pytest

# Shrout & Fleiss 1979, table 2: 6 targets, 4 judges; their table 4 gives the six forms to two decimals.
MATRIX = "target,J1,J2,J3,J4\nT1,9,2,5,8\nT2,6,1,3,2\nT3,8,4,6,8\nT4,7,1,2,6\nT5,10,5,6,9\nT6,6,2,4,7\n"
FORMS = {"ICC(1,1)": 0.17, "ICC(2,1)": 0.29, "ICC(3,1)": 0.71, "ICC(1,k)": 0.44, "ICC(2,k)": 0.62, "ICC(3,k)": 0.91}


def long_rows(matrix):
    header, *rows = (line.split(",") for line in matrix.split())
    return [f"{row[0]},{judge},{cell}" for row in rows for judge, cell in zip(header[1:], row[1:], strict=True)]


def test_the_six_forms_of_shrout_and_fleiss(write, value):
    found, code = value(write(MATRIX), "--method", "agreement")
    assert code == 0
    assert {row["form"]: pytest.approx(row["estimate"], abs=5e-3) for row in found["agreement"]["icc"]} == FORMS


def test_a_row_per_rating_is_the_same_table(write, value):
    text = "what,judge,score\n" + "\n".join(reversed(long_rows(MATRIX)))
    long, _ = value(write(text, "long.csv"), "--method", "agreement", "--column", "target=what")
    wide, _ = value(write(MATRIX, "wide.csv"), "--method", "agreement")
    assert long["agreement"]["icc"] == [pytest.approx(row) for row in wide["agreement"]["icc"]]
    assert long["understood"][-1] == "6 targets (target), 4 judges"


def test_repeats_are_averaged_and_said(write, value):
    text = "target,judge,score\n" + "\n".join([*long_rows(MATRIX), "T1,J1,11"])
    found, _ = value(write(text), "--method", "agreement")
    assert found["understood"][-1].endswith("1 rating is a repeat, and averaged")


def test_a_cell_that_is_no_rating_is_named_by_line_and_judge(write, said):
    _, err, code = said(write(MATRIX.replace("T3,8", "T3,eight")), "--method", "agreement")
    assert code == 3
    assert "table.csv:4: J1: no rating, got 'eight' (allowed: a number, or nothing)" in err


def test_one_judge_agrees_with_nobody(write, said):
    _, err, code = said(write("target,J1\nT1,2\nT2,3\n"), "--method", "agreement")
    assert code == 3
    assert "agreement needs at least two targets (rows) and two judges (columns)" in err


def test_ratings_of_nothing_are_refused(write, said):
    _, err, code = said(write("judge,score\nJ1,2\nJ2,3\n"), "--method", "agreement")
    assert code == 3
    assert "no column says what was rated" in err
