"""Tables of ratings of any design, through the command."""

from pathlib import Path

import pytest

REFERENCES = Path(__file__).parents[2] / "references" / "stats"
UNBALANCED = REFERENCES / "data" / "panel_ratings_unbalanced.csv"
SLEEP = REFERENCES / "data" / "sleepstudy.csv"


def test_the_model_is_read_off_the_columns(value):
    found, code = value(UNBALANCED, "--method", "rating")
    assert code == 0
    assert found["model"]["formula"] == "rating ~ device * mode"
    assert list(found["model"]["random"]) == [
        "listener", "listener:device", "listener:mode", "listener:device:mode",
        "clip", "clip:device", "clip:mode", "clip:device:mode",
    ]  # fmt: skip
    assert len(found["contrasts"]) == 6
    assert found["fit"]["convergence"]["converged"]


def test_a_formula_of_ones_own_gives_the_published_fit(value):
    # Bates, Maechler, Bolker & Walker 2015 (J. Stat. Softw. 67(1)), sleepstudy: 251.405 + 10.467 Days by REML, residual
    # standard deviation 25.592; lme4 1.1.31 gives the standard errors 6.825 and 1.546.
    found, code = value(
        SLEEP, "--method", "rating", "--column", "rating=Reaction", "--column", "listener=Subject",
        "--formula", "rating ~ Days", "--random", "listener=1 + Days",
    )  # fmt: skip
    assert code == 0
    intercept, days = found["fit"]["coefficients"]
    assert (intercept["estimate"], days["estimate"]) == pytest.approx((251.405, 10.467), abs=6e-4)
    assert (intercept["std_error"], days["std_error"]) == pytest.approx((6.825, 1.546), abs=6e-4)
    assert found["fit"]["sigma"] == pytest.approx(25.592, abs=1e-3)
    assert found["contrasts"] == []


def test_a_claimed_pair_ends_in_a_word(value):
    arguments = (UNBALANCED, "--method", "rating", "--device", "A", "--comparator", "C")
    forth, _ = value(*arguments, "--margin", 5)
    back, _ = value(UNBALANCED, "--method", "rating", "--device", "C", "--comparator", "A", "--margin", 5)
    one, other = forth["claim"]["conclusion"], back["claim"]["conclusion"]
    assert (one["word"], other["word"]) == ("shown", "refuted")
    assert one["estimate"] == -other["estimate"]
    wide, _ = value(*arguments, "--margin", 40)
    assert wide["claim"]["conclusion"]["word"] == "negligible"


def test_ranks_residuals_and_single_listeners_stand_beside_the_model(value, said):
    found, _ = value(UNBALANCED, "--method", "rating")
    looks = {one["name"]: one for one in found["companions"]}
    assert set(looks) == {"ranks", "residuals", "single listeners"}
    # A - C: p = .11 by the model, which takes 4 clips as a sample; .0078 by signed ranks of these clips (R's
    # wilcox.test of the listeners' means, held against in the ranks' own tests).
    assert looks["ranks"]["notable"]
    assert "A - C is found only by signed ranks" in looks["ranks"]["sentence"]
    assert "Ranks speak of these clips only" in looks["ranks"]["sentence"]
    text, _, _ = said(UNBALANCED, "--method", "rating")
    assert looks["ranks"]["sentence"] in text


def test_what_cannot_be_told_from_the_residual_is_left_out_and_said(write, value):
    rows = "".join(f"L{i},{d},{50 + 3 * i + (10 if d == 'a' else 0) + (7 * i * ord(d)) % 5}\n"
                   for i in range(6) for d in "ab")  # fmt: skip
    found, code = value(write("who,system,score\n" + rows), "--method", "rating")
    assert code == 0
    assert found["model"]["random"] == {"listener": "1"}
    assert found["model"]["remarks"] == [
        "listener:device can't be told from the residual: one rating of each",
        "one clip or none named: the result is about that alone",
    ]


def test_cells_that_are_no_ratings_are_named(write, said):
    _, err, code = said(write("who,system,score\na,x,50\nb,y,good\nc,x,\n"), "--method", "rating")
    assert code == 3
    assert "table.csv:3: score: can't be read, got 'good' (allowed: a finite number)" in err


def test_a_rating_that_stands_there_twice_is_refused(write, said):
    text = "listener,trial,device,rating\nL1,1,a,50\nL1,2,b,60\nL1,1,a,55\n"
    _, err, code = said(write(text), "--method", "rating")
    assert code == 3
    assert "table.csv:4: trial: this rating stands there twice, first in line 2" in err


def test_a_column_that_the_formula_needs_and_nobody_has_is_guessed(said):
    _, err, code = said(UNBALANCED, "--method", "rating", "--formula", "rating ~ devise")
    assert code == 3
    assert "did you mean 'device'?" in err


def test_nothing_that_varies_is_refused(write, said):
    _, err, code = said(write("listener,rating\na,5\nb,6\n"), "--method", "rating")
    assert code == 3
    assert "nothing varies that could be tested" in err
