"""Adaptive methods: tracks by hand, where the rules settle, what the entropy rule finds, fair places of the odd one.

Sources: Levitt 1971 (JASA 49, 467), Kaernbach 1991 (P&P 49, 227), Kontsevich & Tyler 1999 (Vision Res. 39, 2729). The
levels of convergence .7071, .7937, .8409 are Levitt's table I; the values stand in every textbook (from memory, and by
p^k = 1/2).
"""

from collections import Counter
from hashlib import sha256
from math import log2, sqrt

import numpy as np
import pytest
from scipy.special import expit

from blindtest.design import Draws
from blindtest.methods import METHODS, STAIRCASE, STAIRCASE_WEIGHTED, THRESHOLD_BAYES, Outcome, Setting, settles_at
from blindtest.methods.entropy import LAPSE, most_telling, posterior
from blindtest.methods.level_trial import GUESS_RATES, guess_rate, place_of
from blindtest.methods.up_down import transformed, weighted

ADAPTIVE = (STAIRCASE, STAIRCASE_WEIGHTED, THRESHOLD_BAYES)
DRAWS = Draws(sha256(b"thresholds").digest())
GRID = ("none", *(f"hump@{place}" for place in range(12)))


def outcome(drawn, *, right):
    values = dict(drawn.right) if right else {"choice": "nothing of it"}
    return Outcome(drawn=drawn, answer=values, correct=right)


def track(method, answers, **numbers):
    """Return the place of every trial of a track that is answered so (1 right, 0 wrong), and of the one after."""
    setting, earlier, places = Setting(conditions=GRID, numbers=numbers), [], []
    for number, right in enumerate((*answers, None)):
        drawn = method.draw(DRAWS.source(f"key/{number}"), setting, earlier)
        places.append(place_of(drawn, setting))
        earlier.append(outcome(drawn, right=bool(right)))
    return places


def test_two_down_one_up_by_hand():
    # Worked on paper from Levitt's rule: two right go down, one wrong goes up; steps 4, then 2, then 1.
    answers = (1, 1, 1, 1, 0, 1, 1, 1, 0, 0, 1, 1)
    assert track(STAIRCASE, answers, down=2) == [11, 11, 7, 7, 3, 5, 5, 4, 4, 5, 6, 6, 5]


def test_weighted_by_hand():
    # Steps 2 then 1 down; three times as many up (Kaernbach's ratio for .75).
    answers = (1, 1, 0, 1, 1, 0, 1)
    assert track(STAIRCASE_WEIGHTED, answers, step=2, halvings=1) == [11, 9, 7, 10, 9, 8, 11, 10]


def test_a_track_stays_on_its_grid_and_starts_where_it_is_told():
    assert track(STAIRCASE, (0, 0, 0)) == [11, 11, 11, 11]
    assert track(STAIRCASE, (1,) * 8, down=1, start=0.0) == [0] * 9
    assert track(STAIRCASE, (), start=0.5) == [6]


@pytest.mark.parametrize("wrong", [{"down": 0}, {"step": 0}, {"halvings": -1}, {"start": 1.2}])
def test_impossible_numbers_are_refused(wrong):
    with pytest.raises(ValueError, match="got"):
        track(STAIRCASE, (1,), **wrong)
    with pytest.raises(ValueError, match="ratio of 0"):
        weighted([], levels=3, start=0, step=1, halvings=0, ratio=0)


@pytest.mark.parametrize(("down", "target"), [(1, 0.5), (2, 0.7071), (3, 0.7937), (4, 0.8409)])
def test_where_transformed_rules_settle(down, target):
    """An exact Markov chain over (place, rights in a row), written from the paper, on a shallow curve: the mean level
    lies at Levitt's point. And tracks of our rule visit the places as often as the chain says."""
    assert settles_at("staircase", {"down": down}) == pytest.approx(target, abs=5e-5)
    levels, spread = 41, 6.0
    chance = expit((np.arange(levels) - 20) / spread)
    steps = np.zeros((levels, down, levels, down))
    for place in range(levels):
        for row in range(down):
            up, below = min(place + 1, levels - 1), max(place - 1, 0)
            steps[place, row, up, 0] += 1 - chance[place]
            steps[place, row, *((below, 0) if row + 1 == down else (place, row + 1))] += chance[place]
    moves = steps.reshape(levels * down, levels * down)
    visited = np.linalg.matrix_power(moves, 4096)[0].reshape(levels, down).sum(axis=1)
    mean = visited @ np.arange(levels)
    assert expit((mean - 20) / spread) == pytest.approx(target, abs=0.01)

    rng, places = np.random.default_rng(31), []
    for _ in range(60):
        answers = []
        for number in range(150):
            place = transformed(answers, levels=levels, start=round(mean), step=1, halvings=0, down=down)
            answers.append(bool(rng.random() < chance[place]))
            places += [place] * (number >= 30)
    # Trials of a track go together, so the error is that of 60 means; the spread of a track's mean is below 2 places.
    assert np.mean(places) == pytest.approx(mean, abs=4 * 2 / sqrt(60))


