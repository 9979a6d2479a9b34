"""How sure listeners were: levels, type-2 ROC and its area, within listeners.

Outside references: the Mann-Whitney statistic of scipy.stats; the type-2 area of the unbiased observer of signal
detection theory, whose confidence is the distance of its evidence from the criterion (Galvin, Podd, Drga & Whitmore
2003, Psychonomic Bulletin & Review 10, 843), integrated here with scipy; Clopper-Pearson limits of scipy.stats.
"""

import numpy as np
import pytest
from scipy import integrate
from scipy import stats as reference

from blindtest.errors import BlindtestError
from blindtest.stats import choice_companions, confidence_look, trial_table, type_2_area

CORRECT = [1, 1, 0, 1, 0, 1, 1, 0, 1, 0, 1, 1]
SURE = [4, 3, 1, 2, 2, 4, 1, 3, 3, 1, 2, 4]


def test_the_area_is_that_of_mann_and_whitney():
    right = np.array(SURE)[np.array(CORRECT, bool)]
    wrong = np.array(SURE)[~np.array(CORRECT, bool)]
    u = reference.mannwhitneyu(right, wrong).statistic
    assert type_2_area(CORRECT, SURE) == pytest.approx(u / (right.size * wrong.size))


def test_the_area_is_that_under_the_points():
    result = confidence_look(CORRECT, SURE)
    x, y = zip(*result.points, strict=True)
    assert np.trapezoid(y, x) == pytest.approx(result.area)
    # By hand: of 8 right and 4 wrong, as sure as 4 or more 3 and 0, 3 or more 5 and 1, 2 or more 7 and 2.
    assert result.points == ((0, 0), (0, 3 / 8), (1 / 4, 5 / 8), (1 / 2, 7 / 8), (1, 1))
    assert confidence_look([1, 1, 1], [1, 2, 2]).points == ((0, 0), (0, 2 / 3), (0, 1), (1, 1))
    assert confidence_look([0, 0, 0], [1, 2, 2]).points == ((0, 0), (2 / 3, 0), (1, 0), (1, 1))


def observer(rng, n, mu):
    evidence = rng.normal(mu, 1, n)
    return evidence > 0, np.abs(evidence)


@pytest.mark.parametrize("mu", [0.5, 1.0, 2.0])
def test_the_unbiased_observer_has_the_area_of_theory(mu):
    """P(surer when right): the density of |x| given right is phi(c - mu)/Phi(mu), given wrong phi(c + mu)/Phi(-mu)."""
    norm = reference.norm

    def surer(c):
        below = (norm.cdf(-mu) - norm.cdf(-c - mu)) / norm.cdf(-mu)
        return norm.pdf(c - mu) / norm.cdf(mu) * below

    expected = integrate.quad(surer, 0, 12)[0]
    found = type_2_area(*observer(np.random.default_rng(1), 6000, mu))
    assert found == pytest.approx(expected, abs=0.015)
    assert expected > 0.55


def test_the_interval_holds_the_truth_about_as_often_as_it_says():
    """Four levels, two listeners who use them differently, 40 answers each: 800 studies, 3 standard errors: .023."""
    rng = np.random.default_rng(20_260_311)
    cuts = ((0.4, 1.0, 1.7), (0.1, 0.3, 0.8))
    big = [observer(rng, 200_000, 1.0) for _ in cuts]
    levels = [np.digitize(sure, own) for (_, sure), own in zip(big, cuts, strict=True)]
    truths = [reference.mannwhitneyu(level[right], level[~right]).statistic / (right.sum() * (~right).sum())
              for (right, _), level in zip(big, levels, strict=True)]  # fmt: skip
    held = []
    for _ in range(800):
        rows = [observer(rng, 40, 1.0) for _ in cuts]
        right = np.concatenate([one for one, _ in rows])
        sure = np.concatenate([np.digitize(one, own) for (_, one), own in zip(rows, cuts, strict=True)])
        who = np.repeat([0, 1], 40)
        pairs = [right[who == k].sum() * (~right[who == k]).sum() for k in (0, 1)]
        if not sum(pairs):
            continue
        low, high = confidence_look(right, sure, listener=list(who)).area_interval
        held.append(low <= np.average(truths, weights=pairs) <= high)
    assert 0.95 - 0.023 <= np.mean(held) <= 1.0, np.mean(held)


