"""Tables of pairs called same or different, through the command."""

import pytest


def rows(same_same, different_same, same_different, different_different, who="L1"):
    """Name counts ANSWER_PAIR, as the function does."""
    return (
        f"{who},same,same\n" * same_same + f"{who},same,different\n" * different_same
        + f"{who},different,same\n" * same_different + f"{who},different,different\n" * different_different
    )  # fmt: skip


def test_d_prime_of_counts(write, value):
    # Macmillan & Creelman 2005 (differencing), by their equations: with tau fixed by the false alarms, d' by the hits;
    # here solved with scipy.optimize.brentq from P(same|S) = 2 Phi(tau/sqrt 2) - 1 in the test itself.
    from scipy.optimize import brentq
    from scipy.stats import norm

    found, code = value(write("who,pair,answer\n" + rows(15, 5, 4, 16)), "--method", "same-different")
    assert code == 0
    tau = 2**0.5 * norm.ppf((1 + 15 / 20) / 2)
    d = brentq(lambda d: norm.cdf((tau - d) / 2**0.5) - norm.cdf((-tau - d) / 2**0.5) - 4 / 20, 0.1, 10)
    assert found["same_different"]["d_prime"] == pytest.approx(d, abs=1e-5)


def test_fishers_exact_test_is_that_of_scipy(write, value):
    from scipy.stats import fisher_exact

    found, _ = value(write("who,pair,answer\n" + rows(15, 5, 4, 16)), "--method", "same-different")
    expected = fisher_exact([[16, 4], [5, 15]], alternative="greater").pvalue
    assert found["same_different"]["p_value"] == pytest.approx(expected, rel=1e-9)


def test_listeners_one_by_one(write, value, said):
    table = write("who,pair,answer\n" + rows(9, 1, 2, 8, "a") + rows(5, 5, 5, 5, "b"))
    found, _ = value(table, "--method", "same-different")
    assert [one["listener"] for one in found["listeners"]] == ["a", "b"]
    assert found["listeners"][0]["adjusted_p_value"] == pytest.approx(2 * found["listeners"][0]["result"]["p_value"])
    text, _, _ = said(table, "--method", "same-different")
    assert "All answers in one pot: criteria that differ between listeners make d' look smaller." in text


def test_a_table_that_says_only_what_was_right_is_read_as_such(write, value):
    found, code = value(write("who,ok\n" + "a,1\n" * 14 + "a,0\n" * 6), "--method", "same-different", "--column",
                        "correct=ok", "--margin", "0.4")  # fmt: skip
    assert code == 0
    assert found["conclusion"]["correct"] == 14


def test_one_kind_of_pair_tells_nothing(write, said):
    _, err, code = said(write("who,pair,answer\n" + rows(5, 5, 0, 0)), "--method", "same-different")
    assert code == 3
    assert "no answered pair was different" in err


def test_other_answers_are_refused_with_their_lines(write, said):
    text = "who,pair,answer\na,same,same\na,different,maybe\n"
    _, err, code = said(write(text), "--method", "same-different")
    assert code == 3
    assert "table.csv:3: answer: no such answer, got 'maybe' (allowed: same, different)" in err


def test_a_margin_has_no_meaning_there(write, said):
    _, err, code = said(write("who,pair,answer\n" + rows(5, 5, 5, 5)), "--method", "same-different", "--margin", "0.3")
    assert code == 3
    assert "no margin applies to answers same and different" in err
