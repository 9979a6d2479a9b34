"""The screening as a state; listeners on headphones and before loudspeakers, simulated by what reaches their ears."""

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from blindtest.design import ScreeningRules, ScreeningTest
from blindtest.session import (
    OutOfTurn,
    Screening,
    ScreeningAnswer,
    ScreeningPlace,
    screening_frames,
    screening_wav,
)

RATE = 8_000
Frames = NDArray[np.float64]
Ears = Callable[[Frames], Frames]


def all_tests(on_fail: str = "record", tries: int = 1) -> ScreeningRules:
    return ScreeningRules(
        tests=(
            ScreeningTest(name="channels", pass_mark=5, tries=3),
            ScreeningTest(name="antiphase", pass_mark=5, tries=tries),
            ScreeningTest(name="dichotic", pass_mark=6, tries=tries),
        ),
        on_fail=on_fail,  # type: ignore[arg-type]
    )


def begun(number: int = 1, rules: ScreeningRules | None = None) -> Screening:
    return Screening(rules=rules or all_tests(), seed=number.to_bytes(32, "big"))


def answer(screening: Screening, choice: str) -> Screening:
    assert screening.place is not None
    return screening.answered(ScreeningAnswer(place=screening.place, choice=choice))


def right(screening: Screening) -> str:
    assert screening.place is not None
    return screening.truth(screening.place).right


def wrong(screening: Screening) -> str:
    return {"left": "right", "middle": "left", "right": "left", "1": "2", "2": "3", "3": "1"}[right(screening)]


# What reaches the ears, (n, 2), of what was played.


def headphones(played: Frames) -> Frames:
    return played


def swapped(played: Frames) -> Frames:
    return played[:, ::-1]


def loudspeakers(played: Frames) -> Frames:
    """Each ear hears both alike: the ideal sum, which at 200 Hz a listener between two loudspeakers comes near to."""
    return np.repeat(played.sum(axis=1, keepdims=True) / 2, 2, axis=1)


def left_dead(played: Frames) -> Frames:
    return played * (0, 1)


def heard(test: str, played: Frames, ears: Ears, guess: np.random.Generator) -> str:
    """What a listener says by a plain rule; guesses where nothing tells."""
    at_ears = ears(played)
    if test == "channels":
        left, right = 10 * np.log10(np.mean(at_ears**2, axis=0) + 1e-12)
        if max(left, right) < -100:
            return "nothing"
        return "middle" if abs(left - right) < 6 else "left" if left > right else "right"
    gap = RATE // 2 if test == "antiphase" else RATE
    intervals = [at_ears[gap + k * (RATE + gap) :][:RATE] for k in range(3)]
    if test == "antiphase":
        return str(int(np.argmin([np.mean(one**2) for one in intervals])) + 1)
    # Dichotic pitch: what is left when one ear is taken from the other (equalisation and cancellation, Durlach 1963).
    rest = [float(np.mean((one[:, 0] - one[:, 1]) ** 2)) for one in intervals]
    return str(int(guess.integers(3)) + 1) if max(rest) < 1e-9 else str(int(np.argmax(rest)) + 1)


def taken(ears: Ears, number: int = 1, rules: ScreeningRules | None = None) -> Screening:
    screening, guess = begun(number, rules), np.random.default_rng(number)
    while (now := screening.place) is not None:
        screening = answer(screening, heard(now.test, screening_frames(screening, now, RATE), ears, guess))
    return screening


def verdicts(screening: Screening) -> list[str]:
    return [one.verdict for one in screening.outcomes]


def test_a_listener_on_headphones_passes_all() -> None:
    for number in range(5):
        screening = taken(headphones, number)
        assert verdicts(screening) == ["passed"] * 3
        assert screening.passed("antiphase", "dichotic") is True


def test_before_loudspeakers_the_softest_tone_is_the_wrong_one_every_time() -> None:
    for number in range(5):
        found = {one.test: one for one in taken(loudspeakers, number).outcomes}
        assert found["antiphase"].right == 0
        assert found["channels"].verdict == "one place"


