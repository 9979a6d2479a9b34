"""Which stage does it? Ratings of a chain with each of its stages switched on and off in all combinations.

A factorial design (say measured response x harmonics x source impedance): the effect of a stage is the mean rating with
it minus that without, the others averaged alike; the product of two says what one changes in the effect of the other
(if it is large, no stage has an effect by itself). Each effect varies over listeners and clips by variances of its own.
Effects of stages are one family, adjusted after Holm; products are another, looked at and never part of a claim.

Source: claims, section 2 (stage); Yates 1937 for factorial contrasts; Holm 1979 (Scand. J. Stat. 6, 65); Barr et al.
2013.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from blindtest.errors import BlindtestError, Fault, did_you_mean
from blindtest.nouns import number_of
from blindtest.stats.binomial import checked_probability
from blindtest.stats.contrast_conclusion import ContrastConclusion
from blindtest.stats.contrasts import Estimates
from blindtest.stats.crossed_terms import crossed_terms, rated_rows
from blindtest.stats.estimate_conclusion import conclude_estimate
from blindtest.stats.multiplicity import adjust_p_values
from blindtest.stats.plain import plain
from blindtest.stats.preference import PreferenceWord
from blindtest.stats.verdict import Effect, effect_of

if TYPE_CHECKING:
    from pandas import DataFrame

__all__ = ["AttributionResult", "StageEffect", "attribution", "family_of"]

NOT_STAGES = frozenset(
    {"listener", "clip", "rating", "sitting", "trial", "repeat", "mode", "order", "device", "condition"}
)
ON = {"on", "yes", "true", "1", "1.0", "with", "in"}
OFF = {"off", "no", "false", "0", "0.0", "without", "out"}


@dataclass(frozen=True, slots=True, kw_only=True)
class StageEffect:
    """What a stage, or the product of two, changes in ratings."""

    name: str
    """A stage, or "first x second"."""
    effect: Effect
    """With it minus without it, points; of a product: effect of the first with the second minus without it."""
    conclusion: ContrastConclusion
    """At the level that Holm's procedure gives this effect; `adjusted_p_value` against alpha says the same."""
    p_value: float
    adjusted_p_value: float
    """Holm, over the stages or over the products."""

    @property
    def word(self) -> PreferenceWord:
        """Shown: raises ratings; refuted: lowers them; negligible; open."""
        return self.conclusion.word

    @property
    def sentence(self) -> str:
        """The result in plain words."""
        low, high = self.effect.interval
        return (
            f"{self.name}: {self.word}, {self.effect.estimate:+.1f} points ({low:+.1f} to {high:+.1f}), p = "
            f"{self.p_value:.3g}, after Holm {self.adjusted_p_value:.3g}."
        )

    def to_dict(self) -> dict[str, Any]:
        """Return what JSON can hold."""
        return plain(self, "word", "sentence")


@dataclass(frozen=True, slots=True, kw_only=True)
class AttributionResult:
    """Effects of the stages of a chain."""

    stages: tuple[StageEffect, ...]
    interactions: tuple[StageEffect, ...]
    combinations: int
    """Combinations of stages that were rated."""
    listeners: int
    clips: int
    ratings: int
    margin: float
    alpha: float
    scope: str
    remarks: tuple[str, ...]
    method: str
    assumptions: tuple[str, ...] = (
        "combinations were presented blind, in drawn order",
        "the effect of a stage is its mean over what the others do: where a product is large, a mean of unlike things",
        "effects of listeners and clips and the scatter of ratings are normal",
    )
    source: str = "Yates 1937; Holm 1979; Barr et al. 2013"

    def stage(self, name: str) -> StageEffect:
        """Return one stage's effect.

        Raises
        ------
        KeyError
            No such stage.
        """
        for one in (*self.stages, *self.interactions):
            if one.name == name:
                return one
        raise KeyError(f"no stage {name!r} (there are: {', '.join(one.name for one in self.stages)})")

    @property
    def sentence(self) -> str:
        """The result in plain words."""
        said = " ".join(one.sentence for one in self.stages)
        changed = [one.name for one in self.interactions if one.word in ("shown", "refuted")]
        products = f" Not additive: {', '.join(changed)}." if changed else ""
        return f"{said}{products} Margin {self.margin:g}, alpha {self.alpha:g}, {self.scope}."

    def to_dict(self) -> dict[str, Any]:
        """Return what JSON can hold."""
        return plain(self, "sentence")


