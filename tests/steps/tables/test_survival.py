"""Tables of labelled and blind ratings, through the command."""

from pathlib import Path

SMALL = Path(__file__).parents[2] / "references" / "stats" / "data" / "panel_ratings_small.csv"


def test_a_panel_is_judged_as_by_the_function(value):
    import pandas as pd

    from blindtest.stats import survival

    found, code = value(SMALL, "--method", "survival", "--device", "A", "--comparator", "C", "--margin", 5)
    assert code == 0
    table = pd.read_csv(SMALL)
    table["mode"] = table["condition"].map({"sighted": "labelled", "blind": "blind"})
    table["sitting"] = table["mode"]
    alone = survival(table, device="A", comparator="C", margin=5)
    assert found["survival"]["verdict"] == alone.verdict
    assert found["survival"]["blind"]["estimate"] == alone.blind.estimate
    assert any("'sighted' read as labelled" in line for line in found["understood"])


def test_modes_of_another_name_are_refused_with_their_lines(write, said):
    text = "listener,clip,device,mode,sitting,rating\nL1,c,a,blind,1,50\nL1,c,b,dark,1,50\nL1,c,b,blind,1,x\n"
    _, err, code = said(write(text), "--method", "survival")
    assert code == 3
    assert "table.csv:3: mode: no such answer, got 'dark' (allowed: labelled, blind, worn, practice)" in err
    assert "table.csv:4: rating: can't be read, got 'x' (allowed: a finite number)" in err


def test_rows_that_say_nothing_are_named_by_the_files_own_lines_and_columns(write, said):
    text = "who;clip;system;mode;day;score\nL1;c;a;blind;1;50,5\n\n;c;b;blind;1;50\n"
    _, err, code = said(write(text), "--method", "survival")
    assert code == 3
    assert "table.csv:4: who: the row does not say this" in err


def test_a_device_nobody_rated_is_guessed(said):
    _, err, code = said(SMALL, "--method", "survival", "--device", "A", "--comparator", "CC")
    assert code == 3
    assert "--comparator: the table does not have this, got 'CC' (allowed: A, B, C)" in err
