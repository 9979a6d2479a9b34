"""Which conclusions a plan of several listeners can reach, and how often: their answers together, and how they scatter.

The word of several listeners rests on the count of all answers; *negligible* must also withstand how much their own
counts scatter (design_effect.py). So its chance is no binomial sum: listeners who are alike scatter by chance too, and
few of them take the word away now and then. Studies are simulated from one seed: every listener's own chance is drawn
(all the same where the spread is 0), then their counts, then the word by the rule of conclusion.py, preference.py or
attribute.py, for all studies at once.

A listener's own share heard, or own preference, has a beta distribution with the stated mean and standard deviation; an
own d' along an attribute is normal. Who hears nothing guesses, whatever the spread. Widening: Rao & Scott 1992 with the
limits of Korn & Graubard 1998.
"""

from bisect import bisect_left
from collections.abc import Callable
from dataclasses import dataclass
from fractions import Fraction
from math import sqrt
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray
from scipy.special import betainc, ndtr, owens_t

from blindtest.nouns import number_of
from blindtest.stats.attribute import checked_method
from blindtest.stats.attribute import margin_bounds as d_prime_bounds
from blindtest.stats.binomial import at_least_is_rare, at_most_is_rare, checked_counts, checked_probability, decimal
from blindtest.stats.direction import Direction, check_direction
from blindtest.stats.plain import plain
from blindtest.stats.preference import margin_bounds
from blindtest.stats.sensitivity import decision_rule

__all__ = ["PanelChances", "panel_chances"]

Kind = Literal["heard", "preferred", "attribute", "keeps listening"]
Floats = NDArray[np.float64]
Whole = NDArray[np.int64]
OWN: dict[Kind, str] = {
    "heard": "own shares heard",
    "preferred": "own preferences",
    "attribute": "own d'",
    "keeps listening": "own shares",
}
STUDIES = 10_000
MOST_COUNTS = 2_000_000
"""Listeners of all studies of a chance: very large panels are simulated less often."""
FEWEST_STUDIES = 1000
AT_ONCE = 2_000_000
"""Listeners drawn at once."""
SEED = 20_261_126
"""Fixed, so that the same question gets the same answer."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PanelChances:
    """How often several listeners' answers together end as each word, when it is true."""

    kind: Kind
    method: str
    listeners: int
    trials: int
    """Of each listener."""
    margin: float
    """Share of trials heard, probability beyond 1/2, or d'."""
    alpha: float
    direction: Direction
    """Of what is heard always "claimed": one-sided."""
    spread: float
    """Standard deviation between listeners, in the unit of the margin; 0: all alike."""
    chance_shown: float
    """How often a mean effect of the margin ends as *shown*."""
    chance_refuted: float | None
    """How often one of the margin, the other way round, ends as *refuted*; None of what is heard."""
    chance_negligible: float
    """How often no effect, on average, ends as *negligible*."""
    studies: int
    seed: int
    source: str = "simulated; design effect of Rao & Scott 1992"

    @property
    def std_error(self) -> float:
        """Largest Monte Carlo standard error of a chance."""
        return 0.5 / sqrt(self.studies)

    @property
    def chance_to_fail(self) -> float:
        """The larger of the chances of *refuted* and *negligible*, each when it is true."""
        return max(self.chance_refuted or 0.0, self.chance_negligible)

    @property
    def sentence(self) -> str:
        """The result in plain words."""
        unit = OWN[self.kind]
        who = "who are alike" if not self.spread else f"whose {unit} scatter with SD {self.spread:g}"
        what = "track" if self.kind == "keeps listening" else "answer"
        refuted = "" if self.chance_refuted is None else f"refuted {self.chance_refuted:.2f}, "
        return (
            f"{number_of(self.listeners, 'listener')} {who}, {number_of(self.trials, what)} each: shown "
            f"{self.chance_shown:.2f}, {refuted}negligible {self.chance_negligible:.2f}, each where it is true of "
            f"their mean (simulated, {self.studies} studies)."
        )

    def to_dict(self) -> dict[str, Any]:
        """Return what JSON can hold."""
        return plain(self, "std_error", "chance_to_fail", "sentence")


