"""A claim that one condition is rated above another, in ratings of one moment: a difference per listener, t limits.

The difference of a listener is the mean over clips of the difference on each clip, so that a clip answered more often
than another weighs no more. Limits are Student's over listeners: the result is about these clips, and about listeners
like these. A single listener is judged over clips (three or more: about this listener, on clips like these), else over
repeats within each clip (about this listener and these clips).

Planned pages that nobody answered stand against whichever word is drawn: as a difference of the margin the other way
round against *shown* and *refuted*, as one of twice the margin, on either side, against *negligible*. A word that this
takes away becomes *open*, and both are told.

Beside it, never decisive: the same difference by a mixed model in which clips are a sample too, and the permutation
test of medians of ITU-R BS.1534-3 (attachment 3).

Sources: Student 1908; Schuirmann 1987 for *negligible*; ITU-R BS.1534-3 (2015); ITU-R BS.1116-3 (2015) for difference
grades (grade of the object less that of the hidden reference in the same trial).
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from math import sqrt
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
from scipy.special import stdtr

from blindtest.errors import BlindtestError
from blindtest.nouns import number_of
from blindtest.stats.contrast_conclusion import ContrastConclusion, conclude_contrast
from blindtest.stats.contrasts import rounding_sd
from blindtest.stats.direction import Direction
from blindtest.stats.mixed.linear import fit_linear_mixed
from blindtest.stats.plain import plain
from blindtest.stats.preference import PreferenceWord
from blindtest.stats.ranks.medians import MedianDifference, median_difference_test
from blindtest.stats.rating_model import rating_model

if TYPE_CHECKING:
    from pandas import DataFrame

__all__ = ["ListenerDifference", "ScaleContrast", "clips_as_a_sample", "scale_contrast"]

LEAST_CLIPS = 3
"""With fewer, a single listener is judged over repeats."""
CLIPS_OF_A_SAMPLE = 5
"""With fewer, nothing is said about other clips."""
Unit = Literal["listener", "clip", "page"]
_SCOPES: dict[Unit, str] = {
    "listener": "for these clips, and for listeners like these",
    "clip": "for this listener, on clips like these",
    "page": "for this listener and these clips",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class ListenerDifference:
    """One listener's mean difference."""

    listener: str
    difference: float
    """NaN where nothing was answered."""
    pages: int
    """Answered."""
    unanswered: int

    def to_dict(self) -> dict[str, Any]:
        """Return what JSON can hold."""
        return plain(self)


@dataclass(frozen=True, slots=True, kw_only=True)
class ScaleContrast:
    """What ratings say about a claim that the device is rated above the comparator."""

    device: str
    comparator: str
    word: PreferenceWord
    """Unanswered pages counted against it."""
    word_if_answered_only: PreferenceWord
    p_value: float
    """Of the test that the word rests on: for *negligible* the larger one against the margin; the largest of those with
    unanswered pages counted in."""
    conclusion: ContrastConclusion | None
    """Of the answered pages; None where nothing can be concluded."""
    why_not: str
    """Why, where it is None."""
    unit: Unit
    units: int
    scope: str
    """What the result holds for."""
    listeners: tuple[ListenerDifference, ...]
    """In the order of their names."""
    unanswered: int
    medians: MedianDifference | None
    """Of listeners' means (of clips' or pages' for a single one); None with fewer than two."""
    method: str = "one difference per listener, limits by Student's t"
    source: str = "Student 1908; Schuirmann 1987"
    assumptions: tuple[str, ...] = (
        "differences of units are independent and not too far from normal",
        "the margin was fixed beforehand",
    )

    @property
    def sentence(self) -> str:
        """The result in plain words."""
        if self.conclusion is None:
            return f"open: {self.why_not}."
        said = self.conclusion.sentence
        if self.unanswered:
            said += f" {number_of(self.unanswered, 'planned page')} without an answer, counted against it"
            lost = self.word != self.word_if_answered_only
            said += f": {self.word} (the answered ones alone: {self.word_if_answered_only})." if lost else "."
        return f"{said} It holds {self.scope}."

    def to_dict(self) -> dict[str, Any]:
        """Return what JSON can hold."""
        return plain(self, "sentence")


@dataclass(frozen=True, slots=True)
class _Cell:
    """A listener on a clip: differences page by page, and how many pages nobody answered."""

    listener: str
    clip: str
    pages: tuple[float, ...]
    unanswered: int
    difference: float

    def filled(self, with_: float) -> float:
        """Return the mean difference with unanswered pages standing for `with_`."""
        answered = len(self.pages)
        if not self.unanswered:
            return self.difference
        own = self.difference if answered else 0.0
        return (own * answered + with_ * self.unanswered) / (answered + self.unanswered)