def test_before_loudspeakers_the_dichotic_pitch_is_guessed() -> None:
    """25 listeners, six sounds each: a third right, within 4 standard errors; all six right about never (1 in 729)."""
    rules = ScreeningRules(tests=(ScreeningTest(name="dichotic", pass_mark=6),))
    counts = [taken(loudspeakers, number, rules).outcomes[0].right for number in range(25)]
    assert np.mean(counts) / 6 == pytest.approx(1 / 3, abs=4 * np.sqrt(2 / 9 / 150))
    assert counts.count(6) <= 2


@pytest.mark.parametrize(("ears", "verdict"), [(swapped, "swapped"), (left_dead, "left silent")])
def test_what_is_wrong_with_the_channels_is_told(ears: Ears, verdict: str) -> None:
    screening = begun()
    while screening.place is not None and (screening.place.test, screening.place.attempt) == ("channels", 0):
        played = screening_frames(screening, screening.place, RATE)
        screening = answer(screening, heard("channels", played, ears, np.random.default_rng(0)))
    assert screening.shown()["told"] == verdict
    # Put right, and looked at again.
    assert screening.place == ScreeningPlace(test="channels", attempt=1, trial=0)


def test_answers_without_a_pattern_are_unclear() -> None:
    screening = begun()
    for _ in range(6):
        screening = answer(screening, wrong(screening) if right(screening) != "right" else "nothing")
    assert screening.outcomes[0].verdict == "unclear"


def test_swapped_channels_are_passed_by_either_headphone_test() -> None:
    """Neither test tells left from right: that is why channels are asked for by themselves."""
    found = {one.test: one.passed for one in taken(swapped).outcomes}
    assert found == {"channels": False, "antiphase": True, "dichotic": True}


def test_who_fails_goes_on_or_is_turned_away_as_the_rules_say() -> None:
    for on_fail, tests in (("record", 3), ("end", 2)):
        screening = taken(loudspeakers, rules=all_tests(on_fail))
        assert len({one.test for one in screening.outcomes}) == tests
        assert screening.turned_away is (on_fail == "end")
        assert screening.shown()["turned_away"] is (on_fail == "end")
        assert screening.passed("antiphase", "dichotic") is False


def test_a_second_try_is_given_where_the_rules_say_so() -> None:
    rules = ScreeningRules(tests=(ScreeningTest(name="antiphase", pass_mark=5, tries=2),), on_fail="end")
    screening = begun(rules=rules)
    for _ in range(6):
        screening = answer(screening, wrong(screening))
    assert not screening.turned_away
    assert screening.shown()["told"] == "failed"
    while screening.place is not None:
        screening = answer(screening, right(screening))
    assert [one.passed for one in screening.outcomes] == [False, True]
    assert screening.passed("antiphase") is True


def test_nothing_is_known_before_the_last_answer() -> None:
    screening = begun()
    assert screening.passed("antiphase") is None
    assert screening.passed() is None
    while screening.place is not None:
        assert screening.passed("dichotic") is None
        screening = answer(screening, right(screening))
    assert screening.passed("dichotic") is True
    assert screening.shown()["sound"] is None


def test_an_answer_sent_again_changes_nothing_and_another_is_refused() -> None:
    before = begun()
    first = ScreeningAnswer(place=ScreeningPlace(test="channels", attempt=0, trial=0), choice="left")
    after = before.answered(first)
    assert after.answered(first) is after
    with pytest.raises(OutOfTurn, match="this sound is answered already"):
        after.answered(replace(first, choice="right"))
    with pytest.raises(OutOfTurn, match="this is not the sound in hand"):
        before.answered(replace(first, place=ScreeningPlace(test="channels", attempt=0, trial=1)))
    with pytest.raises(OutOfTurn, match="'4' is none of left, middle, right, nothing"):
        before.answered(replace(first, choice="4"))


def test_answers_come_back_from_their_records() -> None:
    screening = taken(headphones)
    again = tuple(ScreeningAnswer.from_record(one.to_record()) for one in screening.answers)
    assert replace(screening, answers=again) == screening


def test_only_the_sound_in_hand_is_served() -> None:
    screening = begun()
    token = screening.shown()["sound"]["token"]
    assert screening_wav(screening, token, RATE) is not None
    assert screening_wav(screening, screening.level_token, RATE) is not None
    after = answer(screening, right(screening))
    assert screening_wav(after, token, RATE) is None
    assert screening_wav(screening, after.shown()["sound"]["token"], RATE) is None