def panel_chances(
    kind: Kind,
    *,
    listeners: int,
    trials: int,
    margin: float,
    method: str = "preference",
    alpha: float = 0.05,
    direction: Direction = "two-sided",
    spread: float = 0.0,
    studies: int | None = None,
    seed: int = SEED,
) -> PanelChances:
    """Return how often a panel ends as *shown*, *refuted* and *negligible*, each where it is true of the mean.

    Parameters
    ----------
    kind : of claim; of "heard" and "attribute" `method` says how its answers are right. What tracks say is another
        rule: `free_listening.panel_choice_chances`
    listeners : two or more
    trials : of each listener, all answered, pairs without ties
    margin : share of trials heard (0, 1), probability beyond 1/2 (0, 1/2), or d' (0, 5)
    spread : standard deviation between listeners in the unit of the margin; of shares and preferences less than any
        distribution with their mean can have
    studies : simulated for each chance; None: 10,000, fewer (1,000 at least) of more than 200 listeners

    Raises
    ------
    ValueError
        Fewer than two listeners, no trials, a number out of its range.
    """
    _, trials = checked_counts(0, trials)
    checked_probability("alpha", alpha)
    if listeners < 2:
        raise ValueError(f"a panel is two listeners or more, got {listeners}")
    if studies is None:
        studies = max(FEWEST_STUDIES, min(STUDIES, MOST_COUNTS // listeners))
    if studies < 1:
        raise ValueError(f"the number of studies must be 1 or more, got {studies}")
    if not 0 <= spread < np.inf:
        raise ValueError(f"the spread must be 0 or more, got {spread}")
    check_direction(direction)
    if kind == "keeps listening":
        raise ValueError("choices of tracks are judged listener by listener: see panel_choice_chances")
    if kind == "heard":
        direction = "claimed"
    rule = _Rule.of(kind, method, listeners, trials, float(margin), float(alpha), direction)
    rng = np.random.default_rng(seed)

    def chance(word: int, mean: float, scatter: float) -> float:
        hits, step = 0, max(1, AT_ONCE // listeners)
        for start in range(0, studies, step):
            shape = (min(step, studies - start), listeners)
            own = _proportions(kind, method, mean, scatter, shape, rng)
            hits += int(np.sum(rule.words(rng.binomial(trials, own)) == word))
        return hits / studies

    middle = {"heard": 0.0, "preferred": 0.5, "attribute": 0.0}[kind]
    return PanelChances(
        kind=kind,
        method=method,
        listeners=int(listeners),
        trials=trials,
        margin=float(margin),
        alpha=float(alpha),
        direction=direction,
        spread=float(spread),
        chance_shown=chance(SHOWN, middle + margin, spread),
        chance_refuted=None if kind == "heard" else chance(REFUTED, middle - margin, spread),
        chance_negligible=chance(NEGLIGIBLE, middle, 0.0 if kind == "heard" else spread),
        studies=int(studies),
        seed=int(seed),
    )


OPEN, SHOWN, REFUTED, NEGLIGIBLE = range(4)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Rule:
    """The word of every count of all answers, and what *negligible* has to withstand beside it."""

    trials: int
    """Of each listener."""
    high: Fraction
    """Proportion right, or won, at the margin."""
    low: Fraction | None
    """The same on the other side; None where only the upper one counts."""
    alpha: float
    shown_from: int
    """Of all answers: this many or more are established on the claimed side."""
    refuted_to: int
    """This many or fewer on the other."""
    inside: tuple[int, int]
    """From the first to the second number all answers together lie within the margin."""
    open_where_they_differ: bool

    @classmethod
    def of(
        cls, kind: Kind, method: str, listeners: int, trials: int, margin: float, alpha: float, direction: Direction
    ) -> "_Rule":
        """Return the rule, from the tests of every count, which rise and fall with it."""
        total = listeners * trials
        low: Fraction | None
        if kind == "heard":
            if not 0 < margin < 1:
                raise ValueError(f"the margin must lie between 0 and 1, got {margin}")
            guess = Fraction(decision_rule(method).guess)
            low, high = None, guess + (1 - guess) * decimal(margin)
        else:
            guess = Fraction(1, 2) if kind == "preferred" else Fraction(checked_method(method))
            bounds = margin_bounds(margin) if kind == "preferred" else d_prime_bounds(margin, method)
            assert bounds is not None, "a margin that is one has bounds"
            low, high = bounds
        tail = decimal(alpha) / (2 if direction == "two-sided" else 1)
        return cls(
            trials=trials,
            high=high,
            low=low,
            alpha=alpha,
            shown_from=_first(total, lambda right: at_least_is_rare(right, total, guess, tail)),
            refuted_to=-1
            if kind == "heard"
            else _first(total, lambda right: not at_most_is_rare(right, total, guess, tail)) - 1,
            inside=(
                0 if low is None else _first(total, lambda right: at_least_is_rare(right, total, low, alpha)),
                _first(total, lambda right: not at_most_is_rare(right, total, high, alpha)) - 1,
            ),
            open_where_they_differ=kind == "preferred",
        )

    def words(self, counts: Whole) -> Whole:
        """Return the word of each study from its listeners' counts, (studies, listeners)."""
        listeners = counts.shape[1]
        count = counts.sum(axis=1)
        of = listeners * self.trials
        share = count / of
        # The design effect of design_effect.py, for all studies at once.
        between = listeners / (listeners - 1) * np.sum((counts - self.trials * share[:, None]) ** 2, axis=1) / of**2
        within = share * (1 - share) / of
        effect = np.maximum(1.0, np.divide(between, within, out=np.ones(len(count)), where=within > 0))
        n, x = of / effect, count / effect
        at_most = np.where(count >= of, 1.0, betainc(np.maximum(n - x, 1e-9), x + 1, 1 - float(self.high)))
        withstands = at_most <= self.alpha
        if self.low is not None:
            at_least = np.where(count <= 0, 1.0, betainc(np.maximum(x, 1e-9), n - x + 1, float(self.low)))
            withstands &= at_least <= self.alpha
        inside = (self.inside[0] <= count) & (count <= self.inside[1])
        differ = inside & (effect > 1) & ~withstands
        side = np.where(count >= self.shown_from, SHOWN, np.where(count <= self.refuted_to, REFUTED, OPEN))
        words = np.where(inside & ~differ, NEGLIGIBLE, side)
        return np.where(differ, OPEN, words) if self.open_where_they_differ else words


def _first(total: int, holds: Callable[[int], bool]) -> int:
    """Return the first count, 0 ... total, from which on it holds; total + 1 where it never does."""
    return bisect_left(range(total + 1), True, key=holds)


def _proportions(
    kind: Kind, method: str, mean: float, spread: float, shape: tuple[int, int], rng: np.random.Generator
) -> Floats:
    """Return every listener's own chance of a right answer, or of a pair won."""
    if kind == "attribute":
        h = (mean + spread * rng.standard_normal(shape)) / sqrt(2)
        return np.asarray(ndtr(h) if method == "2afc" else np.clip(ndtr(h) - 2 * owens_t(h, 1 / sqrt(3)), 0.0, 1.0))
    own = np.full(shape, mean)
    if spread:
        size = mean * (1 - mean) / spread**2 - 1
        if size <= 0:
            raise ValueError(
                f"the spread must be less than {sqrt(mean * (1 - mean)):.3g}, that of people who are all one way or "
                f"the other with a mean of {mean:g}, got {spread:g}"
            )
        own = rng.beta(mean * size, (1 - mean) * size, shape)
    if kind == "preferred":
        return own
    guess = float(decision_rule(method).guess)
    return np.asarray(guess + (1 - guess) * own)
