"""Circular triads: Kendall & Babington Smith's tables, enumeration of tournaments, degenerate rounds."""

import json
from itertools import combinations, product

import numpy as np
import pandas as pd
import pytest
from scipy.stats import chi2

from blindtest.errors import BlindtestError
from blindtest.stats import circular_triads
from blindtest.stats.circular_triads import most_triads, triad_distribution


def answers(text, listener="L1", clip="c1"):
    """ "AB" is A preferred to B, "A=B" neither."""
    rows = []
    for word in text.split():
        first, second = word[0], word[-1]
        rows.append((listener, clip, first, second, "tie" if "=" in word else "first"))
    return pd.DataFrame(rows, columns=["listener", "clip", "first", "second", "outcome"])


def tournament(items, outcomes):
    return " ".join((a + b) if won else (b + a) for (a, b), won in zip(combinations(items, 2), outcomes, strict=True))


@pytest.mark.parametrize(
    ("items", "counts"),
    [
        (3, (6, 2)),
        (4, (24, 16, 24)),
        (5, (120, 120, 240, 240, 280, 24)),
        (6, (720, 960, 2240, 2880, 6240, 3648, 8640, 4800, 2640)),
        (
            7,
            (
                5040,
                8400,
                21840,
                33600,
                75600,
                90384,
                179760,
                188160,
                277200,
                280560,
                384048,
                244160,
                233520,
                72240,
                2640,
            ),
        ),
    ],
)
def test_the_distribution_is_the_published_one(items, counts):
    """Kendall & Babington Smith 1940, table of the frequencies of d for n = 2 ... 7 (from memory)."""
    assert triad_distribution(items) == counts


def test_the_distribution_by_enumeration_of_triads():
    """All 2^10 tournaments of five items, triads counted one by one."""
    counts = [0] * 6
    for outcomes in product([True, False], repeat=10):
        beats = {(a, b) if won else (b, a) for (a, b), won in zip(combinations(range(5), 2), outcomes, strict=True)}
        circles = sum(
            {(a, b), (b, c), (c, a)} <= beats or {(b, a), (c, b), (a, c)} <= beats
            for a, b, c in combinations(range(5), 3)
        )
        counts[circles] += 1
    assert triad_distribution(5) == tuple(counts)


def test_zeta_of_one_circular_triad_among_five():
    """Methods of this project: n = 5, d = 1: zeta = 1 - 24/120 = .8. A > B > C > A, all above D above E."""
    result = circular_triads(answers("AB BC CA AD BD CD AE BE CE DE"))
    row = result.listeners.loc["L1"]
    assert (row["triads"], row["most"]) == (1, 5)
    assert row["zeta"] == pytest.approx(0.8)
    assert row["p_value"] == pytest.approx(240 / 1024)
    assert row["exact"]


def test_most_triads_by_parity():
    assert [most_triads(n) for n in (3, 4, 5, 6, 7, 8)] == [1, 2, 5, 8, 14, 20]


def test_rounds_add_up():
    """Two rankings of four items: both without a circle with (24/64)^2."""
    ranking = "AB AC AD BC BD CD"
    both = pd.concat([answers(ranking), answers(ranking, clip="c2")])
    row = circular_triads(both).listeners.loc["L1"]
    assert (row["rounds"], row["most"]) == (2, 4)
    assert row["p_value"] == pytest.approx((24 / 64) ** 2)
    # Without a column of clips the two rounds are one, each pair asked twice.
    assert circular_triads(both.drop(columns="clip")).listeners.loc["L1", "rounds"] == 1


def test_undecided_pairs_are_half_a_win_each():
    """A = B, B > C, C > A: half of a circle, 1/2 (1 of 3 items has 3/2, 3/2, 0 ... by sums of squares)."""
    row = circular_triads(answers("A=B BC CA")).listeners.loc["L1"]
    wins = np.array([0.5, 1.5, 1.0])
    assert row["triads"] == pytest.approx(3 * 2 * 5 / 12 - np.sum(wins**2) / 2)
    assert row["undecided"] == 1
    # The two other pairs as fair coins: A above C and C above B gives the same by symmetry, the two others 1/4.
    found = [
        3 * 2 * 5 / 12 - np.sum(np.square(w)) / 2 for w in ([0.5, 1.5, 1], [0.5, 0.5, 2], [1.5, 1.5, 0], [1.5, 0.5, 1])
    ]
    assert row["p_value"] == pytest.approx(np.mean(np.array(found) <= row["triads"] + 1e-9))


def test_more_items_than_are_counted_take_chi_square():
    """Kendall & Babington Smith 1940: 8/(n - 4) (C(n, 3)/4 - d -+ 1/2) + nu; here for d or fewer."""
    items = "ABCDEFGHIJK"
    rng = np.random.default_rng(1)
    text = tournament(items, rng.random(55) < 0.75)
    row = circular_triads(answers(text)).listeners.loc["L1"]
    nu = 11 * 10 * 9 / 49
    statistic = 8 / 7 * (165 / 4 - row["triads"] - 0.5) + nu
    assert not row["exact"]
    assert row["p_value"] == pytest.approx(chi2.sf(statistic, nu), rel=1e-9)


def test_chi_square_is_near_the_count():
    """Ten items, d = 20: .0367 by chi-square; counted over 2^45 tournaments .0380."""
    counts = triad_distribution(10)
    exact = sum(counts[:21]) / 2**45
    nu = 720 / 36
    assert exact == pytest.approx(chi2.sf(8 / 6 * (30 - 20 - 0.5) + nu, nu), abs=0.002)


def test_guessers_are_named_in_five_percent_at_most():
    """400 guessers of six items, seed 3: at most .05 and three Monte Carlo errors, .033."""
    rng = np.random.default_rng(3)
    tables = [answers(tournament("ABCDEF", rng.random(15) < 0.5), listener=f"L{i:03}") for i in range(400)]
    p = circular_triads(pd.concat(tables)).listeners["p_value"]
    assert (p <= 0.05).mean() <= 0.05 + 0.033


def test_incomplete_rounds_are_left_out_by_name():
    table = pd.concat([answers("AB BC AC"), answers("AB BC", clip="c2"), answers("AB", listener="L2")])
    result = circular_triads(table)
    assert result.incomplete == ("L1 on c2", "L2 on c1")
    assert "Left out, pairs missing: L1 on c2, L2 on c1." in result.sentence
    assert result.listeners.index.tolist() == ["L1"]


def test_an_unanswered_pair_is_missing_not_a_tie():
    table = answers("AB BC AC")
    table.loc[2, "outcome"] = None
    with pytest.raises(BlindtestError, match="no listener compared three or more items in all pairs"):
        circular_triads(table)


def test_asked_twice_counts_by_majority():
    assert circular_triads(answers("AB AB BA BC AC")).listeners.loc["L1", "triads"] == 0
    assert circular_triads(answers("AB BA BC AC")).listeners.loc["L1", "undecided"] == 1


def test_names_and_order_of_rows_are_nothing(references):
    table = pd.read_csv(references / "data" / "preference_small.csv")
    a = circular_triads(table).listeners
    b = circular_triads(table.sample(frac=1, random_state=2).replace({"A": "z", "C": "b"})).listeners
    assert a.equals(b)
    assert (a["p_adjusted"] >= a["p_value"]).all()
    assert json.loads(json.dumps(circular_triads(table).to_dict()))["listeners"][0]["listener"] == "L01"


def test_no_column_of_listeners_is_refused():
    with pytest.raises(BlindtestError, match="listener: the table of comparisons has no such column"):
        circular_triads(answers("AB BC AC").drop(columns="listener"))
