"""How sure listeners were, held against whether they were right: by level, and by the area under the type-2 ROC.

The type-1 question is the listener's (is X A or B?). The type-2 question is the listener's about the answer: is it
right? Its ROC plots, for every criterion on the levels, the share of right answers that were called at least so sure
against the share of wrong ones (Galvin, Podd, Drga & Whitmore 2003, Psychonomic Bulletin & Review 10, 843; Macmillan &
Creelman 2005, Detection Theory). The area is the chance that of a right and a wrong answer the right one was called the
surer, ties counted half: .5 if being sure tells nothing. Pairs are taken within listeners only, since people use the
same words differently.

Its interval is Newcombe's method 5 (2006, Statistics in Medicine 25, 559; from memory), which solves for the area in
its own variance, so that it has a width also where every right answer was the surer one; over listeners their variances
are added. `tests/stats/test_confidence.py` measures how often it holds the truth.

Sureness decides nothing: no claim's test reads it. It is confounded with how hard single trials were (an easy trial is
answered rightly and surely), so the area says that listeners know when they hear something, not how they know it.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import sqrt
from typing import Any

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import ndtri

from blindtest.errors import BlindtestError, Fault
from blindtest.methods import CONFIDENCE_LEVELS
from blindtest.stats.binomial import clopper_pearson
from blindtest.stats.plain import plain

__all__ = ["ConfidenceResult", "LevelResult", "confidence_look", "type_2_area"]

MOST_LEVELS = 20
"""Different values above which they are no levels."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LevelResult:
    """Answers called equally sure."""

    confidence: float
    words: str
    """'' where the value is none of ours."""
    correct: int
    trials: int
    proportion: float
    interval: tuple[float, float]
    """Clopper-Pearson."""

    def to_dict(self) -> dict[str, Any]:
        """Return what JSON can hold."""
        return plain(self)


@dataclass(frozen=True, slots=True, kw_only=True)
class ConfidenceResult:
    """What being sure was worth."""

    levels: tuple[LevelResult, ...]
    """From the least sure to the surest, those that were used."""
    points: tuple[tuple[float, float], ...]
    """The type-2 ROC of all answers together, from the strictest criterion: (share of wrong answers, share of right
    ones) called so sure or surer; from (0, 0) to (1, 1)."""
    area: float
    """Within listeners; nan where nobody was both right and wrong."""
    area_interval: tuple[float, float]
    pairs: int
    """Right and wrong answers of one listener held against each other."""
    listeners: int
    level: float
    guess: float

    @property
    def overconfidence(self) -> float:
        """How much surer than right: mean confidence minus share of right answers, the levels read in even steps from
        guessing to always right (our reading of words that promise no numbers; nan for other levels than ours)."""
        known = [value for value, _ in CONFIDENCE_LEVELS]
        if any(one.confidence not in known for one in self.levels):
            return float("nan")
        steps = known[-1] - known[0]
        trials = sum(one.trials for one in self.levels)
        said = sum(
            one.trials * (self.guess + (1 - self.guess) * (one.confidence - known[0]) / steps) for one in self.levels
        )
        return (said - sum(one.correct for one in self.levels)) / trials

    @property
    def sentence(self) -> str:
        """In words, the counts first."""
        counts = ", ".join(
            f"{one.words.lower() or f'{one.confidence:g}'} {one.correct} of {one.trials} ({100 * one.proportion:.0f} %)"
            for one in self.levels
        )
        said = f"Right by how sure the answer was: {counts}. "
        if self.pairs == 0:
            return said + "Nobody was both right and wrong, so whether the surer answers were the right ones is open."
        low, high = self.area_interval
        return (
            f"{said}Of a right and a wrong answer of one listener the right one was the surer with probability "
            f"{self.area:.2f} ({100 * self.level:g} %: {low:.2f} to {high:.2f}; .5 if being sure told nothing)."
        )

    def to_dict(self) -> dict[str, Any]:
        """Return what JSON can hold, sentence and overconfidence included."""
        return plain(self, "overconfidence", "sentence")


