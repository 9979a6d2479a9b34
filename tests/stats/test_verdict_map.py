"""The map of a verdict's error rates, against noncentral t (scipy.stats.nct) and against `survival_power`."""

import json
from concurrent.futures import ThreadPoolExecutor
from math import sqrt

import pytest
from scipy.stats import nct
from scipy.stats import t as student

from blindtest.stats import verdict_map


@pytest.fixture(scope="module")
def single():
    """One listener with 4 + 4 sittings, at the scatter assumed alone."""
    return verdict_map(sittings=4, clips=5, repeats=2, scatters=(1.0,), studies=12_000, seed=5)


@pytest.mark.parametrize("labelled", [6.0, 12.0, 20.0])
def test_nothing_on_record_is_a_noncentral_t(single, labelled):
    """One-sided t test of the labelled effect: below its critical value there is nothing to test. Johnson, Kotz &
    Balakrishnan 1995, Continuous Univariate Distributions 2, chapter 31, as in scipy.stats.nct."""
    scatter = sqrt(6.0**2 + 2 * 12.0**2 / 10)
    expected = nct.cdf(student.ppf(0.95, 3), 3, labelled * sqrt(4) / scatter)
    found = {cell.nothing_on_record for cell in single.cells if cell.labelled == labelled}
    assert len(found) == 1  # the labelled ratings know nothing of the blind effect
    assert found.pop() == pytest.approx(expected, abs=4 * sqrt(expected * (1 - expected) / 12_000) + 1e-3)


def test_reverses_at_its_border_is_rejected_in_alpha_of_studies(single):
    """At blind = -margin *reverses* is true and L(d) > -margin with alpha: no state is wrong more often than that."""
    border = [cell for cell in single.cells if cell.blind == -8.0]
    assert all(cell.true_state == "reverses" for cell in border)
    assert max(cell.wrong for cell in border) <= 0.05 + 4 * single.std_error
    # With a labelled effect beyond doubt nothing else is wrong there: alpha is used up.
    sure = max(border, key=lambda cell: cell.labelled)
    assert sure.wrong > 0.03


def test_shares_of_a_cell_are_whole_studies_and_add_up(single):
    for cell in single.cells:
        assert cell.right + cell.wrong + cell.undecided + cell.nothing_on_record == pytest.approx(1.0, abs=1e-12)
        for share in (cell.right, cell.undecided):
            assert share * single.studies == pytest.approx(round(share * single.studies), abs=1e-6)
    assert single.worst.wrong == max(cell.wrong for cell in single.cells)
    assert single.sentence.startswith("Over 40 cells") or f"Over {len(single.cells)} cells" in single.sentence


def test_many_hands_the_same_bytes():
    asked = {"listeners": 6, "clips": 5, "studies": 11_000, "scatters": (1.0, 2.0)}
    alone = json.dumps(verdict_map(**asked).to_dict())
    with ThreadPoolExecutor(3) as pool:
        assert json.dumps(verdict_map(**asked, hands=pool).to_dict()) == alone
    assert json.dumps(verdict_map(**asked, seed=2).to_dict()) != alone


def test_two_of_a_panel_reach_nothing():
    small = verdict_map(listeners=2, clips=2, studies=500)
    assert {(cell.right, cell.wrong) for cell in small.cells} == {(0.0, 0.0)}


@pytest.mark.parametrize(
    ("wrong", "message"),
    [
        ({"clips": 0}, "clips must be 1 or more, got 0"),
        ({"sittings": (2, 0)}, "sittings must be 1 or more, got 0"),
        ({"sd_mode": -1.0}, r"sd_mode must be 0 or more, got -1\.0"),
        ({"studies": 0}, "studies must be 1 or more, got 0"),
        ({"margin": 0.0}, "the margin must be above 0"),
        ({"kept": 0.0}, "the share kept must lie above 0"),
    ],
)
def test_numbers_out_of_their_range_are_refused(wrong, message):
    with pytest.raises(ValueError, match=message):
        verdict_map(**({"clips": 1} | wrong))