def test_limits_of_the_area_lie_z_of_their_own_errors_away():
    """Newcombe 2006 (Statistics in Medicine 25, 559, method 5; from memory), written as there, of one listener.

    V(t) = t (1 - t) (1 + n* (1 - t)/(2 - t) + n* t/(1 + t)) / (m n) with n* = (m + n)/2 - 1; |area - t| = z sqrt V.
    """
    result = confidence_look(CORRECT, SURE)
    m, n, z = sum(CORRECT), len(CORRECT) - sum(CORRECT), reference.norm.ppf(0.975)
    star = (m + n) / 2 - 1
    for limit in result.area_interval:
        variance = limit * (1 - limit) * (1 + star * (1 - limit) / (2 - limit) + star * limit / (1 + limit)) / (m * n)
        assert abs(result.area - limit) == pytest.approx(z * variance**0.5, abs=1e-9)


def test_pairs_are_taken_within_listeners():
    """One is always right and timid, one always wrong and bold: between them sureness would point the wrong way."""
    result = confidence_look([1, 1, 1, 0, 0, 0], [1, 1, 2, 4, 4, 3], listener=["a"] * 3 + ["b"] * 3)
    assert result.pairs == 0
    assert np.isnan(result.area)
    assert "Nobody was both right and wrong" in result.sentence
    assert result.to_dict()["area"] is None


def test_who_was_only_right_adds_nothing_to_the_area_of_others():
    """Listener b alone: of 3 x 2 pairs, 3 surer when right and 2 alike make (3 + 2/2) / 6."""
    rights, sure = [1, 1, 1, 0, 0], [4, 2, 1, 1, 2]
    alone = confidence_look(rights, sure)
    beside = confidence_look([1, 1, *rights], [3, 1, *sure], listener=["a"] * 2 + ["b"] * 5)
    assert beside.area == alone.area == pytest.approx(4 / 6)
    assert (beside.pairs, beside.area_interval) == (6, alone.area_interval)


def test_surer_whenever_right_has_an_interval_of_some_width():
    low, high = confidence_look([1, 1, 1, 0, 0], [4, 4, 3, 1, 2]).area_interval
    assert 0.3 < low < 0.9
    assert high == 1.0


def test_levels_have_exact_intervals():
    first = confidence_look(CORRECT, SURE).levels[0]
    exact = reference.binomtest(first.correct, first.trials).proportion_ci(method="exact")
    assert (first.words, first.correct, first.trials) == ("A guess", 1, 3)
    assert first.interval == pytest.approx((exact.low, exact.high))


def test_overconfidence_by_hand():
    """Certain four times and right twice: 1 said, .5 right. All guesses and half right: as said."""
    assert confidence_look([1, 1, 0, 0], [4, 4, 4, 4]).overconfidence == pytest.approx(0.5)
    assert confidence_look([1, 0], [1, 1]).overconfidence == pytest.approx(0.0)
    assert np.isnan(confidence_look([1, 0], [10, 90]).overconfidence), "other people's scales promise nothing"


@pytest.mark.parametrize(("correct", "sure"), [([], []), ([1, 0] * 20, range(40)), ([1, 0], [1, np.inf])])
def test_what_has_no_levels_is_refused(correct, sure):
    with pytest.raises(BlindtestError, match="no levels of confidence"):
        confidence_look(correct, list(sure))


def rows(confidence):
    return trial_table(
        {"listener": "a", "sitting": 1, "trial": k, "attempt": 1, "slot": "choice", "phase": "blind", "method": "abx",
         "response": "A", "correct": bool(right), "confidence": confidence and SURE[k]}
        for k, right in enumerate(CORRECT)
    )  # fmt: skip


def test_it_stands_beside_a_result_where_it_was_asked_and_only_there():
    (look,) = [one for one in choice_companions(rows(True), method="abx") if one.name == "how sure"]
    assert look.asked
    assert not look.notable
    assert look.sentence.startswith("Right by how sure the answer was: a guess 1 of 3 (33 %), unsure 2 of 3 (67 %)")
    assert not [one for one in choice_companions(rows(None), method="abx") if one.name == "how sure"]


def test_an_area_needs_a_right_and_a_wrong_answer():
    assert all(area != area for area in (type_2_area([1, 1], [1, 2]), type_2_area([0, 0], [1, 2])))
    assert type_2_area([1, 0], [2, 1]) == 1.0
