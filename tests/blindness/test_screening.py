"""Exchange the truth of every sound of the screening: not one byte for the listener may change, the samples apart."""

from dataclasses import replace

import pytest

from blindtest.design import CHOICES, TRIALS, ScreeningRules, ScreeningTest
from blindtest.session import Screening, ScreeningAnswer, screening_wav

RATE = 8_000
HEADER = 44


def of_test(name: str) -> Screening:
    rules = ScreeningRules(tests=(ScreeningTest(name=name, pass_mark=6),))  # type: ignore[arg-type]
    return Screening(rules=rules, seed=bytes(range(32)))


@pytest.mark.parametrize("name", CHOICES)
def test_what_is_shown_and_served_is_the_same_whatever_is_right(name: str) -> None:
    screening = of_test(name)
    lengths = set()
    for trial in range(TRIALS):
        other = replace(screening, swapped=True)
        now = screening.place
        assert now is not None
        assert screening.truth(now) != other.truth(now)
        assert screening.shown() == other.shown()
        token = screening.shown()["sound"]["token"]
        served, otherwise = screening_wav(screening, token, RATE), screening_wav(other, token, RATE)
        assert served is not None
        assert otherwise is not None
        assert served[:HEADER] == otherwise[:HEADER]
        assert served != otherwise, "the sound itself differs"
        lengths |= {len(served), len(otherwise)}
        # The same answers whatever is right, so that only what was true differs in what follows.
        choice = CHOICES[name][trial % 3]
        screening = screening.answered(ScreeningAnswer(place=now, choice=choice))
    assert len(lengths) == 1


def test_what_is_shown_holds_no_word_of_what_sounds() -> None:
    shown = of_test("antiphase").shown()
    assert set(shown["sound"]) == {
        "test", "attempt", "trial", "number", "of", "part", "parts", "token", "options",
    }  # fmt: skip
    assert shown["sound"]["options"] == ["1", "2", "3"]
    assert shown["told"] == ""
