"""Tables of settings, through the command: anybody's, and our own with a row for each value."""

import numpy as np
import pytest
from scipy import stats as scipy_stats

RNG = np.random.default_rng(8)
MADE = [
    (f"L{who}", trial, start, round(0.4 + 0.1 * who + 0.2 * start + float(RNG.normal(0, 0.4)), 2))
    for who in range(4)
    for trial, start in enumerate([-2.0, 1.5, -1.0, 2.5, 1.0, -2.5])
]
PLAIN = "subject,trial,start,setting\n" + "".join(f"{who},{n},{start},{value}\n" for who, n, start, value in MADE)


OTHER_THING = "".join(f"L9,1,1,set,blind,adjustment,{slot},other@1\n" for slot in ("set", "start"))


def ours(rows, more=""):
    head = "listener,sitting,trial,block,phase,method,slot,response\n"
    lines = [
        f"{who},1,{n},set,blind,adjustment,{slot},{said}"
        for who, n, start, value in rows
        for slot, said in (
            ("offset", 2),
            ("set", f"second@{value:g}"),
            ("start", f"second@{start:g}"),
            ("moves", 5),
            ("end", ""),
        )
    ]
    return head + "\n".join(lines) + "\n" + more


def test_anybodys_table_is_that_of_scipy(write, value, said):
    found, code = value(write(PLAIN), "--method", "adjustment", "--margin", 1)
    result = found["settings"]
    means = [np.mean([v for who, _, _, v in MADE if who == f"L{n}"]) for n in range(4)]
    low, high = scipy_stats.t.interval(0.95, 3, loc=np.mean(means), scale=scipy_stats.sem(means))
    assert code == 0
    assert result["interval"] == pytest.approx([low, high])
    assert result["word"] == "shown"
    assert result["start"]["slope"] == pytest.approx(0.2, abs=0.1)
    text, _, _ = said(write(PLAIN), "--method", "adjustment", "--margin", 1)
    assert "Result: shown. 24 settings of 4 listeners" in text
    assert "from below" in text


def test_our_own_table_says_the_same(write, value):
    rows = [(who, n, start, round(2 * v) / 2) for who, n, start, v in MADE]
    plain = "listener,start,setting\n" + "".join(f"{who},{start},{v}\n" for who, _, start, v in rows)
    practice = "L0,1,99,try,practice,adjustment,set,second@4\nL0,1,98,test,blind,abx,choice,A\n"
    mine, _ = value(write(ours(rows, practice), "ours.csv"), "--method", "adjustment")
    other, _ = value(write(plain, "plain.csv"), "--method", "adjustment")
    assert mine["settings"] == other["settings"]
    assert mine["understood"][-1] == "24 settings, each of several rows"


@pytest.mark.parametrize(
    ("text", "arguments", "wrong"),
    [
        ("listener,trial\nL,1\n", (), "setting"),
        ("setting\nmuch\n", (), "much"),
        (PLAIN + "L0,1,1,0.3\n", (), "this trial stands there twice"),
        (PLAIN, ("--margin", "0"), "not a margin"),
        (PLAIN, ("--device", "x"), "no use for this"),
        (ours(MADE[:3], OTHER_THING), (), "several things were set"),
        (ours(MADE[:3], "L9,1,1,set,blind,adjustment,set,0.5\n"), (), "a trial without its setting"),
        (ours([], "L,1,1,t,blind,abx,choice,A\n"), (), "no settings in it"),
    ],
)
def test_what_is_wrong_is_said_in_a_line(write, said, text, arguments, wrong):
    _, errors, code = said(write(text), "--method", "adjustment", *arguments)
    assert code in (2, 3)
    assert wrong in errors
    assert "Traceback" not in errors