@pytest.mark.parametrize(("ratio", "target"), [(1, 0.5), (2, 2 / 3), (3, 0.75), (4, 0.8)])
def test_where_weighted_rules_settle(ratio, target):
    """Kaernbach: S_up (1 - p) = S_down p. The same exact chain, over places alone."""
    assert settles_at("staircase-weighted", {"ratio": ratio}) == pytest.approx(target)
    assert settles_at("threshold-bayes", {}) is None
    levels, spread = 121, 20.0
    chance = expit((np.arange(levels) - 60) / spread)
    moves = np.zeros((levels, levels))
    for place in range(levels):
        for right in (True, False):
            after = weighted([right], levels=levels, start=place, step=1, halvings=0, ratio=ratio)
            assert after - place in ({0, -1} if right else {*range(ratio + 1)})
            moves[place, after] += chance[place] if right else 1 - chance[place]
    visited = np.linalg.matrix_power(moves, 2**15)[0]
    assert expit((visited @ np.arange(levels) - 60) / spread) == pytest.approx(target, abs=0.01)


def test_the_entropy_rule_is_the_one_of_the_paper():
    """Kontsevich & Tyler's steps written out with numpy: posteriors after right and wrong, their entropies, the least
    expected one; for histories of a simulated listener."""
    levels, guess, rng, answered = 9, 0.5, np.random.default_rng(7), []
    lattice = np.array([(a, s) for a, s, _ in posterior(levels, guess, [])])
    psi = guess + (1 - guess - LAPSE) * expit((np.arange(levels)[:, None] - lattice[:, 0]) / lattice[:, 1])
    weights = np.full(len(lattice), 1 / len(lattice))
    for _ in range(25):
        expected = []
        for place in range(levels):
            both = []
            for chance in (psi[place], 1 - psi[place]):
                share = float(weights @ chance)
                after = weights * chance / share
                both.append((share, -float(np.sum(after * np.log2(after)))))
            expected.append(sum(share * entropy for share, entropy in both))
        place = most_telling(levels, guess, answered)
        assert expected[place] == pytest.approx(min(expected), abs=2e-9)
        right = bool(rng.random() < psi[place, 100])
        answered.append((place, right))
        weights = weights * (psi[place] if right else 1 - psi[place])
        weights /= weights.sum()
    assert [w for _, _, w in posterior(levels, guess, answered)] == pytest.approx(list(weights), rel=1e-9, abs=1e-15)
    assert sum(-w * log2(w) for w in weights if w > 0) < 0.9 * log2(len(weights))


def test_the_entropy_rule_finds_the_threshold():
    """Recovery, seeded: 10 listeners with thresholds all over the grid, 30 trials each; the posterior mean lies within
    what the posterior says of itself (mean square of the standardised error near 1)."""
    rng, standardised, errors = np.random.default_rng(11), [], []
    for truth in np.linspace(2, 9, 10):
        answered = []
        for _ in range(30):
            place = most_telling(12, 1 / 3, answered)
            chance = 1 / 3 + (2 / 3 - LAPSE) * expit((place - truth) / 1.0)
            answered.append((place, bool(rng.random() < chance)))
        found = posterior(12, 1 / 3, answered)
        mean = sum(a * w for a, _, w in found)
        spread = sqrt(sum((a - mean) ** 2 * w for a, _, w in found))
        errors.append(mean - truth)
        standardised.append((mean - truth) / spread)
    assert sqrt(np.mean(np.square(errors))) < 1.5  # places; the grid spans 12, whose middle alone would be 2.1 off
    assert 0.15 < np.mean(np.square(standardised)) < 3.0  # chi-square over 10 would lie in .15 ... 2.96 with 99.8 %


def test_choices_of_the_entropy_rule_stay():
    """Plans of the past are drawn again: these choices may never change (test vector of this rule, made with it)."""
    answered, places = [], []
    for right in (True, False, True, True, False, True, True, True):
        places.append(most_telling(16, 1 / 3, answered))
        answered.append((places[-1], right))
    assert places == VECTOR


VECTOR = [9, 7, 11, 11, 9, 12, 11, 11]


@pytest.mark.parametrize("method", ADAPTIVE, ids=lambda method: method.name)
@pytest.mark.parametrize("task", ["odd", "abx"])
def test_the_level_stands_anywhere_equally_often_whatever_came_before(method, task):
    """6,000 draws: each answer is right within 4 standard errors of the guess rate, after right and after wrong."""
    setting, count = Setting(conditions=GRID, numbers={"task": task}), 3000
    first = method.draw(DRAWS.source("first"), setting, ())
    for right in (True, False):
        earlier = [outcome(first, right=right)]
        keys = Counter()
        for number in range(count):
            drawn = method.draw(DRAWS.source(f"{task}/{right}/{number}"), setting, earlier)
            keys[drawn.right["choice"]] += 1
            sounding = {slot.condition for slot in drawn.slots}
            assert len(sounding) == 2
            assert GRID[0] in sounding
        p = guess_rate(setting.numbers)
        assert p == GUESS_RATES[task]
        assert len(keys) == round(1 / p)
        for times in keys.values():
            assert abs(times - count * p) < 4 * sqrt(count * p * (1 - p))


@pytest.mark.parametrize("method", ADAPTIVE, ids=lambda method: method.name)
def test_adaptive_methods_say_so(method):
    assert METHODS[method.name] is method
    assert method.adaptive
    assert method.fault_in(method.question(("1", "2", "3"), Setting(conditions=GRID)), {"choice": "4"}) == (
        "the answer must be 1, 2 or 3"
    )