def type_2_area(correct: ArrayLike, confidence: ArrayLike) -> float:
    """Return the area under the type-2 ROC of one listener's answers; nan without a right and a wrong one.

    Parameters
    ----------
    correct, confidence : (n,), whether each answer was right, and how sure it was
    """
    right, sure = np.asarray(correct, dtype=bool), np.asarray(confidence, dtype=float)
    surer, other = sure[right], sure[~right]
    if surer.size == 0 or other.size == 0:
        return float("nan")
    above = (surer[:, None] > other).sum() + 0.5 * (surer[:, None] == other).sum()
    return float(above / (surer.size * other.size))


def confidence_look(
    correct: ArrayLike,
    confidence: ArrayLike,
    *,
    listener: Sequence[object] | None = None,
    guess: float = 0.5,
    level: float = 0.95,
) -> ConfidenceResult:
    """Return what being sure was worth.

    Parameters
    ----------
    correct, confidence : (n,), answers whose confidence is known
    listener : (n,), whose answer it is; all of one if None
    guess : how often a guess is right
    level : of the intervals, two-sided

    Raises
    ------
    BlindtestError
        No answer, or so many different values that they are no levels.
    """
    right, sure = np.asarray(correct, dtype=bool), np.asarray(confidence, dtype=float)
    values = np.unique(sure)
    if right.size == 0 or values.size > MOST_LEVELS or not np.isfinite(sure).all():
        raise BlindtestError(
            Fault(
                problem="no levels of confidence",
                key="confidence",
                got=f"{values.size} different values in {right.size} answers",
                allowed=f"1 to {MOST_LEVELS} different finite ones",
            )
        )
    who = np.zeros(right.size, dtype=int)
    if listener is not None:
        who = np.unique(np.asarray([str(one) for one in listener]), return_inverse=True)[1]
    words = {float(value): said for value, said in CONFIDENCE_LEVELS}
    levels = []
    for value in values:
        own = right[sure == value]
        count, trials = int(own.sum()), int(own.size)
        levels.append(
            LevelResult(
                confidence=float(value),
                words=words.get(float(value), ""),
                correct=count,
                trials=trials,
                proportion=count / trials,
                interval=clopper_pearson(count, trials, level),
            )
        )
    counts = [(int(right[who == one].sum()), int((~right[who == one]).sum())) for one in np.unique(who)]
    areas = [type_2_area(right[who == one], sure[who == one]) for one in np.unique(who)]
    both = [(n, m, area) for (n, m), area in zip(counts, areas, strict=True) if n and m]
    pairs = sum(n * m for n, m, _ in both)
    area = sum(n * m * own for n, m, own in both) / pairs if pairs else float("nan")
    return ConfidenceResult(
        levels=tuple(levels),
        points=_points(right, sure, values),
        area=area,
        area_interval=_area_interval(area, [(n, m) for n, m, _ in both], level) if pairs else (0.0, 1.0),
        pairs=pairs,
        listeners=len(counts),
        level=level,
        guess=guess,
    )


def _points(right: Any, sure: Any, values: Any) -> tuple[tuple[float, float], ...]:
    """Return the ROC; a side without answers has no share and stays at 0 until the end."""
    points = [(0.0, 0.0)]
    for value in values[::-1]:
        so_sure = sure >= value
        points.append(
            (
                float(so_sure[~right].mean()) if (~right).any() else 0.0,
                float(so_sure[right].mean()) if right.any() else 0.0,
            )
        )
    if points[-1] != (1.0, 1.0):
        points.append((1.0, 1.0))
    return tuple(points)


def _area_interval(area: float, counts: Sequence[tuple[int, int]], level: float) -> tuple[float, float]:
    """Return the areas that lie within z of their own standard errors from `area`."""
    z = float(ndtri(0.5 + level / 2))
    pairs = sum(n * m for n, m in counts)

    def error(true: float) -> float:
        of_each = (
            (n * m / pairs) ** 2
            * (true * (1 - true) / (n * m))
            * (1 + ((n + m) / 2 - 1) * ((1 - true) / (2 - true) + true / (1 + true)))
            for n, m in counts
        )
        return sqrt(sum(of_each))

    def edge(outside: float) -> float:
        """Bisect between `area`, which is within, and `outside`, which is not unless it is reached."""
        inside = area
        for _ in range(60):
            middle = (inside + outside) / 2
            if abs(middle - area) <= z * error(middle):
                inside = middle
            else:
                outside = middle
        return inside

    return (edge(0.0) if area > 0 else 0.0, edge(1.0) if area < 1 else 1.0)
