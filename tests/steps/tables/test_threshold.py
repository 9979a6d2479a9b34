"""Tables of right answers at levels, through the command."""

from math import exp, log

import pytest

COUNTS = "level,n,k\n0.25,30,16\n0.5,30,17\n1,30,20\n2,30,25\n4,30,28\n8,30,30\n"
SINGLE = "level,correct\n" + "".join(
    f"{level},{int(n < right)}\n"
    for level, right in ((0.25, 16), (0.5, 17), (1, 20), (2, 25), (4, 28), (8, 30))
    for n in range(30)
)


def test_counts_and_single_trials_are_the_same_table(write, value):
    arguments = ("--method", "threshold", "--link", "logistic", "--log-levels", "--lapse", 0)
    counted, code = value(write(COUNTS, "a.csv"), *arguments)
    single, _ = value(write(SINGLE, "b.csv"), *arguments)
    assert code == 0
    assert counted["threshold"] == single["threshold"]
    assert counted["threshold"]["fit"]["correct"] == [16, 17, 20, 25, 28, 30]


def test_the_curve_is_that_of_the_function_over_logarithms(write, value, said):
    import pandas as pd

    from blindtest.stats import fit_threshold

    table = write(COUNTS)
    found, _ = value(table, "--method", "threshold", "--link", "weibull", "--log-levels", "--guess", 0.5)
    rows = pd.DataFrame({"level": [log(x) for x in (0.25, 0.5, 1, 2, 4, 8)], "trials": 30})
    alone = fit_threshold(rows.assign(correct=[16, 17, 20, 25, 28, 30]), link="weibull", guess=0.5)
    at = alone.threshold(0.75)
    assert found["threshold"]["at"]["estimate"] == pytest.approx(at.estimate)
    text, _, _ = said(table, "--method", "threshold", "--link", "weibull", "--log-levels", "--guess", 0.5)
    assert f"75 % right at {exp(at.estimate):.4g} (" in text


def test_each_listener_has_a_curve_or_the_reason_why_not(write, value):
    rows = "".join(f"{who},{level},{int(n < right)}\n" for who, counts in {"a": (3, 6, 9), "b": (10, 10, 10)}.items()
                   for level, right in zip((1, 2, 3), counts, strict=True) for n in range(10))  # fmt: skip
    found, code = value(write("who,level,ok\n" + rows), "--method", "threshold", "--column", "correct=ok")
    assert code == 0
    own = {one["listener"]: one for one in found["listeners"]}
    assert own["a"]["result"]["fit"]["trials"] == [10, 10, 10]
    assert own["b"]["result"] is None
    assert own["b"]["why_not"].startswith("the answers are all right")


def test_more_right_than_asked_is_refused_with_its_line(write, said):
    _, err, code = said(write("level,n,k\n1,10,5\n\n2,10,11\n"), "--method", "threshold")
    assert code == 3
    assert "table.csv:4: k: no count of right answers, got '11.0' (allowed: 0 ... 10)" in err


def test_levels_without_a_logarithm_are_refused_with_their_lines(write, said):
    _, err, code = said(write("level,n,k\n0,10,5\n2,10,9\n"), "--method", "threshold", "--log-levels")
    assert code == 3
    assert "table.csv:2: level: a level without a logarithm, got 0.0 (allowed: above 0)" in err


def test_a_curve_of_another_name_is_refused(write, said):
    _, err, code = said(write(COUNTS), "--method", "threshold", "--link", "cubic", "--lapse", "0.6")
    assert code == 3
    assert "--link: no such curve, got 'cubic' (allowed: normal, logistic, weibull)" in err
    assert "--lapse: not a lapse rate, got 0.6" in err
