"""What a remote listener plays on is tested before the sittings: rules, draws, and what guessing alone would pass.

Three tests, each of six sounds: *channels* (where is it: left, right, middle), *antiphase* (which of three tones is
softest: Woods et al. 2017, pass mark 5 of 6) and *dichotic* (which of three noises holds a pitch: Milne et al. 2021,
pass mark 6 of 6). See `audio.screening_sounds` for the sounds and their sources.

Which interval is right is drawn for each sound by itself, so that the chance of passing by guesses is binomial whatever
a guesser does. All draws come from a seed of the listener's own, with purposes of their own.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from fractions import Fraction
from math import comb
from typing import Any, Literal

from blindtest.design.draws import Draws

__all__ = [
    "BOTH_FALSE_PASS",
    "CHANNEL_TRIES",
    "CHOICES",
    "LEAST_PASS",
    "PUBLISHED",
    "SIDES",
    "TRIALS",
    "PublishedRates",
    "ScreeningRules",
    "ScreeningTest",
    "ScreeningTruth",
    "chance_by_guessing",
    "rules_from_record",
    "screening_truth",
]

TestName = Literal["channels", "antiphase", "dichotic"]
TRIALS = 6
SIDES = ("left", "middle", "right")
CHOICES: dict[str, tuple[str, ...]] = {
    "channels": ("left", "middle", "right", "nothing"),
    "antiphase": ("1", "2", "3"),
    "dichotic": ("1", "2", "3"),
}
"""What can be answered in each test."""
CHANNEL_TRIES = 3
"""What is wrong with channels can be put right, and then has to be looked at again."""
LEAST_PASS = 4
"""A lower pass mark is passed by one guesser in three."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PublishedRates:
    """How often a test was passed where it was known what was listened on."""

    headphones_passed: int
    headphones: int
    loudspeakers_passed: int
    loudspeakers: int
    pass_mark: int
    source: str

    @property
    def false_fail(self) -> float:
        """Share of those on headphones that did not pass."""
        return (self.headphones - self.headphones_passed) / self.headphones

    @property
    def false_pass(self) -> float:
        """Share of those on loudspeakers that passed."""
        return self.loudspeakers_passed / self.loudspeakers


PUBLISHED: dict[str, PublishedRates] = {
    "antiphase": PublishedRates(
        headphones_passed=20,
        headphones=20,
        loudspeakers_passed=1,
        loudspeakers=20,
        pass_mark=5,
        source="Woods et al. 2017, experiment 1, in the laboratory: 20 of 20 on headphones passed, 19 of 20 on "
        "loudspeakers did not",
    ),
    "dichotic": PublishedRates(
        headphones_passed=80,
        headphones=100,
        loudspeakers_passed=20,
        loudspeakers=100,
        pass_mark=6,
        source="Milne et al. 2021: 80 % of headphone users detected, 20 % false positives, 100 trusted listeners who "
        "took the test on both, remotely",
    ),
}
"""As the papers' abstracts and results say; the pass marks are from memory."""
BOTH_FALSE_PASS = 0.07
"""Both tests passed on loudspeakers: about 7 % (Milne et al. 2021, abstract). How many on headphones pass both isn't
said there, so nothing is reckoned from it."""


def chance_by_guessing(trials: int, pass_mark: int, choices: int, tries: int = 1) -> float:
    """Return the chance that guesses alone reach the pass mark, in one of so many tries; exact.

    Parameters
    ----------
    trials, pass_mark : sounds of a test, and how many must be right
    choices : answers to choose from, one right
    tries : how often the test may be taken
    """
    right = Fraction(1, choices)
    once = sum(comb(trials, k) * right**k * (1 - right) ** (trials - k) for k in range(pass_mark, trials + 1))
    return float(1 - (1 - Fraction(once)) ** tries)


@dataclass(frozen=True, slots=True, kw_only=True)
class ScreeningTest:
    """One test and its pass mark."""

    name: TestName
    pass_mark: int
    """Of `TRIALS`."""
    tries: int = 1
    """How often it may be taken; the published rates hold for once."""

    @property
    def by_guessing(self) -> float:
        """The chance that guesses alone pass it."""
        return chance_by_guessing(TRIALS, self.pass_mark, len(CHOICES[self.name]), self.tries)


@dataclass(frozen=True, slots=True, kw_only=True)
class ScreeningRules:
    """Which tests a listener takes, and what follows; part of the study seal."""

    tests: tuple[ScreeningTest, ...] = ()
    on_fail: Literal["record", "end"] = "record"
    """record: everybody goes on and counts; end: who fails the last try of a headphone test takes no part."""

    def to_record(self) -> dict[str, Any]:
        """Return it as the seal holds it."""
        return {
            "tests": [
                {"name": one.name, "trials": TRIALS, "pass_mark": one.pass_mark, "tries": one.tries}
                for one in self.tests
            ],
            "on_fail": self.on_fail,
            "counted": "all" if self.on_fail == "record" else "those who passed",
        }


def rules_from_record(record: Mapping[str, Any]) -> ScreeningRules:
    """Return the rules that `to_record` put down."""
    return ScreeningRules(
        tests=tuple(
            ScreeningTest(name=one["name"], pass_mark=one["pass_mark"], tries=one["tries"]) for one in record["tests"]
        ),
        on_fail=record["on_fail"],
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class ScreeningTruth:
    """What sounds, and which answer is right. Stays on the server."""

    right: str
    """One of the test's choices."""
    antiphase: int | None = field(default=None)
    """antiphase: the interval with opposite channels, 0-based."""


def screening_truth(draws: Draws, test: str, attempt: int, trial: int, *, swapped: bool = False) -> ScreeningTruth:
    """Return what is drawn for a sound.

    Parameters
    ----------
    draws : from the listener's seed
    test : its name
    attempt, trial : 0-based
    swapped : only for tests of blindness: another of the possible truths
    """
    purpose = f"screening/{test}/{attempt}"
    if test == "channels":
        # Each place twice: else one listener in hundreds had all in the middle, and swapped channels would pass.
        side = draws.shuffled(purpose, SIDES * (TRIALS // len(SIDES)))[trial]
        return ScreeningTruth(right=SIDES[(SIDES.index(side) + swapped) % len(SIDES)])
    below = draws.source(f"{purpose}/{trial}")
    right = (below(3) + swapped) % 3
    if test == "dichotic":
        return ScreeningTruth(right=str(right + 1))
    others = [one for one in range(3) if one != right]
    return ScreeningTruth(right=str(right + 1), antiphase=others[below(2)])
