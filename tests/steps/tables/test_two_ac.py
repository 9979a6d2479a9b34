"""Tables of pairs in which one was named, or neither, through the command."""

import pytest


def rows(device, none, comparator):
    ends = ["heron"] * device + ["none"] * none + ["plover"] * comparator
    turned = ("heron,plover", "plover,heron")
    return "a,b,outcome\n" + "".join(f"{turned[n % 2]},{end}\n" for n, end in enumerate(ends))


def test_d_prime_and_tau_reproduce_the_shares(write, value):
    # methods of the trade: tau = (z2 - z1)/sqrt 2, d = -(z1 + z2)/sqrt 2 of the cumulative shares (Christensen, Lee &
    # Brockhoff 2012), here with scipy's normal quantiles.
    from scipy.stats import norm

    found, code = value(write(rows(15, 6, 9)), "--method", "2-ac")
    assert code == 0
    z1, z2 = norm.ppf(9 / 30), norm.ppf(15 / 30)
    result = found["two_ac"]
    assert (found["device"], found["comparator"]) == ("heron", "plover")
    assert result["tau"] == pytest.approx((z2 - z1) / 2**0.5)
    assert result["d_prime"] == pytest.approx(-(z1 + z2) / 2**0.5)


def test_the_exact_test_is_the_binomial_one(write, value):
    from scipy.stats import binomtest

    found, _ = value(write(rows(15, 6, 5)), "--method", "2-ac", "--device", "heron", "--one-sided")
    assert found["two_ac"]["p_value"] == pytest.approx(binomtest(15, 20, alternative="greater").pvalue)


def test_exchanging_the_devices_turns_the_sign(write, value):
    one, _ = value(write(rows(15, 6, 5)), "--method", "2-ac", "--device", "heron")
    other, _ = value(write(rows(15, 6, 5)), "--method", "2-ac", "--device", "plover")
    assert other["two_ac"]["d_prime"] == pytest.approx(-one["two_ac"]["d_prime"])
    assert other["two_ac"]["p_value"] == one["two_ac"]["p_value"]


def test_more_pairs_than_planned_are_refused(write, said):
    _, err, code = said(write(rows(5, 5, 5)), "--method", "2-ac", "--planned", 10)
    assert code == 3
    assert "15 trials, 10 planned" in err
