"""The conclusion of a claim whose sittings ended by a sealed rule: *shown*, *negligible* or *open*, with what holds.

Group sequential tests and the sequential probability ratio test are read by stages (`StopTable`): the p value is the
chance of a guesser to end this far out or further, the p against the margin that of somebody who hears the margin's
share to end this low or lower. An e-process is read by its e-values, 1/e being the p that may be read at any stop
(Ville 1939); its limits are those of the confidence sequence along the way. The p for a fixed number of trials holds
for none of them.

- *negligible*: the second is alpha or less (of an e-process: the bet against the margin has multiplied by 1/alpha; of a
  ratio test only where it ended at its lower bound: at the last trial without a bound it is open);
- *shown*: the first is, and the test ended at an upper number of its table; and it is not negligible.

Trials that a stopped-off sitting left unanswered count against whichever conclusion is drawn, up to the rule's last
trial: the answers are gone on with as wrong, and as right, until the rule ends them.

Several listeners: the p values of their sittings together by Fisher's method (Fisher 1932; of counts it errs on the
safe side), e-values by their product. Against guessing that asks whether anybody hears it. Against the margin it only
says that not everybody hears so much: *negligible* also takes that their mean lies below the margin (panel_spread.py).
"""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import accumulate
from math import inf, isfinite, log, prod
from typing import Any, Literal

from scipy.special import gammaincc

from blindtest.stats.binomial import Interval, checked_probability
from blindtest.stats.conclusion import Word
from blindtest.stats.plain import plain
from blindtest.stats.sensitivity import decision_rule
from blindtest.stats.stopping.anytime_limits import confidence_sequence
from blindtest.stats.stopping.e_process import e_value
from blindtest.stats.stopping.panel_spread import mean_p_value
from blindtest.stats.stopping.stop_table import Ended, Rule, StopTable, heard_proportion

__all__ = ["STOPPING_NAMES", "StoppedConclusion", "StoppedSitting", "conclude_stopped"]

STOPPING_NAMES: dict[str, str] = {
    "group-sequential": "group sequential test",
    "sprt": "sequential probability ratio test",
    "e-process": "e-process",
}
SAME = 1e-12
"""Sums of probabilities may differ by this from what they stand for."""
AS_LARGE = 1 - 1e-9
"""Of e-values: rounding of their logarithms."""
How = Literal["high", "low", "last", "unfinished"]

