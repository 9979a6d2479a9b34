"""Two hypotheses about the proportion right, and a test that stops as soon as the answers favour one of them enough.

Wald 1947, *Sequential Analysis*; Wald 1945 (Ann. Math. Statist. 16, 117). ISO 16820 is this test for forced choice.
Each right answer adds ln(p1/p0) to the log likelihood ratio, each wrong one ln((1 - p1)/(1 - p0)); the test ends for H1
at ln((1 - beta)/alpha) and for H0 at ln(beta/(1 - alpha)). Since the sum overshoots these bounds, the real error rates
differ from alpha and beta (mostly below them, their sum never above alpha + beta); `SprtPlan.operating` computes them
exactly.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from functools import lru_cache
from math import ceil, floor, log
from typing import Any, Literal

from blindtest.nouns import number_of
from blindtest.stats.binomial import checked_counts, checked_probability
from blindtest.stats.plain import plain
from blindtest.stats.stopping.walk import as_written, checked_share, stages

__all__ = ["SprtDecision", "SprtOperating", "SprtPlan", "sprt"]

Decision = Literal["accept H1", "accept H0", "go on"]

STILL_GOING = 1e-18
"""The walk to absorption is followed until no more than this share is left."""
MOST_TRIALS = 2_000_000
NEAR = 1e-9
"""Log likelihood ratios this near to a bound are compared in integers."""

ASSUMPTIONS = (
    "p0, p1, alpha and beta were fixed before the first trial",
    "the test goes on until a bound is reached, or until the number of trials that the plan names",
    "the chance to be right is the same in every trial, one trial's outcome says nothing about another's",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class SprtOperating:
    """What the test does where this is the true proportion right."""

    proportion: float
    truncated: int | None
    """Trials after which the test ends without a decision; None: it goes on."""
    accept_h1: float
    accept_h0: float
    undecided: float
    """0 but for rounding unless truncated."""
    expected_trials: float
    method: str = "exact: the walk of the count followed trial by trial until it is absorbed"
    source: str = "Wald 1947; Armitage, McPherson & Rowe 1969 for the recursion"

    @property
    def sentence(self) -> str:
        """The result in plain words."""
        rest = f", no decision after {self.truncated} trials {self.undecided:.3f}" if self.truncated else ""
        return (
            f"At a true share of {self.proportion:g} right the test ends for H1 with probability {self.accept_h1:.4f}, "
            f"for H0 with {self.accept_h0:.4f}{rest}, after {self.expected_trials:.1f} trials on average."
        )

    def to_dict(self) -> dict[str, Any]:
        """Return what JSON can hold, sentence included."""
        return plain(self, "sentence")


@dataclass(frozen=True, slots=True, kw_only=True)
class SprtDecision:
    """Where a series of answers first reached a bound."""

    decision: Decision
    trials: int
    """Trials up to and including the one that decided; all of them if none did."""
    correct: int
    log_ratio: float
    answers_after: int
    """Answers given after the decision; they don't count."""

    @property
    def sentence(self) -> str:
        """The result in plain words."""
        if self.decision == "go on":
            return f"{self.correct} of {self.trials} right reach neither bound: the test goes on."
        after = f"; {number_of(self.answers_after, 'later answer')} not counted" if self.answers_after else ""
        return f"{self.decision} after {number_of(self.trials, 'trial')}, {self.correct} right{after}."

    def to_dict(self) -> dict[str, Any]:
        """Return what JSON can hold, sentence included."""
        return plain(self, "sentence")


