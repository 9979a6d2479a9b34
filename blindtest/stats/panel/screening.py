"""Who would be left out afterwards, by rules that were written down before: rules are data, nobody is dropped here.

- the multi-stimulus standard (ITU-R BS.1534-3, 4.1.2) leaves out a listener who rates the hidden reference below 90 in
  more than 15 % of the items, or the mid anchor above 90 in more than 15 % of them; an item whose mid anchor more than
  25 % of the listeners rate above 90 counts against nobody (it is taken out of that listener's items altogether);
- the small-impairment standard (ITU-R BS.1116) keeps a listener whose mean difference grade lies below 0 by a one-sided
  t test at 5 %.

A rule that is chosen after the results were seen can be used to obtain them. Apply only what the protocol named, and
show every result with and without (`with_and_without`).
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from fractions import Fraction
from math import inf, sqrt
from typing import TYPE_CHECKING, Any, Generic, Literal, TypeVar

import numpy as np
from scipy.special import stdtr

from blindtest.errors import BlindtestError, Fault, did_you_mean
from blindtest.nouns import number_of
from blindtest.stats.binomial import decimal
from blindtest.stats.plain import plain
from blindtest.stats.scores import Scores, checked_columns, read_scores

if TYPE_CHECKING:
    from pandas import DataFrame

__all__ = [
    "MeanBelowZero",
    "Screened",
    "ScreeningResult",
    "ScreeningRule",
    "ShareOfItems",
    "WithAndWithout",
    "bs_1116_rules",
    "bs_1534_rules",
    "screen_listeners",
    "with_and_without",
]

T = TypeVar("T")


@dataclass(frozen=True, slots=True, kw_only=True)
class ShareOfItems:
    """Leave out who rates one condition beyond a score in more than a share of the items."""

    condition: str
    side: Literal["below", "above"]
    score: float
    share: float
    """Of the listener's ratings of that condition: more than this leaves the listener out."""
    excused_share: float | None = None
    """An item on which more than this share of the listeners do so counts against nobody."""
    source: str = ""

    @property
    def text(self) -> str:
        """The rule in words."""
        said = f"rates {self.condition} {self.side} {self.score:g} in more than {100 * self.share:g} % of the items"
        if self.excused_share is not None:
            said += f", items where more than {100 * self.excused_share:g} % of the listeners do so left aside"
        return said

    def to_dict(self) -> dict[str, Any]:
        """Return what JSON can hold."""
        return plain(self, "text")


@dataclass(frozen=True, slots=True, kw_only=True)
class MeanBelowZero:
    """Keep who is shown to rate below zero on average, by a one-sided t test."""

    value: str = "sdg"
    """Column of difference grades: grade of the object minus grade of the hidden reference."""
    alpha: float = 0.05
    source: str = ""

    @property
    def text(self) -> str:
        """The rule in words."""
        return f"is not shown to have a mean {self.value} below 0 (one-sided t test, {100 * self.alpha:g} %)"

    def to_dict(self) -> dict[str, Any]:
        """Return what JSON can hold."""
        return plain(self, "text")


ScreeningRule = ShareOfItems | MeanBelowZero


def bs_1534_rules(
    *, reference: str = "hidden reference", mid_anchor: str = "mid anchor"
) -> tuple[ShareOfItems, ShareOfItems]:
    """Return the rules of ITU-R BS.1534-3, 4.1.2, for conditions of these names and a scale of 0 to 100."""
    source = "ITU-R BS.1534-3 (2015), 4.1.2"
    return (
        ShareOfItems(condition=reference, side="below", score=90, share=0.15, source=source),
        ShareOfItems(condition=mid_anchor, side="above", score=90, share=0.15, excused_share=0.25, source=source),
    )


def bs_1116_rules(*, value: str = "sdg") -> tuple[MeanBelowZero]:
    """Return the rule of ITU-R BS.1116 for a column of difference grades."""
    return (MeanBelowZero(value=value, alpha=0.05, source="ITU-R BS.1116-3 (2015), as described in the literature"),)


@dataclass(frozen=True, slots=True, kw_only=True)
class Screened:
    """What the rules say of one listener."""

    listener: str
    kept: bool
    reasons: tuple[str, ...]
    """One for each rule that leaves the listener out."""
    figures: tuple[str, ...]
    """What each rule found, in its order."""

    def to_dict(self) -> dict[str, Any]:
        """Return what JSON can hold."""
        return plain(self)