_HOW: dict[str, str] = {
    "high": "ended by its rule, with more right than by guessing",
    "low": "ended by its rule, with too few right",
    "last": "went on to the last trial",
    "unfinished": "was stopped off before its rule ended it",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class StoppedSitting:
    """One listener's answers, and where the rule ended them."""

    listener: str
    correct: int
    trials: int
    """Answered."""
    most: int
    """The most there could have been."""
    how: How
    proportion: float
    """Right among those answered; biased where a good run ends the test. NaN without an answer."""
    estimate: float
    """Of the proportion right: allows for the rule; of an e-process the plain proportion."""
    level: float
    interval: Interval
    """Of the proportion right, two-sided, allows for the rule."""
    lower_limit: float
    """One-sided, goes with `p_value`."""
    upper_limit: float
    """One-sided, goes with `margin_p_value`."""
    p_value: float
    """Against guessing, unanswered trials taken as wrong."""
    margin_p_value: float
    """Against the margin's share heard, unanswered trials taken as right."""
    e_value: float | None
    """Of an e-process, against guessing."""
    margin_e_value: float | None
    unbiased: float
    """Estimate of the proportion right that is right on average, unanswered trials taken as right."""
    word: Word
    """Standing alone."""

    @property
    def sentence(self) -> str:
        """Where it ended, in plain words."""
        return f"{self.listener}: {self.correct} of {self.trials} right; it {_HOW[self.how]} (at most {self.most})."

    def to_dict(self) -> dict[str, Any]:
        """Return what JSON can hold, sentence included."""
        return plain(self, "sentence")


@dataclass(frozen=True, slots=True, kw_only=True)
class StoppedConclusion:
    """What the sittings say together."""

    word: Word
    rule: Rule
    method: str
    guess_rate: float
    margin: float
    alpha: float
    sittings: tuple[StoppedSitting, ...]
    correct: int
    trials: int
    p_value: float
    """Against guessing; of an e-process 1/e."""
    margin_p_value: float
    e_value: float | None
    margin_e_value: float | None
    unanswered: int
    """Trials up to the last that a sitting stopped off lacks."""
    mean_p_value: float | None = None
    """Of several: against their mean share heard being the margin's; None where it is not asked for."""
    source: str = (
        "stagewise ordering: Fairbanks & Madsen 1982 (Biometrika 69, 69); e-values: Ville 1939; several listeners: "
        "Fisher 1932"
    )
    assumptions: tuple[str, ...] = (
        "the rule was sealed before the first trial, and every sitting was ended by it and by nothing else",
        "the chance to be right is the same in every trial, one trial's outcome says nothing about another's",
    )

    @property
    def decisive_p_value(self) -> float:
        """The p of the test that the word rests on."""
        if self.word == "negligible":
            return max(self.margin_p_value, self.mean_p_value or 0.0)
        return self.p_value

    @property
    def listeners_differ(self) -> bool:
        """Whether not everybody hears the margin's share, and their mean may lie there all the same."""
        return (
            self.mean_p_value is not None
            and self.margin_p_value <= self.alpha + SAME
            and self.mean_p_value > self.alpha + SAME
        )

    @property
    def sentence(self) -> str:
        """The conclusion in plain words."""
        text = f"{self.word}: {_MEANING[self.word]}"
        if self.word == "negligible" and self.p_value <= self.alpha + SAME:
            text = "negligible: heard more often than by guessing, yet less than what was declared to matter"
        if self.word == "open" and self.listeners_differ:
            text = "open: not everybody hears what was declared to matter, but their mean can lie there"
        if self.unanswered:
            text += f"; up to {self.unanswered} trials of sittings stopped off count against it"
        return f"{text}."

    @property
    def numbers_sentence(self) -> str:
        """What the word rests on, in plain words; a p value never stands there as if the number had been fixed."""
        mean = (
            ""
            if self.mean_p_value is None
            else f" The listeners' mean against that share: p = {self.mean_p_value:.3g}."
        )
        if self.e_value is not None and self.margin_e_value is not None:
            return (
                f"E-value against guessing {_e(self.e_value)}, against a share of {100 * self.margin:g} % heard "
                f"{_e(self.margin_e_value)}; {1 / self.alpha:g} is needed, whenever it ended.{mean}"
            )
        return (
            f"Allowing for the rule: p = {self.p_value:.3g} against guessing, p = {self.margin_p_value:.3g} against a "
            f"share of {100 * self.margin:g} % heard.{mean}"
        )

    def to_dict(self) -> dict[str, Any]:
        """Return what JSON can hold, sentences included."""
        return plain(self, "decisive_p_value", "listeners_differ", "sentence", "numbers_sentence")


_MEANING: dict[Word, str] = {
    "shown": "more is heard than by guessing",
    "negligible": "less is heard than what was declared to matter",
    "open": "neither guessing nor a difference that matters can be ruled out",
}


def _e(value: float) -> str:
    return f"{value:.3g}" if value < 1e6 else "more than a million"


def conclude_stopped(
    table: StopTable,
    answers: Sequence[tuple[str, Sequence[bool]]],
    *,
    rule: Rule,
    method: str,
    margin: float,
    alpha: float = 0.05,
    by_mean: bool = True,
) -> StoppedConclusion:
    """Draw the conclusion from sittings that ended by the rule of `table`, or were stopped off before.

    Parameters
    ----------
    answers : of each sitting its listener and its answers, right or wrong, in their order
    margin : share of trials heard beyond guessing that would matter
    by_mean : whether *negligible* of several sittings must hold for their mean; False for seals from before

    Raises
    ------
    ValueError
        No sitting; answers that go on where the rule has ended the test.
    """
    if not answers:
        raise ValueError("there is no sitting")
    checked_probability("alpha", alpha)
    guess, heard = float(decision_rule(method).guess), heard_proportion(margin, method)
    reading = _Reading(table=table, rule=rule, guess=guess, heard=heard, alpha=alpha)
    sittings = tuple(_sitting(reading, listener, [bool(one) for one in given]) for listener, given in answers)
    e_values = [one.e_value for one in sittings if one.e_value is not None]
    margin_e = [one.margin_e_value for one in sittings if one.margin_e_value is not None]
    together = prod(e_values) if e_values else None
    against = prod(margin_e) if margin_e else None
    if together is not None and against is not None:
        p_value, margin_p = _p_of_e(together), _p_of_e(against)
    else:
        p_value = fisher([one.p_value for one in sittings])
        margin_p = fisher([one.margin_p_value for one in sittings])
    mean_p = None
    if by_mean and len(sittings) > 1:
        own = [one.margin_p_value for one in sittings]
        variance = table.unbiased_variance(heard)
        mean_p = float(mean_p_value([one.unbiased for one in sittings], own, margin=heard, variance=variance))
    word = sittings[0].word if len(sittings) == 1 else _word(p_value, max(margin_p, mean_p or 0.0), alpha)
    return StoppedConclusion(
        word=word,
        rule=rule,
        method=method,
        guess_rate=guess,
        margin=float(margin),
        alpha=float(alpha),
        sittings=sittings,
        correct=sum(one.correct for one in sittings),
        trials=sum(one.trials for one in sittings),
        p_value=p_value,
        margin_p_value=margin_p,
        e_value=together,
        margin_e_value=against,
        unanswered=sum(one.most - one.trials for one in sittings if one.how == "unfinished"),
        mean_p_value=mean_p,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Reading:
    """What an ending is held against."""

    table: StopTable
    rule: Rule
    guess: float
    heard: float
    alpha: float


def _sitting(reading: _Reading, listener: str, given: list[bool]) -> StoppedSitting:
    table = reading.table
    end = table.stop(given)
    if end is not None and end.trials < len(given):
        raise ValueError(f"the rule ended the test after {end.trials} trials, got {len(given)} answers")
    missing = table.trials - len(given)
    worst = table.stop([*given, *[False] * missing]) if end is None else end
    best = table.stop([*given, *[True] * missing]) if end is None else end
    assert worst is not None, "a table ends every series at its last trial"
    assert best is not None, "a table ends every series at its last trial"
    low, high = table.place(worst.correct, worst.trials), table.place(best.correct, best.trials)
    level = 1 - reading.alpha
    correct, trials = sum(given), len(given)
    e_guess = e_heard = None
    if reading.rule == "e-process":
        e_guess = e_value(worst.correct, worst.trials, guess=reading.guess)
        e_heard = e_value(best.trials - best.correct, best.trials, guess=1 - reading.heard)
        p_value, margin_p = _p_of_e(e_guess), _p_of_e(e_heard)
        interval, lower, upper = _running(given, level)
        estimate = correct / trials if trials else float("nan")
    else:
        p_value, margin_p = table.at_least(low, reading.guess), table.at_most(high, reading.heard)
        interval = (table.interval(low, level)[0], table.interval(high, level)[1])
        lower, upper = table.lower_limit(low, level), table.upper_limit(high, level)
        estimate = table.estimate(low) if end is not None else correct / trials if trials else float("nan")
    return StoppedSitting(
        listener=listener,
        correct=correct,
        trials=trials,
        most=table.trials,
        how=end.how if end is not None else "unfinished",
        proportion=correct / trials if trials else float("nan"),
        estimate=estimate,
        level=level,
        interval=interval,
        lower_limit=lower,
        upper_limit=upper,
        p_value=p_value,
        margin_p_value=margin_p,
        e_value=e_guess,
        margin_e_value=e_heard,
        unbiased=float(table.unbiased[high]),
        word=word_of(reading.rule, worst.how, best.how, p_value, margin_p, reading.alpha),
    )


def _running(given: list[bool], level: float) -> tuple[Interval, float, float]:
    """Return the limits that hold at every trial together: two-sided, and the one-sided ones."""
    if not given:
        return (0.0, 1.0), 0.0, 1.0
    counts = list(accumulate(int(one) for one in given))
    numbers = list(range(1, len(given) + 1))
    limits = confidence_sequence(counts, numbers, level=level)
    mirrored = confidence_sequence([n - k for k, n in zip(counts, numbers, strict=True)], numbers, level=level)
    return limits.interval, limits.lower_limit, 1 - mirrored.lower_limit


def _p_of_e(value: float) -> float:
    """Return 1/e, at most 1; where rounding leaves e just below a round number it is taken for that."""
    return min(1.0, AS_LARGE / value) if isfinite(value) and value > 0 else 0.0 if value == inf else 1.0


def word_of(rule: Rule, worst: Ended, best: Ended, p_value: float, margin_p_value: float, alpha: float) -> Word:
    """Return what one ending says; `worst`, `best`: how it ends if unanswered trials are wrong, or right."""
    if rule != "e-process" and worst != "high":
        # What the sealed table does not call a difference is none, also where its p value happens to be small enough.
        p_value = 1.0
    if rule == "sprt" and best != "low":
        # The test names a bound for either side: what comes to the last trial without one decides nothing.
        margin_p_value = 1.0
    return _word(p_value, margin_p_value, alpha)


def _word(p_value: float, margin_p_value: float, alpha: float) -> Word:
    if margin_p_value <= alpha + SAME:
        return "negligible"
    return "shown" if p_value <= alpha + SAME else "open"


def fisher(p_values: Sequence[float]) -> float:
    """Return the p value of several independent ones together: -2 sum ln p held against chi-squared of 2m degrees."""
    if len(p_values) == 1:
        return p_values[0]
    if min(p_values) <= 0:
        return 0.0
    return float(gammaincc(len(p_values), -sum(log(p) for p in p_values)))
