"""One look beside a result, in one sentence and a few words, and how several are taken.

Nothing here decides anything. A look is *notable* where it found what would make a reader think twice; the others are
named in passing, so that their absence is no secret and nobody has to read them.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from math import exp, log
from typing import Any

from blindtest.errors import BlindtestError

__all__ = ["Companion", "Look", "p_short", "seen", "weighed"]

LEAST_LISTENERS = 3
"""Listeners below which nothing is said of how they differ."""
MOST_TRENDING = 2000
"""Trials above which the exact test of a trend takes too long to stand beside a result unasked."""
TELLING = 3.0
"""A Bayes factor below this, either way, says next to nothing."""
MOST_SAID = 1000
"""Larger ones are said to be larger: their digits mean nothing."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Companion:
    """One look beside a result."""

    name: str
    sentence: str
    """What was found, in plain words."""
    short: str
    """The same in a few words."""
    notable: bool
    """Whether it should make a reader think twice."""
    result: Any
    """The result itself."""
    asked: bool = False
    """Whether the plan asked for it, so that it is said in full also where nothing of it is notable."""

    def to_dict(self) -> dict[str, Any]:
        """Return what JSON can hold."""
        return {
            "name": self.name,
            "sentence": self.sentence,
            "notable": self.notable,
            "result": self.result.to_dict(),
        }


Look = Callable[[], Companion | None]


def seen(looks: Sequence[Look]) -> tuple[Companion, ...]:
    """Return what the looks found; one that the data don't allow is left out."""
    found = []
    for look in looks:
        try:
            companion = look()
        except BlindtestError:
            # A table too small or one-sided for this look; the result beside which it stands says so itself.
            continue
        if companion is not None:
            found.append(companion)
    return tuple(found)


def weighed(result: Any) -> Companion:
    """Return the look at a Bayesian result of a choice or a preference: its factor, and which way it points."""
    factor = abs(result.log_bayes_factor)
    side = "a difference" if result.log_bayes_factor >= 0 else "no difference"
    said = f"{exp(factor):.3g}" if factor < log(MOST_SAID) else f"over {MOST_SAID}"
    return Companion(
        name="Bayesian",
        sentence=result.sentence,
        short=f"Bayes factor {said} for {side}",
        notable=factor < log(TELLING),
        result=result,
    )


def p_short(p_value: float) -> str:
    """Return a p value in few characters."""
    if p_value < 0.001:
        return "p < .001"
    return "p = 1" if p_value >= 0.995 else f"p = {p_value:#.2g}".replace("0.", ".", 1)