@dataclass(frozen=True, slots=True, kw_only=True)
class SprtPlan:
    """A sequential probability ratio test: what each answer adds, and where it ends."""

    p0: float
    p1: float
    alpha: float
    """Wanted chance to accept H1 where p0 is true; `operating(p0)` has the real one."""
    beta: float
    """Wanted chance to accept H0 where p1 is true."""
    upper: float
    """Log likelihood ratio at which H1 is accepted."""
    lower: float
    """... at which H0 is."""
    step_correct: float
    step_wrong: float
    method: str = "sequential probability ratio test"
    source: str = "Wald 1947, Sequential Analysis; ISO 16820 for forced choice"
    assumptions: tuple[str, ...] = ASSUMPTIONS

    def log_ratio(self, correct: int, trials: int) -> float:
        """Return the log likelihood ratio of these counts, p1 against p0."""
        return correct * self.step_correct + (trials - correct) * self.step_wrong

    def accepting(self, trials: int) -> int:
        """Return the smallest number right at which H1 is accepted after this many trials (may be out of reach)."""
        number = ceil((self.upper - trials * self.step_wrong) / (self.step_correct - self.step_wrong))
        for candidate in (number - 1, number):
            if self._beyond(candidate, trials, self.upper) >= 0:
                return candidate
        return number + 1

    def rejecting(self, trials: int) -> int:
        """Return the largest number right at which H0 is accepted after this many trials (may be below 0)."""
        number = floor((self.lower - trials * self.step_wrong) / (self.step_correct - self.step_wrong))
        for candidate in (number + 1, number):
            if self._beyond(candidate, trials, self.lower) <= 0:
                return candidate
        return number - 1

    def _beyond(self, correct: int, trials: int, bound: float) -> float:
        distance = self.log_ratio(correct, trials) - bound
        if abs(distance) > NEAR:
            return distance
        p0, p1, alpha, beta = (as_written(x) for x in (self.p0, self.p1, self.alpha, self.beta))
        ratio = (p1 / p0) ** correct * ((1 - p1) / (1 - p0)) ** (trials - correct)
        limit = (1 - beta) / alpha if bound == self.upper else beta / (1 - alpha)
        return float((ratio > limit) - (ratio < limit))

    def decide(self, correct: int, trials: int) -> Decision:
        """Return what these counts say, provided that no bound was reached before; `follow` looks at every trial."""
        correct, trials = checked_counts(correct, trials)
        if correct >= self.accepting(trials):
            return "accept H1"
        return "accept H0" if correct <= self.rejecting(trials) else "go on"

    def follow(self, answers: Iterable[bool]) -> SprtDecision:
        """Return where the answers (right or wrong, in their order) first reach a bound."""
        given = [bool(answer) for answer in answers]
        if not given:
            raise ValueError("there must be at least one answer")
        correct = 0
        for trials, right in enumerate(given, start=1):
            correct += right
            decision = self.decide(correct, trials)
            if decision != "go on" or trials == len(given):
                break
        return SprtDecision(
            decision=decision,
            trials=trials,
            correct=correct,
            log_ratio=self.log_ratio(correct, trials),
            answers_after=len(given) - trials,
        )

    def operating(self, proportion: float, *, truncated: int | None = None) -> SprtOperating:
        """Return what the test does at this true proportion right, exactly.

        Parameters
        ----------
        truncated : trials after which the plan ends the test, whatever it says; default: at a bound only

        Raises
        ------
        ValueError
            A proportion outside 0 ... 1, no trials; or a test that goes on for more than two million trials.
        """
        proportion = checked_share("the proportion", proportion)
        if truncated is not None and truncated < 1:
            raise ValueError(f"a truncated test has at least one trial, got {truncated}")
        return _operating(self, proportion, truncated)

    @property
    def sentence(self) -> str:
        """The plan in plain words, with its real error rates."""
        null, other = self.operating(self.p0), self.operating(self.p1)
        return (
            f"{self.p0:g} against {self.p1:g} right: add {self.step_correct:.4f} for a right and {self.step_wrong:.4f} "
            f"for a wrong answer; stop for H1 at {self.upper:.4f}, for H0 at {self.lower:.4f}. Real error rates "
            f"{null.accept_h1:.4f} and {other.accept_h0:.4f} (wanted {self.alpha:g} and {self.beta:g}); "
            f"{null.expected_trials:.1f} trials on average at {self.p0:g}, {other.expected_trials:.1f} at {self.p1:g}."
        )

    def to_dict(self) -> dict[str, Any]:
        """Return what JSON can hold, what the test does at p0 and p1 included."""
        at = {"at_p0": self.operating(self.p0).to_dict(), "at_p1": self.operating(self.p1).to_dict()}
        return {**plain(self, "sentence"), **at}


@lru_cache(maxsize=256)
def _operating(plan: SprtPlan, proportion: float, truncated: int | None) -> SprtOperating:
    up = down = 0.0
    going, expected = 1.0, 0.0
    looks = range(1, (MOST_TRIALS if truncated is None else truncated) + 1)
    for stage in stages(looks, proportion, stop_high=plan.accepting, stop_low=plan.rejecting):
        expected += going
        up, down = up + stage.up, down + stage.down
        going = float(stage.going_on.sum())
        if going <= STILL_GOING:
            break
    else:
        if truncated is None:
            raise ValueError(f"after {MOST_TRIALS} trials {going:.2g} are still undecided: p0 and p1 lie too close")
    return SprtOperating(
        proportion=proportion,
        truncated=truncated,
        accept_h1=up,
        accept_h0=down,
        undecided=going,
        expected_trials=expected,
    )


def sprt(*, p0: float, p1: float, alpha: float, beta: float) -> SprtPlan:
    """Return the plan of a sequential probability ratio test of `p0` against `p1` right.

    Parameters
    ----------
    p0, p1 : proportions right; p0 mostly that of a guesser; p1 above p0
    alpha, beta : wanted chances to accept H1 where p0 is true, and H0 where p1 is; together below 1

    Raises
    ------
    ValueError
        Numbers outside 0 ... 1, p1 not above p0, alpha + beta not below 1.
    """
    for name, value in (("p0", p0), ("p1", p1), ("alpha", alpha), ("beta", beta)):
        checked_probability(name, value)
    if not p1 > p0:
        raise ValueError(f"p1 must lie above p0, got p0 {p0} and p1 {p1}")
    if not alpha + beta < 1:
        raise ValueError(f"alpha and beta must add up to less than 1, got {alpha} and {beta}")
    return SprtPlan(
        p0=float(p0),
        p1=float(p1),
        alpha=float(alpha),
        beta=float(beta),
        upper=log((1 - beta) / alpha),
        lower=log(beta / (1 - alpha)),
        step_correct=log(p1 / p0),
        step_wrong=log((1 - p1) / (1 - p0)),
    )
