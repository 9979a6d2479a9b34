"""What a plan with a stopping rule can show and refute, before anybody listens: exact over all its endings."""

from dataclasses import dataclass
from typing import Any

import numpy as np

from blindtest.stats.plain import plain
from blindtest.stats.planning import LEAST_CHANCE
from blindtest.stats.sensitivity import decision_rule
from blindtest.stats.stopping.e_process import e_value
from blindtest.stats.stopping.panel_spread import mean_p_value
from blindtest.stats.stopping.stop_table import Rule, StopTable, heard_proportion
from blindtest.stats.stopping.stopped_conclusion import AS_LARGE, STOPPING_NAMES, word_of

__all__ = ["StoppedChances", "stopped_chances"]

PANELS = 20_000
"""Simulated panels of several listeners; the standard error of a chance is at most .0035."""
SEED = 20_260_304
"""Fixed, so that the same plan is always told the same."""


@dataclass(frozen=True, slots=True, kw_only=True)
class StoppedChances:
    """How often a plan that may end early reaches each conclusion, and after how many trials."""

    rule: Rule
    method: str
    margin: float
    alpha: float
    listeners: int
    most: int
    """The most trials of one sitting."""
    chance_shown: float
    """Where the margin's share of trials is heard."""
    chance_negligible: float
    """Where everything is guessed."""
    chance_shown_by_guessing: float
    """The real error rate of *shown*; at most alpha."""
    chance_negligible_if_heard: float
    """That of *negligible* at the margin."""
    expected_if_guessing: float
    """Trials of one sitting, on average."""
    expected_if_heard: float
    exact: bool
    """False for several listeners: simulated over the exact endings of each."""
    shares: tuple[float, ...] = ()
    """True share of trials heard, 0 ... 1."""
    shown: tuple[float, ...] = ()
    """Chance of *shown* at each."""
    negligible: tuple[float, ...] = ()
    trials: tuple[float, ...] = ()
    """Trials of one sitting on average at each."""

    @property
    def can_fail(self) -> bool:
        """Whether a guesser ends as *negligible* at least every other time."""
        return self.chance_negligible >= LEAST_CHANCE

    @property
    def sentence(self) -> str:
        """What the plan can show and refute, in plain words."""
        many = f", {self.listeners} listeners," if self.listeners > 1 else ""
        a = "An" if self.rule == "e-process" else "A"
        return (
            f"{a} {STOPPING_NAMES[self.rule]} of at most {self.most} trials{many} shows a listener who hears "
            f"{100 * self.margin:g} % of trials with chance {self.chance_shown:.2f} (on average after "
            f"{self.expected_if_heard:.0f} trials), and finds a guesser negligible with chance "
            f"{self.chance_negligible:.2f} (after {self.expected_if_guessing:.0f}); real error rates "
            f"{self.chance_shown_by_guessing:.3f} and {self.chance_negligible_if_heard:.3f}."
        )

    def to_dict(self) -> dict[str, Any]:
        """Return what JSON can hold, sentence included."""
        return plain(self, "can_fail", "sentence")


def stopped_chances(
    table: StopTable,
    *,
    rule: Rule,
    method: str,
    margin: float,
    alpha: float = 0.05,
    listeners: int = 1,
    points: int = 0,
    by_mean: bool = True,
) -> StoppedChances:
    """Return how often the rule of `table` reaches each conclusion.

    Parameters
    ----------
    margin : share of trials heard beyond guessing that would matter
    listeners : each with a sitting of their own, all of them alike
    points : at how many shares heard, from 0 to 1, the curves are worked out
    by_mean : see `conclude_stopped`
    """
    guess, heard = float(decision_rule(method).guess), heard_proportion(margin, method)
    at_guess, at_heard = table.chances(guess), table.chances(heard)
    if rule == "e-process":
        # 1/e, also above 1: what one listener's bet has lost counts in the product of several.
        p_values = np.array([AS_LARGE / e_value(e.correct, e.trials, guess=guess) for e in table.endings])
        margin_p = np.array(
            [AS_LARGE / e_value(e.trials - e.correct, e.trials, guess=1 - heard) for e in table.endings]
        )
    else:
        p_values = np.minimum(1.0, at_guess[::-1].cumsum()[::-1])
        margin_p = np.minimum(1.0, at_heard.cumsum())
    rng = np.random.default_rng(SEED)
    variance = table.unbiased_variance(heard)

    def words(chances: "np.ndarray[Any, Any]") -> tuple[float, float]:
        """Return the chances of shown and negligible."""
        if listeners == 1:
            drawn = [
                word_of(rule, one.how, one.how, float(p), float(q), alpha)
                for one, p, q in zip(table.endings, p_values, margin_p, strict=True)
            ]
            return tuple(float(sum(c for c, w in zip(chances, drawn, strict=True) if w == word)) for word in _WORDS)  # type: ignore[return-value]
        share = chances / chances.sum()
        picked = rng.choice(len(share), size=(PANELS, listeners), p=share)
        below = _together(rule, margin_p[picked]) <= alpha
        if by_mean:
            own = np.minimum(1.0, margin_p[picked])
            below &= mean_p_value(table.unbiased[picked], own, margin=heard, variance=variance) <= alpha
        above = _together(rule, p_values[picked]) <= alpha
        return float((above & ~below).mean()), float(below.mean())

    shown_heard, negligible_heard = words(at_heard)
    shown_guess, negligible_guess = words(at_guess)
    shares = tuple(float(one) for one in np.linspace(0, 1, points)) if points else ()
    curves = [words(table.chances(heard_proportion(share, method))) for share in shares]
    return StoppedChances(
        rule=rule,
        method=method,
        margin=float(margin),
        alpha=float(alpha),
        listeners=listeners,
        most=table.trials,
        chance_shown=shown_heard,
        chance_negligible=negligible_guess,
        chance_shown_by_guessing=shown_guess,
        chance_negligible_if_heard=negligible_heard,
        expected_if_guessing=table.expected_trials(guess),
        expected_if_heard=table.expected_trials(heard),
        exact=listeners == 1,
        shares=shares,
        shown=tuple(one[0] for one in curves),
        negligible=tuple(one[1] for one in curves),
        trials=tuple(table.expected_trials(heard_proportion(share, method)) for share in shares),
    )


_WORDS = ("shown", "negligible")


def _together(rule: Rule, p_values: "np.ndarray[Any, Any]") -> "np.ndarray[Any, Any]":
    """Return the p value of each row of independent ones; of e-values that of their product."""
    if rule == "e-process":
        return np.asarray(p_values.prod(axis=1))
    from scipy.special import gammaincc

    logs = -np.log(np.maximum(p_values, 1e-300)).sum(axis=1)
    return np.asarray(gammaincc(p_values.shape[1], logs))
