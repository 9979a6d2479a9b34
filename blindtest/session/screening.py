"""The tests of what a remote listener plays on, as a state: an answer comes in, a new state goes out.

It is blind as a trial is: what the page is shown (`shown`) is made from test, number and token only, and no answer is
told right or wrong. How a test ended is told in words after its last sound, so that swapped channels can be put right.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any, Literal, Self

from blindtest.design import CHOICES, TRIALS, Draws, ScreeningRules, ScreeningTruth, screening_truth
from blindtest.session.sitting import OutOfTurn

__all__ = ["Screening", "ScreeningAnswer", "ScreeningOutcome", "ScreeningPlace", "Verdict"]

Verdict = Literal["passed", "failed", "swapped", "one place", "left silent", "right silent", "unclear"]
_PATTERNS: dict[Verdict, dict[str, str]] = {
    "swapped": {"left": "right", "middle": "middle", "right": "left"},
    "one place": {"left": "middle", "middle": "middle", "right": "middle"},
    "left silent": {"left": "nothing", "middle": "right", "right": "right"},
    "right silent": {"left": "left", "middle": "left", "right": "nothing"},
}
"""What is answered where something is wrong with the channels, by what was played. Any two of them, and what is right,
differ in four sounds of six, so that no more than one reaches five."""
LEAST_PATTERN = 5


@dataclass(frozen=True, slots=True, kw_only=True)
class ScreeningPlace:
    """Where a screening stands: a test, the attempt at it, and the sound; all 0-based."""

    test: str
    attempt: int
    trial: int

    @property
    def name(self) -> str:
        """It in one word, as draws are named by."""
        return f"{self.test}/{self.attempt}/{self.trial}"


@dataclass(frozen=True, slots=True, kw_only=True)
class ScreeningAnswer:
    """An answer, as it is stored."""

    place: ScreeningPlace
    choice: str
    interruptions: int = 0
    """How often the sound stumbled and was played again."""

    def to_record(self) -> dict[str, Any]:
        """Return it as JSON can hold it."""
        return {
            "test": self.place.test,
            "attempt": self.place.attempt,
            "trial": self.place.trial,
            "choice": self.choice,
            "interruptions": self.interruptions,
        }

    @classmethod
    def from_record(cls, record: Mapping[str, Any]) -> Self:
        """Return the answer that `to_record` put down."""
        return cls(
            place=ScreeningPlace(test=record["test"], attempt=record["attempt"], trial=record["trial"]),
            choice=record["choice"],
            interruptions=record["interruptions"],
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class ScreeningOutcome:
    """One attempt at a test, once all its sounds are answered."""

    test: str
    attempt: int
    right: int
    pass_mark: int
    verdict: Verdict

    @property
    def passed(self) -> bool:
        """Whether the pass mark was reached."""
        return self.right >= self.pass_mark


@dataclass(frozen=True, slots=True, kw_only=True)
class Screening:
    """A listener's screening: its rules, its seed, and what was answered."""

    rules: ScreeningRules
    seed: bytes
    """32 bytes, drawn for this listener."""
    answers: tuple[ScreeningAnswer, ...] = ()
    swapped: bool = False
    """Only for tests of blindness: every sound has another of its possible truths."""

    @property
    def draws(self) -> Draws:
        """What is drawn for this listener."""
        return Draws(self.seed)

    def truth(self, at: ScreeningPlace) -> ScreeningTruth:
        """Return what sounds at a place. Stays on the server."""
        return screening_truth(self.draws, at.test, at.attempt, at.trial, swapped=self.swapped)

    def token(self, at: ScreeningPlace) -> str:
        """Return the name under which the sound of a place is fetched."""
        return self.draws.token(f"screening/token/{at.name}")

    @property
    def level_token(self) -> str:
        """The name of the noise by which the volume is set."""
        return self.draws.token("screening/token/level")

    def _given(self, test: str, attempt: int) -> tuple[ScreeningAnswer, ...]:
        return tuple(one for one in self.answers if (one.place.test, one.place.attempt) == (test, attempt))

    @property
    def outcomes(self) -> tuple[ScreeningOutcome, ...]:
        """The attempts that were finished, in order."""
        found: list[ScreeningOutcome] = []
        for test in self.rules.tests:
            for attempt in range(test.tries):
                given = self._given(test.name, attempt)
                if len(given) < TRIALS:
                    break
                played = [self.truth(one.place).right for one in given]
                choices = [one.choice for one in given]
                right = sum(choice == sound for choice, sound in zip(choices, played, strict=True))
                verdict = _verdict(test.name, choices, played, right >= test.pass_mark)
                found.append(
                    ScreeningOutcome(
                        test=test.name, attempt=attempt, right=right, pass_mark=test.pass_mark, verdict=verdict
                    )
                )
        return tuple(found)

    @property
    def place(self) -> ScreeningPlace | None:
        """What is to be answered next; None once it is over."""
        finished = self.outcomes
        for test in self.rules.tests:
            own = [one for one in finished if one.test == test.name]
            if own and (own[-1].passed or len(own) == test.tries):
                if _ends(self.rules, own[-1]):
                    return None
                continue
            return ScreeningPlace(test=test.name, attempt=len(own), trial=len(self._given(test.name, len(own))))
        return None

    @property
    def turned_away(self) -> bool:
        """Whether the rules end the listener's part here: a headphone test failed for good, and `on_fail` is end."""
        finished = self.outcomes
        return self.place is None and bool(finished) and _ends(self.rules, finished[-1])

    def passed(self, *tests: str) -> bool | None:
        """Return whether the listener passed each of `tests` by the last try at it; None where one wasn't finished."""
        last = {one.test: one for one in self.outcomes}
        if any(name in last and _ends(self.rules, last[name]) for name in tests) and self.turned_away:
            return False
        if self.place is not None or not tests or any(name not in last for name in tests):
            return None
        return all(last[name].passed for name in tests)

    def answered(self, answer: ScreeningAnswer) -> "Screening":
        """Return the screening after an answer; the same one again changes nothing.

        Raises
        ------
        OutOfTurn
            It answers another sound than the one in hand, or says what can't be answered.
        """
        for one in self.answers:
            if one.place == answer.place:
                if one.choice == answer.choice:
                    return self
                raise OutOfTurn("this sound is answered already")
        if answer.place != self.place:
            raise OutOfTurn("this is not the sound in hand")
        if answer.choice not in CHOICES[answer.place.test]:
            raise OutOfTurn(f"{answer.choice!r} is none of {', '.join(CHOICES[answer.place.test])}")
        return replace(self, answers=(*self.answers, answer))

    def shown(self) -> dict[str, Any]:
        """Return what the page is shown: of what sounds, a token and nothing else."""
        now, ended = self.place, self.outcomes
        view: dict[str, Any] = {
            "over": now is None,
            "turned_away": self.turned_away,
            "must_pass": self.rules.on_fail == "end",
            "tests": [one.name for one in self.rules.tests],
            "level": self.level_token,
            "told": "",
            "sound": None,
        }
        if now is None:
            return view
        if now.trial == 0 and ended and ended[-1].test == now.test:
            view["told"] = ended[-1].verdict
        view["sound"] = {
            "test": now.test,
            "attempt": now.attempt,
            "trial": now.trial,
            "number": now.trial + 1,
            "of": TRIALS,
            "part": [str(one.name) for one in self.rules.tests].index(now.test) + 1,
            "parts": len(self.rules.tests),
            "token": self.token(now),
            "options": list(CHOICES[now.test]),
        }
        return view


def _ends(rules: ScreeningRules, outcome: ScreeningOutcome) -> bool:
    """Return whether a listener's part ends with this outcome."""
    if outcome.passed or outcome.test == "channels" or rules.on_fail == "record":
        return False
    return outcome.attempt + 1 == next(one.tries for one in rules.tests if one.name == outcome.test)


def _verdict(test: str, choices: list[str], played: list[str], passed: bool) -> Verdict:
    if passed or test != "channels":
        return "passed" if passed else "failed"
    for verdict, pattern in _PATTERNS.items():
        fitting = sum(choice == pattern[sound] for choice, sound in zip(choices, played, strict=True))
        if fitting >= LEAST_PATTERN:
            return verdict
    return "unclear"