def attribution(
    table: "DataFrame",
    *,
    stages: Sequence[str] | None = None,
    margin: float = 8.0,
    alpha: float = 0.05,
    interactions: bool | Sequence[tuple[str, str]] = True,
    only_these_clips: bool | None = None,
) -> AttributionResult:
    """Return what each stage of a chain changes in ratings.

    Parameters
    ----------
    table : listener, clip, rating and a column for each stage: on/off, yes/no, true/false, 1/0, with/without
    stages : their columns; None: all columns that are nothing else and hold such values
    margin : smallest effect that matters, scale points; sealed
    interactions : estimate the products of two stages too: all, none, or those that a fraction can tell from the rest
    only_these_clips : None: clips are a sample of clips where there are five or more

    Raises
    ------
    BlindtestError
        A table that can't be read; stages that can't be told apart in it.
    ValueError
        A number out of its range.
    """
    if not margin > 0:
        raise ValueError(f"the margin must be above 0, got {margin}")
    checked_probability("alpha", alpha)
    named = _stages_in(table) if stages is None else [str(name) for name in stages]
    rows, without = rated_rows(table, ("listener", "clip", "rating", *named))
    columns = _switches(rows, named)
    products = _products(named, interactions)
    _check_told_apart(columns, products)
    found = crossed_terms(rows, columns, products, only_these_clips=only_these_clips)
    pairs = [f"{first} x {second}" for first, second in products]
    remarks = (
        [f"{number_of(without, 'row holds no rating and is', 'rows hold no rating and are')} left out"]
        if without
        else []
    )
    seen = len({tuple(values) for values in np.stack(list(columns.values()), axis=1)})
    if seen < 2 ** len(named):
        remarks.append(f"{seen} of {2 ** len(named)} combinations were rated: effects lean on the model for the rest")
    return AttributionResult(
        stages=family_of(named, found.estimates, margin, alpha),
        interactions=family_of(pairs, found.estimates, margin, alpha),
        combinations=seen,
        listeners=found.listeners,
        clips=found.clips,
        ratings=found.ratings,
        margin=float(margin),
        alpha=float(alpha),
        scope=found.scope,
        remarks=(*remarks, *found.remarks),
        method=found.method,
    )


def _stages_in(table: "DataFrame") -> list[str]:
    found = []
    for name in map(str, table.columns):
        values = {str(value).casefold() for value in table[name].dropna().unique()}
        if name not in NOT_STAGES and len(values) == 2 and values & ON and values & OFF:
            found.append(name)
    if not found:
        raise BlindtestError(
            Fault(
                problem="no column looks like a stage that is switched on and off",
                key="stages",
                got=", ".join(map(str, table.columns)),
                allowed="columns of on/off, yes/no, true/false, 1/0, with/without",
                remedy="name the columns of the stages",
            )
        )
    return found


def _products(named: Sequence[str], asked: bool | Sequence[tuple[str, str]]) -> list[tuple[str, str]]:
    if isinstance(asked, bool):
        return list(combinations(named, 2)) if asked else []
    strange = [name for pair in asked for name in pair if name not in named]
    if strange:
        raise ValueError(f"a product of {strange[0]!r}, which is no stage (there are: {', '.join(named)})")
    return [(first, second) for first, second in asked]


def _switches(rows: "DataFrame", stages: Sequence[str]) -> dict[str, NDArray[np.float64]]:
    columns, faults = {}, []
    for name in stages:
        values = rows[name].astype(str).str.casefold()
        unknown = sorted({value for value in values.unique() if value not in ON | OFF})
        if unknown:
            faults.append(
                Fault(
                    problem="a stage is on or off",
                    key=name,
                    got=", ".join(unknown[:3]),
                    allowed="on/off, yes/no, true/false, 1/0, with/without",
                    remedy=did_you_mean(unknown[0], sorted(ON | OFF)),
                )
            )
        elif values.isin(ON).nunique() < 2:
            faults.append(
                Fault(
                    problem="this stage is always the same",
                    key=name,
                    got=values.iloc[0],
                    remedy="leave it out, or rate it both ways",
                )
            )
        else:
            columns[name] = np.where(values.isin(ON), 0.5, -0.5)
    if faults:
        raise BlindtestError.of(faults)
    return columns


def _check_told_apart(columns: dict[str, NDArray[np.float64]], products: Sequence[tuple[str, str]]) -> None:
    matrix = [np.ones(len(next(iter(columns.values())))), *columns.values()]
    matrix += [columns[a] * columns[b] for a, b in products]
    names = ["", *columns, *(f"{a} x {b}" for a, b in products)]
    for end in range(2, len(matrix) + 1):
        if np.linalg.matrix_rank(np.stack(matrix[:end], axis=1)) < end:
            raise BlindtestError(
                Fault(
                    problem=f"{names[end - 1]} can't be told from the rest: not every combination was rated",
                    key="stages",
                    remedy="rate the missing combinations"
                    + (", or leave products out (interactions=False)" if end > len(columns) + 1 else ""),
                )
            )


def family_of(
    names: Sequence[str], estimates: dict[str, Estimates], margin: float, alpha: float
) -> tuple[StageEffect, ...]:
    """Return effects with the words that Holm's procedure over all of them gives."""
    if not names:
        return ()
    p_values = [conclude_estimate(estimates[name], margin=margin, alpha=alpha).p_value for name in names]
    adjusted = [float(p) for p in adjust_p_values(p_values, method="holm")]
    found = []
    for name, p, after in zip(names, p_values, adjusted, strict=True):
        # The level that this one has to pass: p <= level says the same as adjusted p <= alpha.
        level = alpha * p / after if after > 0 else alpha / len(names)
        found.append(
            StageEffect(
                name=name,
                effect=effect_of(estimates[name], alpha),
                conclusion=conclude_estimate(estimates[name], margin=margin, alpha=level),
                p_value=p,
                adjusted_p_value=after,
            )
        )
    return tuple(found)