@dataclass(frozen=True, slots=True, kw_only=True)
class ScreeningResult:
    """Who would be left out, and why."""

    rules: tuple[ScreeningRule, ...]
    listeners: tuple[Screened, ...]
    """All, sorted by name."""
    excused: tuple[str, ...]
    """Items that counted against nobody."""
    remarks: tuple[str, ...]
    method: str = "post-screening by rules fixed beforehand"
    assumptions: tuple[str, ...] = (
        "the rules stood in the protocol before anybody listened",
        "every rating of an item counts as one item, repeats among them",
    )

    @property
    def source(self) -> str:
        """Where the rules come from."""
        return "; ".join(dict.fromkeys(rule.source for rule in self.rules if rule.source)) or "the protocol"

    @property
    def kept(self) -> tuple[str, ...]:
        """Listeners no rule leaves out."""
        return tuple(one.listener for one in self.listeners if one.kept)

    @property
    def dropped(self) -> tuple[str, ...]:
        """Listeners at least one rule leaves out."""
        return tuple(one.listener for one in self.listeners if not one.kept)

    @property
    def sentence(self) -> str:
        """The result in plain words."""
        if not self.dropped:
            return " ".join(
                (f"The rules leave out none of {number_of(len(self.listeners), 'listener')}.", *self.remarks)
            )
        said = "; ".join(f"{one.listener} ({', '.join(one.reasons)})" for one in self.listeners if not one.kept)
        text = f"The rules leave out {len(self.dropped)} of {number_of(len(self.listeners), 'listener')}: {said}."
        return " ".join((text, *self.remarks))

    def to_dict(self) -> dict[str, Any]:
        """Return what JSON can hold."""
        return plain(self, "source", "kept", "dropped", "sentence")


def screen_listeners(
    table: "DataFrame",
    rules: Sequence[ScreeningRule],
    *,
    listener: str = "listener",
    condition: str = "device",
    item: str = "clip",
    value: str = "rating",
) -> ScreeningResult:
    """Return who would be left out by these rules, and why; the table stays as it is.

    Raises
    ------
    BlindtestError
        See `read_scores`; a condition of a rule that nobody rated; no rule.
    """
    if not rules:
        raise BlindtestError(
            Fault(problem="no rule of screening is named", key="rules", remedy="take those the protocol fixed")
        )
    found: list[dict[str, tuple[bool, str]]] = []
    excused: list[str] = []
    for rule in rules:
        if isinstance(rule, ShareOfItems):
            scores = read_scores(table, keys=[listener, condition, item], value=value)
            outcome, aside = _by_share(scores, rule, listener=listener, condition=condition, item=item)
            excused += aside
        else:
            outcome = _by_mean(read_scores(table, keys=[listener], value=rule.value), rule, listener)
        found.append(outcome)
    names = sorted({name for outcome in found for name in outcome})
    remarks = []
    if excused:
        remarks.append(f"Counted against nobody: {', '.join(dict.fromkeys(excused))}.")
    lacking = [name for name in names if any(name not in outcome for outcome in found)]
    if lacking:
        remarks.append(f"Not every rule could be applied to {', '.join(lacking)}: no such rating.")
    return ScreeningResult(
        rules=tuple(rules),
        listeners=tuple(_screened(name, found) for name in names),
        excused=tuple(dict.fromkeys(excused)),
        remarks=tuple(remarks),
    )


def _screened(name: str, found: list[dict[str, tuple[bool, str]]]) -> Screened:
    verdicts = [outcome[name] for outcome in found if name in outcome]
    reasons = tuple(figure for out, figure in verdicts if out)
    return Screened(listener=name, kept=not reasons, reasons=reasons, figures=tuple(figure for _, figure in verdicts))