def scale_contrast(
    table: "DataFrame",
    *,
    device: str,
    comparator: str,
    margin: float | None,
    alpha: float = 0.05,
    direction: Direction = "two-sided",
    unanswered: Mapping[tuple[str, str], int] | None = None,
    step: float = 1.0,
) -> ScaleContrast:
    """Return what ratings of one moment say about a claim; see the module.

    Parameters
    ----------
    table : listener, clip, device, rating; pages of a clip in the order in which they were answered
    margin : points of the scale; None: *negligible* is out of reach
    unanswered : pages of the claim planned and not answered, by (listener, clip)
    step : what ratings are rounded to: differences that come out exactly alike were measured no finer
    """
    cells = _cells(table, device, comparator, unanswered or {})
    listeners = tuple(dict.fromkeys(cell.listener for cell in cells))
    unit, values = _units(cells, listeners)

    def concluded(fill: float | None) -> ContrastConclusion | None:
        found, df, averaged = values(fill)
        if len(found) < 2 or df < 1:
            return None
        if unit == "page":
            groups = [np.asarray([v for c, v in found if c == clip]) for clip in dict.fromkeys(c for c, _ in found)]
            spread = sqrt(sum(float(np.sum((g - g.mean()) ** 2)) for g in groups) / df)
            estimate = float(np.mean([g.mean() for g in groups]))
            scale = sqrt(sum(1 / len(g) for g in groups)) / len(groups)
        else:
            numbers = np.asarray([v for _, v in found])
            spread, estimate, scale = float(numbers.std(ddof=1)), float(numbers.mean()), 1 / sqrt(len(numbers))
        error = max(spread, rounding_sd(step, averaged)) * scale
        return conclude_contrast(estimate, error, float(df), margin=margin, alpha=alpha, direction=direction)

    answered = concluded(None)
    missing = sum(cell.unanswered for cell in cells)
    alone: PreferenceWord = "open" if answered is None else answered.word
    word = alone
    against = [answered] if answered is not None else []
    if missing and answered is not None:
        size = margin or 0.0
        fills = {"shown": (-size,), "refuted": (size,), "negligible": (2 * size, -2 * size), "open": (0.0,)}[word]
        against += [one for fill in fills if (one := concluded(fill)) is not None]
        if word != "open" and any(one.word != alone for one in against):
            word = "open"
    found, _, _ = values(None)
    return ScaleContrast(
        device=device,
        comparator=comparator,
        word=word,
        word_if_answered_only=alone,
        p_value=max((_p_of(one, alone) for one in against), default=1.0),
        conclusion=answered,
        why_not="" if answered is not None else _why_not(cells, listeners),
        unit=unit,
        units=len(found),
        scope=_SCOPES[unit],
        listeners=tuple(_listener(name, cells) for name in listeners),
        unanswered=missing,
        medians=_medians(table, device, comparator, unit),
    )


def _p_of(one: ContrastConclusion, word: PreferenceWord) -> float:
    """Return the p of the test that a word rests on."""
    if word == "negligible" and one.margin is not None:
        return max(
            float(stdtr(one.df, (one.estimate - one.margin) / one.std_error)),
            float(stdtr(one.df, -(one.estimate + one.margin) / one.std_error)),
        )
    if word == "refuted" and one.direction == "claimed":
        return float(stdtr(one.df, one.estimate / one.std_error))
    return one.p_value


def _why_not(cells: list[_Cell], listeners: tuple[str, ...]) -> str:
    if not any(cell.pages for cell in cells):
        return "nobody rated both"
    if len(listeners) > 1:
        return "only one listener rated both"
    return "one listener on so few pages leaves nothing to judge the scatter by"


def _cells(table: "DataFrame", device: str, comparator: str, unanswered: Mapping[tuple[str, str], int]) -> list[_Cell]:
    rows = table[table["device"].isin([device, comparator]) & table["rating"].notna()]
    held: dict[tuple[str, str], dict[str, list[float]]] = {}
    for listener, clip, name, rating in zip(
        rows["listener"].astype(str), rows["clip"].astype(str), rows["device"], rows["rating"], strict=True
    ):
        held.setdefault((listener, clip), {}).setdefault(str(name), []).append(float(rating))
    cells = []
    for key in sorted({*held, *(key for key, count in unanswered.items() if count)}):
        own = held.get(key, {})
        first, second = own.get(device, []), own.get(comparator, [])
        both = bool(first and second)
        pages = tuple(a - b for a, b in zip(first, second, strict=False))
        difference = float(np.mean(first) - np.mean(second)) if both else 0.0
        cells.append(
            _Cell(
                listener=key[0],
                clip=key[1],
                pages=pages,
                unanswered=int(unanswered.get(key, 0)),
                difference=difference,
            )
        )
    return [cell for cell in cells if cell.pages or cell.unanswered]


