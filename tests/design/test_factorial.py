"""Factorial designs against published tables.

- 2^(4-1), D = ABC: runs (1), ad, bd, ab, cd, ac, bc, abcd, I = ABCD: Montgomery, Design and Analysis of Experiments,
  chapter 8, problem 8.1 with its solution;
- 2^(5-2), D = AB, E = AC: I = ABD = ACE = BCDE, A = BD = CE = ABCDE, D = AB, E = AC: the alias table of five factors
  in eight runs, from course notes on screening designs;
- 2^(5-1), 5 = 1234: 1 = 2345, 2 = 1345, 3 = 1245, 4 = 1235: Berthouex and Brown, Statistics for Environmental
  Engineers, chapter on fractional factorials;
- greatest resolutions of 2^(k-p): the table of fractional designs in Box, Hunter and Hunter and in the NIST/SEMATECH
  e-Handbook 5.3.3.4.7, from memory.
"""

from itertools import combinations

import numpy as np
import pytest

from blindtest.design import factorial


def letters(design):
    """Return runs in the usual notation: the letters that are on."""
    return ["".join(name.lower() for name, on in zip(design.factors, run, strict=True) if on) for run in design.runs]


def test_half_of_four():
    half = factorial("ABCD", 1)
    assert letters(half) == ["", "ad", "bd", "ab", "cd", "ac", "bc", "abcd"]
    assert half.generators == (("D", ("A", "B", "C")),)
    assert (half.fraction, half.resolution, half.resolution_words) == ("1/2", 4, "IV")
    assert half.aliases("A") == (("B", "C", "D"),)
    assert half.aliases("AB") == (("C", "D"),)
    assert half.confounded == ("A x B = C x D", "A x C = B x D", "A x D = B x C")
    assert half.pairs == ((("A", "B"), ("C", "D")), (("A", "C"), ("B", "D")), (("A", "D"), ("B", "C")))


def test_a_quarter_of_five():
    quarter = factorial("ABCDE", 2)
    assert quarter.generators == (("D", ("A", "B")), ("E", ("A", "C")))
    words = {"".join(sorted(quarter.factors[place] for place in word)) for word in quarter.words}
    assert words == {"ABD", "ACE", "BCDE"}
    assert ["".join(one) for one in quarter.aliases("A")] == ["BD", "CE", "ABCDE"]
    assert quarter.aliases("D", up_to=2) == (("A", "B"),)
    assert quarter.aliases("E", up_to=2) == (("A", "C"),)
    # BC and BE are products of two that stand with no factor alone: BC = DE, BE = CD.
    assert quarter.pairs == ((("B", "C"), ("D", "E")), (("B", "E"), ("C", "D")))


def test_half_of_five_is_of_resolution_five():
    half = factorial("12345", 1)
    assert half.resolution_words == "V"
    assert ["".join(half.aliases(one)[0]) for one in "1234"] == ["2345", "1345", "1245", "1235"]
    assert half.confounded == ()


@pytest.mark.parametrize(
    ("factors", "halvings", "resolution"),
    [(3, 1, 3), (4, 1, 4), (5, 1, 5), (5, 2, 3), (6, 1, 6), (6, 2, 4), (6, 3, 3), (7, 3, 4), (7, 4, 3), (8, 3, 4)],
)  # fmt: skip
def test_the_greatest_resolution_is_found(factors, halvings, resolution):
    assert factorial("ABCDEFGH"[:factors], halvings).resolution == resolution


@pytest.mark.parametrize(("factors", "halvings"), [(2, 0), (3, 0), (3, 1), (4, 1), (5, 2), (6, 3), (7, 4)])
def test_runs_are_balanced_and_aliases_are_equal_columns(factors, halvings):
    design = factorial("ABCDEFG"[:factors], halvings)
    runs = np.where(np.array(design.runs), 1, -1)
    assert len(runs) == 2 ** (factors - halvings)
    assert len({tuple(run) for run in runs}) == len(runs)
    assert tuple(runs[-1]) == (1,) * factors, "the whole chain is always heard"
    assert np.array_equal(runs.T @ runs, len(runs) * np.eye(factors))
    column = {name: runs[:, place] for place, name in enumerate(design.factors)}

    def of(effect):
        return np.prod([column[name] for name in effect], axis=0)

    # Two effects can't be told apart where their columns are the same: worked out here from the runs alone.
    for size in (1, 2):
        for effect in combinations(design.factors, size):
            same = {
                other
                for length in (1, 2)
                for other in combinations(design.factors, length)
                if other != effect and np.array_equal(of(other), of(effect))
            }
            assert set(design.aliases(effect, up_to=2)) == same
    told = [one for group in design.pairs for one in group]
    assert len(told) == len(set(told))
    for group in design.pairs:
        assert not any(np.array_equal(np.abs(of(group[0]) @ column[name]), len(runs)) for name in design.factors)


@pytest.mark.parametrize(("factors", "halvings"), [("A", 0), ("AA", 0), ("AB", 1), ("ABCD", 2), ("ABC", -1)])
def test_what_is_no_design(factors, halvings):
    with pytest.raises(ValueError, match=r"needed|can't tell"):
        factorial(factors, halvings)