def _by_share(
    scores: Scores, rule: ShareOfItems, *, listener: str, condition: str, item: str
) -> tuple[dict[str, tuple[bool, str]], list[str]]:
    frame = scores.frame
    rows = frame[frame[condition] == rule.condition]
    if rows.empty:
        known = sorted(frame[condition].unique().tolist())
        raise BlindtestError(
            Fault(
                problem="a rule of screening is about a condition that nobody rated",
                key=condition,
                got=rule.condition,
                allowed=", ".join(known),
                remedy=did_you_mean(rule.condition, known) or "name the condition in the rule as the table does",
            )
        )
    beyond = rows["score"] < rule.score if rule.side == "below" else rows["score"] > rule.score
    rows = rows.assign(_beyond=beyond)
    aside: list[str] = []
    if rule.excused_share is not None:
        limit = decimal(rule.excused_share)
        for name, own in rows.groupby(item, sort=True):
            who = own.groupby(listener)["_beyond"].any()
            if Fraction(int(who.sum()), len(who)) > limit:
                aside.append(str(name))
    outcome = {}
    for name, own in rows.groupby(listener, sort=True):
        counted = own[~own[item].isin(aside)]
        over, of = int(counted["_beyond"].sum()), len(counted)
        out = of > 0 and Fraction(over, of) > decimal(rule.share)
        outcome[str(name)] = (out, f"{rule.condition} {rule.side} {rule.score:g} in {over} of {of}")
    return outcome, aside


def _by_mean(scores: Scores, rule: MeanBelowZero, listener: str) -> dict[str, tuple[bool, str]]:
    outcome = {}
    for name, own in scores.frame.groupby(listener, sort=True):
        values = own["score"].to_numpy(dtype=np.float64)
        n, mean = len(values), float(values.mean())
        if n < 2:
            outcome[str(name)] = (True, f"mean {rule.value} {mean:+.2f} of one grade: nothing can be shown")
            continue
        error = float(values.std(ddof=1)) / sqrt(n)
        if error > 1e-12 * max(1.0, abs(mean)):
            t_value = mean / error
            p_value = float(stdtr(n - 1, t_value))
        else:
            t_value = 0.0 if mean == 0 else (-inf if mean < 0 else inf)
            p_value = 0.0 if mean < 0 else 1.0
        figure = f"mean {rule.value} {mean:+.2f} of {n}, t = {t_value:.2f}, one-sided p = {p_value:.3g}"
        outcome[str(name)] = (not p_value <= rule.alpha, figure)
    return outcome


@dataclass(frozen=True, slots=True, kw_only=True)
class WithAndWithout(Generic[T]):
    """One analysis of everybody's rows, and of those whom screening keeps."""

    everybody: T
    kept: T | None
    """None where nobody is left, or the analysis refuses what is left."""
    dropped: tuple[str, ...]
    why_not: str
    """Where `kept` is None."""
    method: str = "the same analysis with and without the listeners that screening leaves out"

    @property
    def sentence(self) -> str:
        """Both results in plain words."""
        first = str(getattr(self.everybody, "sentence", self.everybody))
        if not self.dropped:
            return f"Everybody: {first} Screening leaves out nobody."
        second = self.why_not if self.kept is None else str(getattr(self.kept, "sentence", self.kept))
        return f"Everybody: {first} Without {', '.join(self.dropped)}: {second}"

    def to_dict(self) -> dict[str, Any]:
        """Return what JSON can hold; results that bring no `to_dict` stand as they are."""
        return plain(self, "sentence")


def with_and_without(
    analysis: "Callable[[DataFrame], T]",
    table: "DataFrame",
    screening: ScreeningResult,
    *,
    listener: str = "listener",
) -> WithAndWithout[T]:
    """Return `analysis` of the whole table, and of the rows of the listeners that `screening` keeps.

    An analysis that can't be made of the whole table raises as it would alone.

    Raises
    ------
    BlindtestError
        No column of listeners.
    """
    checked_columns(table, [listener], "scores")
    everybody = analysis(table)
    if not screening.dropped:
        return WithAndWithout(everybody=everybody, kept=everybody, dropped=(), why_not="")
    rows = table[~table[listener].astype(str).isin(screening.dropped)]
    if rows.empty:
        return WithAndWithout(
            everybody=everybody, kept=None, dropped=screening.dropped, why_not="nobody is left to analyse."
        )
    try:
        kept = analysis(rows)
    except BlindtestError as error:
        return WithAndWithout(everybody=everybody, kept=None, dropped=screening.dropped, why_not=f"{error}.")
    return WithAndWithout(everybody=everybody, kept=kept, dropped=screening.dropped, why_not="")
