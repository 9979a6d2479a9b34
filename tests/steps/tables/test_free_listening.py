"""Tables of whole tracks heard freely, through the command."""

import pytest


def rows(chosen, others, *, header="track,order,chosen"):
    ends = ["heron"] * chosen + ["plover"] * others
    orders = ("A=heron|B=plover", "A=plover|B=heron")
    return f"{header}\n" + "".join(f"t{n},{orders[n % 2]},{end}\n" for n, end in enumerate(ends))


def test_choices_of_one_listener_are_a_sign_test(write, value):
    from scipy.stats import binomtest

    found, code = value(write(rows(10, 2)), "--method", "free-listening", "--device", "heron", "--margin", "0.2")
    assert code == 0
    assert found["choice"]["p_value"] == pytest.approx(binomtest(10, 12).pvalue)
    assert found["choice"]["word"] == "shown"
    assert found["dwell"] is None


def test_a_column_per_slot_says_the_same(write, value):
    slots = ("heron,plover", "plover,heron")
    ends = ["heron"] * 10 + ["plover"] * 2
    text = "title,A,B,picked\n" + "".join(f"t{n},{slots[n % 2]},{end}\n" for n, end in enumerate(ends))
    one, _ = value(write(text, "slots.csv"), "--method", "free-listening", "--device", "heron")
    other, _ = value(write(rows(10, 2), "order.csv"), "--method", "free-listening", "--device", "heron")
    assert one["choice"] == other["choice"]


def test_dwell_is_held_against_the_draws(write, value):
    # All 2**6 draws of 6 tracks; the observed one is the largest of them, so p is 2/64 two-sided.
    text = "track,order,dwell\n" + "".join(f"t{n},A=heron|B=plover,heron={60 + n}|plover=30\n" for n in range(6))
    found, code = value(write(text), "--method", "free-listening", "--device", "heron")
    assert code == 0
    assert found["dwell"]["p_value"] == pytest.approx(2 / 64)


def test_of_three_conditions_the_claimed_one_must_be_named(write, said):
    text = "track,order,chosen\nt1,A=a|B=b|C=c,a\n"
    _, err, code = said(write(text), "--method", "free-listening")
    assert code == 3
    assert "the claim is about one of these" in err


def test_a_choice_of_what_was_not_there_is_refused_with_its_line(write, said):
    text = "track,order,chosen\nt1,A=heron|B=plover,heron\n\nt2,A=heron|B=plover,wren\n"
    _, err, code = said(write(text), "--method", "free-listening", "--device", "heron")
    assert code == 3
    assert "table.csv:4: chosen:" in err


def test_a_table_without_behaviour_is_refused(write, said):
    _, err, code = said(write("track,order\nt1,A=heron|B=plover\n"), "--method", "free-listening")
    assert code == 3
    assert "no column says what listeners did" in err
