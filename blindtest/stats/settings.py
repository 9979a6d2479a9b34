"""Settings that listeners made themselves: where they lie, how surely, and how far their starts pulled them.

Method of adjustment (average error): Fechner 1860; Gescheider 1997, Psychophysics: The Fundamentals (from memory). A
setting is a number on the grid, 0 the match. The mean of a listener's settings is the point of subjective equality (or
the preferred setting), their standard deviation the precision. Settings begun below and above are held against each
other: where a setting stays closer to where it began, they differ.

The unit is the listener where there are several, each counted by their mean, else the single setting, and then the
result holds for that listener. Intervals and tests are Student's t; within a margin: two one-sided tests (Schuirmann
1987).
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import sqrt
from typing import Any, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import stdtr, stdtrit

from blindtest.stats.binomial import checked_probability
from blindtest.stats.equivalence import EquivalenceResult, equivalence_test
from blindtest.stats.plain import plain

__all__ = ["ListenerSettings", "SettingsResult", "StartEffect", "settings_test"]

Floats = NDArray[np.float64]
Unit = Literal["listeners", "settings"]
FEW_ENDS = 0.1
"""Share of settings at an end of their range from which the range itself is in doubt; our choice."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ListenerSettings:
    """One listener's settings, in the unit of the grid."""

    listener: str
    settings: int
    mean: float
    std: float | None
    """Of single settings, n - 1; None for one."""
    interval: tuple[float, float] | None
    """Of the mean, Student's t over the settings; None without spread."""
    from_below: float | None
    """Mean of the settings begun below the middle; None without any."""
    from_above: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class StartEffect:
    """Settings begun above less settings begun below: 0 where the start leaves no trace."""

    difference: float
    std_error: float
    df: int
    interval: tuple[float, float] | None
    level: float
    p_value: float | None
    """Two-sided; None where there is no spread."""
    slope: float | None
    """Share of the way from the point to the start that is left, by least squares within listeners."""
    of: Unit
    """What is counted: listeners' differences, or single settings in two groups."""

    @property
    def sentence(self) -> str:
        """In words."""
        if self.interval is None or self.p_value is None:
            return f"Settings begun above end {self.difference:+.2f} from those begun below; nothing tells how surely."
        low, high = self.interval
        way = f", about {100 * self.slope:.0f} % of the way back to the start" if self.slope is not None else ""
        found = (
            f"the start pulled settings along{way}"
            if self.p_value <= 1 - self.level and self.difference > 0
            else "settings ended beyond the point, seen from where they began"
            if self.p_value <= 1 - self.level
            else "no pull of the start was shown"
        )
        return (
            f"Settings begun above end {self.difference:+.2f} from those begun below ({100 * self.level:g} % interval "
            f"{low:+.2f} to {high:+.2f}, p = {self.p_value:.3g}): {found}."
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class SettingsResult:
    """Where settings lie, in the unit of the grid; 0 is the match."""

    settings: int
    listeners: tuple[ListenerSettings, ...]
    of: Unit
    """What the mean, its interval and its test count."""
    mean: float
    std_error: float | None
    df: int
    interval: tuple[float, float] | None
    level: float
    within_std: float | None
    """Pooled standard deviation of single settings within listeners: their precision."""
    between_std: float | None
    """Standard deviation of listeners' means; None for one."""
    start: StartEffect | None
    at_ends: int
    """Settings that stand at an end of what could be set."""
    margin: float | None
    equivalence: EquivalenceResult | None
    """Against the margin; None without one, or without spread."""
    word: str
    """shown, refuted or open: that the mean lies within the margin; '' without a margin."""
    alpha: float
    method: str = "means of settings, Student's t; two one-sided tests"
    source: str = "Fechner 1860; Gescheider 1997; Schuirmann 1987"
    assumptions: tuple[str, ...] = (
        "listeners' means (of one listener: settings) are independent and roughly normal",
        "starts were drawn from both sides alike",
        "the range that could be set did not cut settings off",
    )

    @property
    def p_value(self) -> float | None:
        """Of the test that the word rests on, one-sided: against the margin from outside, or from inside if refuted."""
        if self.equivalence is None or not self.std_error:
            return None
        if self.word != "refuted":
            return self.equivalence.p_value
        return float(stdtr(self.df, -(abs(self.mean) - self.equivalence.margin) / self.std_error))

    @property
    def sentence(self) -> str:
        """The result in words."""
        many = len(self.listeners)
        settings = f"{self.settings} settings" if self.settings > 1 else "1 setting"
        who = f"{settings} of {f'{many} listeners' if many > 1 else 'one listener'}"
        text = f"{who}: mean {self.mean:+.2f}"
        if self.interval is None:
            text += ", with nothing to tell how surely"
        else:
            text += f" ({100 * self.level:g} % interval {self.interval[0]:+.2f} to {self.interval[1]:+.2f})"
        if self.margin is None:
            return text + "."
        if self.equivalence is None:
            return f"{text}. Whether it lies within {self.margin:g} can't be told: there is no spread to judge it by."
        low, high = self.equivalence.interval
        judged = f"{100 * self.equivalence.level:g} % interval {low:+.2f} to {high:+.2f}"
        band = f"{-self.margin:g} ... {self.margin:g}"
        ended = {
            "shown": f"it lies within {band}",
            "refuted": f"it lies outside {band}",
            "open": f"whether it lies within {band} stays open",
        }[self.word]
        return f"{text}. With the {judged} {ended}."

    @property
    def doubts(self) -> tuple[str, ...]:
        """What should make a reader think twice, a sentence each."""
        out = []
        if self.start is not None and self.start.p_value is not None and self.start.p_value <= self.alpha:
            out.append(self.start.sentence)
        if self.at_ends and self.at_ends >= FEW_ENDS * self.settings:
            out.append(
                f"{self.at_ends} of {self.settings} settings stand at an end of what could be set: the mean may be cut "
                "off; take a wider grid."
            )
        below = sum(one.from_below is not None for one in self.listeners)
        above = sum(one.from_above is not None for one in self.listeners)
        if below + above and min(below, above) < len(self.listeners):
            out.append("Not every listener began on both sides: the pull of the start may stand in the mean.")
        return tuple(out)

    def to_dict(self) -> dict[str, Any]:
        """Return what JSON can hold."""
        start = None if self.start is None else {**plain(self.start), "sentence": self.start.sentence}
        listeners = [plain(one) for one in self.listeners]
        return {
            **plain(self, "p_value"),
            "listeners": listeners,
            "start": start,
            "sentence": self.sentence,
            "doubts": list(self.doubts),
        }


def settings_test(
    settings: ArrayLike,
    listener: Sequence[str] | None = None,
    *,
    start: ArrayLike | None = None,
    middle: float | None = None,
    margin: float | None = None,
    at_end: ArrayLike | None = None,
    alpha: float = 0.05,
) -> SettingsResult:
    """Return where settings lie, and whether that is within `margin` of 0.

    Parameters
    ----------
    settings : (n,) array_like, in the unit of the grid, relative to the match
    listener : (n,) who set it; None: one listener
    start : (n,) array_like, where each setting began
    middle : what starts lie above or below of; else half-way between the least and the greatest
    margin : in the unit of the grid; None: nothing is claimed
    at_end : (n,) array_like of bool, whether the setting stands at an end of its range
    alpha : of each one-sided test; intervals of means are two-sided at 1 - alpha

    Raises
    ------
    ValueError
        No settings, lengths that differ, values that are not finite, a margin not above 0.
    """
    values = _row(settings, "settings")
    if values.size == 0:
        raise ValueError("there are no settings")
    who = np.array(["listener"] * values.size if listener is None else [str(one) for one in listener])
    begun = None if start is None else _row(start, "starts")
    ends = np.zeros(values.size, dtype=bool) if at_end is None else np.asarray(at_end, dtype=bool)
    for name, other in (("listeners", who), ("starts", begun), ("ends", ends)):
        if other is not None and other.shape != values.shape:
            raise ValueError(f"{values.size} settings, but {other.size} {name}")
    if margin is not None and not margin > 0:
        raise ValueError(f"the margin must be above 0, got {margin}")
    checked_probability("alpha", alpha)
    above = None
    if begun is not None:
        turn = (begun.min() + begun.max()) / 2 if middle is None else middle
        above = np.where(begun == turn, np.nan, (begun > turn).astype(np.float64))
    names = list(dict.fromkeys(who.tolist()))
    listeners = tuple(
        _listener(name, values[who == name], None if above is None else above[who == name], alpha) for name in names
    )
    of: Unit = "listeners" if len(names) > 1 else "settings"
    units = np.array([one.mean for one in listeners]) if of == "listeners" else values
    mean, error, df, interval = _mean(units, alpha)
    judged = equivalence_test(units, margin=margin, alpha=alpha) if margin is not None and error else None
    return SettingsResult(
        settings=int(values.size),
        listeners=listeners,
        of=of,
        mean=mean,
        std_error=error,
        df=df,
        interval=interval,
        level=1 - alpha,
        within_std=_within(values, who, names),
        between_std=float(np.std(units, ddof=1)) if of == "listeners" else None,
        start=None if above is None or begun is None else _start(values, begun, above, who, names, alpha),
        at_ends=int(ends.sum()),
        margin=None if margin is None else float(margin),
        equivalence=judged,
        word="" if margin is None else _word(judged),
        alpha=alpha,
    )


def _row(values: ArrayLike, what: str) -> Floats:
    row = np.asarray(values, dtype=np.float64)
    if row.ndim != 1 or not np.all(np.isfinite(row)):
        raise ValueError(f"{what} must be finite numbers in one row, got shape {row.shape}")
    return row


def _mean(values: Floats, alpha: float) -> tuple[float, float | None, int, tuple[float, float] | None]:
    mean, df = float(values.mean()), values.size - 1
    if df < 1:
        return mean, None, df, None
    error = float(values.std(ddof=1)) / sqrt(values.size)
    # Equal settings leave rounding behind, and no spread.
    if error <= 1e-12 * max(1.0, abs(mean)):
        return mean, None, df, None
    half = float(stdtrit(df, 1 - alpha / 2)) * error
    return mean, error, df, (mean - half, mean + half)


def _listener(name: str, values: Floats, above: Floats | None, alpha: float) -> ListenerSettings:
    mean, _, _, interval = _mean(values, alpha)
    sides: list[float | None] = [None, None]
    if above is not None:
        sides = [float(values[above == side].mean()) if np.any(above == side) else None for side in (0, 1)]
    return ListenerSettings(
        listener=name,
        settings=int(values.size),
        mean=mean,
        std=float(values.std(ddof=1)) if values.size > 1 else None,
        interval=interval,
        from_below=sides[0],
        from_above=sides[1],
    )


def _within(values: Floats, who: NDArray[Any], names: Sequence[str]) -> float | None:
    df = values.size - len(names)
    if df < 1:
        return None
    squares = sum(float(np.sum((values[who == name] - values[who == name].mean()) ** 2)) for name in names)
    return sqrt(squares / df)


def _start(
    values: Floats, begun: Floats, above: Floats, who: NDArray[Any], names: Sequence[str], alpha: float
) -> StartEffect | None:
    low, high = ({name: values[(who == name) & (above == side)] for name in names} for side in (0, 1))
    both = [name for name in names if low[name].size and high[name].size]
    if not both:
        return None
    if len(names) > 1:
        apart = np.array([high[name].mean() - low[name].mean() for name in both])
        difference, error, df, interval = _mean(apart, alpha)
    else:
        one, other = low[names[0]], high[names[0]]
        difference, df = float(other.mean() - one.mean()), one.size + other.size - 2
        squares = float(np.sum((one - one.mean()) ** 2) + np.sum((other - other.mean()) ** 2))
        error = sqrt(squares / df * (1 / one.size + 1 / other.size)) if df > 0 and squares > 0 else None
        half = float(stdtrit(df, 1 - alpha / 2)) * error if error else 0.0
        interval = (difference - half, difference + half) if error else None
    return StartEffect(
        difference=difference,
        std_error=error or 0.0,
        df=df,
        interval=interval,
        level=1 - alpha,
        p_value=2 * float(stdtr(df, -abs(difference) / error)) if error else None,
        slope=_slope(values, begun, who, names),
        of="listeners" if len(names) > 1 else "settings",
    )


def _slope(values: Floats, begun: Floats, who: NDArray[Any], names: Sequence[str]) -> float | None:
    centred, moved = values.copy(), begun.copy()
    for name in names:
        own = who == name
        centred[own] -= centred[own].mean()
        moved[own] -= moved[own].mean()
    spread = float(np.sum(moved**2))
    return float(np.sum(moved * centred)) / spread if spread > 0 else None


def _word(judged: EquivalenceResult | None) -> str:
    if judged is None:
        return "open"
    low, high = judged.interval
    if -judged.margin < low and high < judged.margin:
        return "shown"
    return "refuted" if low > judged.margin or high < -judged.margin else "open"
