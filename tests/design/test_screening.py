"""Rules and draws of the screening: what guessing passes, counted; draws that nobody can foretell."""

from collections import Counter
from hashlib import sha256
from itertools import product

import pytest
from scipy.stats import binomtest

from blindtest.design import (
    CHOICES,
    PUBLISHED,
    TRIALS,
    Draws,
    ScreeningRules,
    ScreeningTest,
    chance_by_guessing,
    rules_from_record,
    screening_truth,
)


@pytest.mark.parametrize(("pass_mark", "choices"), [(5, 3), (6, 3), (4, 3), (5, 4), (6, 4)])
def test_the_chance_of_guessing_is_counted(pass_mark: int, choices: int) -> None:
    """Of all ways to answer six sounds, those with so many right; and scipy's exact binomial test says the same."""
    right = sum(sum(answer == 0 for answer in way) >= pass_mark for way in product(range(choices), repeat=6))
    assert chance_by_guessing(6, pass_mark, choices) == pytest.approx(right / choices**6, rel=1e-14)
    by_scipy = binomtest(pass_mark, 6, 1 / choices, alternative="greater").pvalue
    assert chance_by_guessing(6, pass_mark, choices) == pytest.approx(by_scipy, rel=1e-12)


def test_the_published_pass_marks_let_few_guessers_through() -> None:
    # 13 of 729 ways have five or more right, 1 of 729 all six.
    assert ScreeningTest(name="antiphase", pass_mark=5).by_guessing == pytest.approx(13 / 729)
    assert ScreeningTest(name="dichotic", pass_mark=6).by_guessing == pytest.approx(1 / 729)
    assert ScreeningTest(name="antiphase", pass_mark=5, tries=3).by_guessing == pytest.approx(1 - (716 / 729) ** 3)


def test_published_rates_are_those_of_the_papers() -> None:
    # Woods et al. 2017: "20 of 20 participants wearing headphones passed the test, whereas 19 of 20 participants
    # listening over loudspeakers did not". Milne et al. 2021, abstract: "correctly detects 80% of headphone users and
    # has a false-positive rate of 20%".
    assert (PUBLISHED["antiphase"].false_fail, PUBLISHED["antiphase"].false_pass) == (0, 0.05)
    assert PUBLISHED["dichotic"].false_fail == pytest.approx(0.2)
    assert PUBLISHED["dichotic"].false_pass == pytest.approx(0.2)


def test_each_place_sounds_twice_in_the_test_of_channels() -> None:
    for seed in range(20):
        drawn = [screening_truth(Draws(bytes([seed]) * 32), "channels", 0, trial).right for trial in range(TRIALS)]
        assert Counter(drawn) == {"left": 2, "middle": 2, "right": 2}


@pytest.mark.parametrize("test", ["antiphase", "dichotic"])
def test_every_answer_is_equally_often_right(test: str) -> None:
    """Chi-squared by hand over 1,800 draws, two degrees of freedom: 13.8 is passed once in 1,000."""
    drawn = Counter(
        (trial, screening_truth(Draws(seed.to_bytes(32, "big")), test, 0, trial).right)
        for seed in range(1_800)
        for trial in (0, 5)
    )
    for trial in (0, 5):
        assert sum((drawn[trial, choice] - 600) ** 2 / 600 for choice in CHOICES[test]) < 13.8


def test_the_tone_in_antiphase_is_one_of_the_other_two() -> None:
    drawn = [screening_truth(Draws(seed.to_bytes(32, "big")), "antiphase", 0, 0) for seed in range(600)]
    pairs = Counter((one.right, one.antiphase) for one in drawn)
    assert len(pairs) == 6
    assert all(str((antiphase or 0) + 1) != right for right, antiphase in pairs)


def test_another_attempt_is_drawn_anew() -> None:
    draws = Draws(bytes(32))
    drawn = [
        tuple(screening_truth(draws, "dichotic", attempt, trial).right for trial in range(6)) for attempt in (0, 1)
    ]
    assert drawn[0] != drawn[1]


def test_draws_stay_what_they_were() -> None:
    """Kept from 2026-11-26, so that a screening on record can be drawn again."""
    draws = Draws(bytes(range(32)))
    assert [screening_truth(draws, "antiphase", 0, trial).right for trial in range(6)] == KEPT["antiphase"]
    assert [screening_truth(draws, "dichotic", 0, trial).right for trial in range(6)] == KEPT["dichotic"]
    assert [screening_truth(draws, "channels", 0, trial).right for trial in range(6)] == KEPT["channels"]
    # By hand: SHA-256(seed || purpose || counter), its first 8 bytes modulo 3; none of these six is rejected.
    hashes = [sha256(bytes(range(32)) + f"screening/dichotic/0/{trial}".encode() + bytes(8)) for trial in range(6)]
    assert KEPT["dichotic"] == [str(int.from_bytes(one.digest()[:8], "big") % 3 + 1) for one in hashes]


def test_rules_come_back_from_their_record() -> None:
    rules = ScreeningRules(
        tests=(ScreeningTest(name="channels", pass_mark=5, tries=3), ScreeningTest(name="dichotic", pass_mark=6)),
        on_fail="end",
    )
    assert rules_from_record(rules.to_record()) == rules
    assert rules.to_record()["counted"] == "those who passed"


KEPT = {
    "antiphase": ["1", "3", "2", "3", "1", "2"],
    "dichotic": ["3", "3", "3", "2", "1", "3"],
    "channels": ["middle", "middle", "left", "right", "right", "left"],
}
