"""Tables of paired preferences, through the command."""

import json
from pathlib import Path

import pytest

REFERENCES = Path(__file__).parents[2] / "references" / "stats"
SMALL = REFERENCES / "data" / "preference_small.csv"

TWENTY = (
    "first,second,outcome\n" + "heron,plover,first\n" * 8 + "plover,heron,second\n" * 7 + "heron,plover,second\n" * 5
)


def test_sign_tests_are_those_of_the_reference(value):
    # preference_small_sign_tests.json: binom.test and p.adjust of R 4.2.2.
    found, code = value(SMALL, "--method", "preference")
    assert code == 0
    reference = json.loads((REFERENCES / "preference_small_sign_tests.json").read_text())["expected"]
    assert [(row["a"], row["b"]) for row in found["pairs"]] == list(zip(reference["a"], reference["b"], strict=True))
    assert [row["p_value"] for row in found["pairs"]] == pytest.approx(reference["p_two_sided"], abs=1e-9)
    assert [row["p_adjusted"] for row in found["pairs"]] == pytest.approx(reference["p_holm"], abs=1e-9)
    assert found["strengths"]["ties"] == sum(reference["ties"])
    assert found["preferred"] is None


def test_fifteen_of_twenty_preferences(write, value):
    # claims: two-sided 15 of 20 has p = .041.
    found, code = value(write(TWENTY), "--method", "preference", "--device", "heron", "--margin", "0.25")
    assert code == 0
    concluded = found["preferred"]["conclusion"]
    assert found["preferred"]["comparator"] == "plover"
    assert concluded["answered"]["p_value"] == pytest.approx(0.0413893, abs=5e-7)
    assert concluded["word"] == "shown"


def test_an_outcome_may_name_the_preferred_item(write, value):
    named = TWENTY.replace("heron,plover,first", "heron,plover,heron").replace(
        "plover,heron,second", "plover,heron,heron"
    )
    named = named.replace("outcome", "winner")
    found, _ = value(write(named), "--method", "preference", "--device", "heron", "--margin", "0.25")
    plain, _ = value(write(TWENTY), "--method", "preference", "--device", "heron", "--margin", "0.25")
    assert found["preferred"] == plain["preferred"]


def test_a_preferred_item_that_is_none_of_the_two_is_refused_with_its_line(write, said):
    _, err, code = said(
        write("first,second,outcome\nheron,plover,first\nheron,plover,wren\n"), "--method", "preference"
    )
    assert code == 3
    assert "table.csv:3: outcome: the preferred item is none of the two, got 'wren'" in err


def test_an_item_compared_with_itself_is_refused_with_its_line(write, said):
    _, err, code = said(write("a,b,outcome\nheron,plover,1\n\nheron,heron,1\n"), "--method", "preference")
    assert code == 3
    assert "table.csv:4: b: an item is compared with itself, got 'heron'" in err


def test_a_pair_that_stands_there_twice_is_refused(write, said):
    text = "trial,first,second,outcome\n1,heron,plover,first\n2,plover,heron,tie\n1,heron,plover,second\n"
    _, err, code = said(write(text), "--method", "preference")
    assert code == 3
    assert "table.csv:4: trial: this pair stands there twice, first in line 2" in err


def test_of_many_items_the_claimed_ones_must_be_named(said):
    _, err, code = said(SMALL, "--method", "preference", "--margin", "0.2")
    assert code == 3
    assert "--device: of these devices, which is to be compared with which? (allowed: A, B, C, D)" in err


def test_items_called_like_answers_are_refused(write, said):
    _, err, code = said(write("first,second,outcome\n1,2,1\n"), "--method", "preference")
    assert code == 3
    assert "an item is called like an answer, got '1'" in err


# Our own trial table


def ours(*rows):
    return "listener,sitting,trial,method,phase,clip,slot,order,response\n" + "".join(
        f"L1,1,{number},{row}\n" for number, row in enumerate(rows)
    )


HEARD = "preference,blind,c,choice,1=heron|2=plover,{0}"
TURNED = "preference,blind,c,choice,1=plover|2=heron,{0}"


def test_our_own_table_is_read_off_the_order_of_hearing(write, value):
    """The same twenty pairs as above, practice, another method and a remark among them."""
    beside = ["preference,practice,c,choice,1=heron|2=plover,2", "abx,blind,c,choice,A=heron|B=plover|X=heron,A"]
    beside.append("preference,blind,c,confidence,1=heron|2=plover,3")
    rows = [HEARD.format(1)] * 8 + [TURNED.format(2)] * 7 + [HEARD.format(2)] * 5 + [HEARD.format("none")]
    found, code = value(write(ours(*beside, *rows)), "--method", "preference", "--device", "heron", "--margin", "0.25")
    assert code == 0
    concluded = found["preferred"]["conclusion"]
    # claims: two-sided 15 of 20 has p = .041.
    assert concluded["answered"]["p_value"] == pytest.approx(0.0413893, abs=5e-7)
    assert (concluded["wins"], concluded["losses"], concluded["ties"]) == (15, 5, 1)
    assert found["strengths"]["order_effect"] is not None
    assert any("21 counted pairs" in line for line in found["understood"])


@pytest.mark.parametrize(
    ("row", "words"),
    [
        (HEARD.format("heron"), "table.csv:2: response: no answer to a pair, got 'heron' (allowed: 1, 2, none"),
        ("preference,blind,c,choice,heron,1", "table.csv:2: order: not the order of a pair, got 'heron'"),
        ("abx,blind,c,choice,A=heron|B=plover|X=heron,A", "no counted pair of the method preference"),
    ],
)
def test_what_our_own_table_cannot_mean_is_refused(write, said, row, words):
    _, err, code = said(write(ours(row)), "--method", "preference")
    assert code == 3
    assert words in err