def _units(
    cells: list[_Cell], listeners: tuple[str, ...]
) -> tuple[Unit, Callable[[float | None], tuple[list[tuple[str, float]], int, int]]]:
    """Return the unit, and a function that gives (group, value) of each, degrees of freedom and ratings averaged."""
    clips = {cell.clip for cell in cells}
    averaged = max((len(cell.pages) for cell in cells), default=1)

    def used(fill: float | None) -> list[_Cell]:
        return [cell for cell in cells if cell.pages or fill is not None]

    def value(cell: _Cell, fill: float | None) -> float:
        return cell.difference if fill is None else cell.filled(fill)

    def by_listener(fill: float | None) -> tuple[list[tuple[str, float]], int, int]:
        means = []
        for name in listeners:
            own = [value(cell, fill) for cell in used(fill) if cell.listener == name]
            if own:
                means.append((name, float(np.mean(own))))
        return means, len(means) - 1, averaged * len(clips)

    def by_clip(fill: float | None) -> tuple[list[tuple[str, float]], int, int]:
        found = [(cell.clip, value(cell, fill)) for cell in used(fill)]
        return found, len(found) - 1, averaged

    def by_page(fill: float | None) -> tuple[list[tuple[str, float]], int, int]:
        found = [(cell.clip, page) for cell in cells for page in cell.pages]
        if fill is not None:
            found += [(cell.clip, fill) for cell in cells for _ in range(cell.unanswered)]
        return found, len(found) - len({clip for clip, _ in found}), 1

    if len(listeners) > 1:
        return "listener", by_listener
    return ("clip", by_clip) if len(clips) >= LEAST_CLIPS else ("page", by_page)


def _listener(name: str, cells: list[_Cell]) -> ListenerDifference:
    own = [cell for cell in cells if cell.listener == name]
    answered = [cell.difference for cell in own if cell.pages]
    return ListenerDifference(
        listener=name,
        difference=float(np.mean(answered)) if answered else float("nan"),
        pages=sum(len(cell.pages) for cell in own),
        unanswered=sum(cell.unanswered for cell in own),
    )


def _medians(table: "DataFrame", device: str, comparator: str, unit: Unit) -> MedianDifference | None:
    rows = table[table["device"].isin([device, comparator]) & table["rating"].notna()]
    keys = {"listener": ["listener", "device"], "clip": ["clip", "device"]}.get(unit)
    if keys is None:
        return None
    wide = rows.groupby(keys)["rating"].mean().unstack().dropna()
    if len(wide) < 2 or not {device, comparator} <= set(wide.columns):
        return None
    return median_difference_test(wide[device].to_numpy(), wide[comparator].to_numpy(), paired=True)


def clips_as_a_sample(
    table: "DataFrame",
    *,
    device: str,
    comparator: str,
    margin: float | None,
    alpha: float = 0.05,
    direction: Direction = "two-sided",
) -> ContrastConclusion | None:
    """Return the difference by a mixed model with listeners and clips both random; None where there are too few.

    Parameters
    ----------
    table : see `scale_contrast`
    """
    rows = table[table["device"].isin([device, comparator]) & table["rating"].notna()]
    if rows["clip"].nunique() < CLIPS_OF_A_SAMPLE or rows["listener"].nunique() < 2:
        return None
    try:
        model = rating_model(rows)
        fit = fit_linear_mixed(model.formula, rows, random=model.random, level=1 - alpha)
        found = fit.contrast("device", adjust="none").to_dict("records")
    except (BlindtestError, ValueError):
        return None
    for one in found:
        sign = {f"{device} - {comparator}": 1, f"{comparator} - {device}": -1}.get(str(one["contrast"]))
        if sign is not None and one["std_error"] > 0:
            return conclude_contrast(
                sign * float(one["estimate"]),
                float(one["std_error"]),
                float(one["df"]),
                margin=margin,
                alpha=alpha,
                direction=direction,
            )
    return None
