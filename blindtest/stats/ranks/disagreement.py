"""Where a mixed model of ratings and its companions disagree, pair by pair, in a sentence.

A rating scale is bounded and everybody's own; a mixed model takes it at face value, ranks do not. Where all come to the
same pairs the question is closed; where they don't, a reader must know which pairs hang on how the scale was used. The
companions never change a verdict by themselves.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from blindtest.errors import BlindtestError, Fault
from blindtest.stats.binomial import checked_probability
from blindtest.stats.plain import plain
from blindtest.stats.ranks.friedman import FriedmanResult, friedman_test
from blindtest.stats.ranks.signed_ranks import signed_rank_pairs
from blindtest.stats.rows import json_rows

if TYPE_CHECKING:
    from pandas import DataFrame

__all__ = ["Disagreement", "RankCompanions", "rank_companions", "where_they_disagree"]

ALIKE = "agree"
OPPOSITE = "opposite directions"
MODEL_ONLY = "only the model"
RANKS_ONLY = "only the companion"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Disagreement:
    """A model's differences beside those of its companions."""

    pairs: "DataFrame"
    """A row per pair and companion: a, b, companion, model_estimate, model_p, companion_estimate, companion_p, finding
    ("agree", "only the model", "only the companion", "opposite directions")."""
    alpha: float
    lacking: tuple[str, ...]
    """Pairs that a companion does not have."""
    method: str = "sign and p value of each difference, the model's against the companion's"
    source: str = "this project"
    assumptions: tuple[str, ...] = (
        "p values below alpha count as found; one just below and one just above alpha differ in name only",
        "companions rest on one mean per listener, the model on all ratings: some difference of power is expected",
    )

    @property
    def agree(self) -> bool:
        """Whether every pair comes out alike."""
        return bool((self.pairs["finding"] == ALIKE).all())

    @property
    def sentence(self) -> str:
        """The result in plain words."""
        companions = ", ".join(dict.fromkeys(self.pairs["companion"].astype(str)))
        if self.agree:
            text = f"The mixed model and its companions ({companions}) find the same differences at {self.alpha:g}."
        else:
            said = [_said(row) for row in self.pairs.itertuples(index=False) if row.finding != ALIKE]
            text = f"The mixed model and its companions disagree at {self.alpha:g}: {'; '.join(said)}."
            text += " What hangs on the distances of the scale should not be claimed from the model alone."
        if self.lacking:
            text += f" Not compared: {', '.join(self.lacking)}."
        return text

    def to_dict(self) -> dict[str, Any]:
        """Return what JSON can hold."""
        bare = replace(self, pairs=())  # type: ignore[arg-type]
        return {**plain(bare), "agree": self.agree, "pairs": json_rows(self.pairs), "sentence": self.sentence}


def _said(row: Any) -> str:
    figures = (
        f"{row.model_estimate:+.2f}, p = {row.model_p:.2g} against {row.companion_estimate:+.2f}, "
        f"p = {row.companion_p:.2g}"
    )
    what = {
        MODEL_ONLY: "is found by the model only, not by",
        RANKS_ONLY: "is found only by",
        OPPOSITE: "points the other way in",
    }[row.finding]
    return f"{row.a} - {row.b} {what} {row.companion} ({figures})"


def where_they_disagree(
    contrasts: "DataFrame", companions: "Mapping[str, DataFrame]", *, alpha: float = 0.05
) -> Disagreement:
    """Return where a model's differences and those of its companions disagree.

    Parameters
    ----------
    contrasts : of the model: `contrast` ("A - B") or a, b; estimate; p_adjusted or p_value
    companions : name -> such a table, `signed_rank_pairs` or a cumulative-link model's contrasts

    Raises
    ------
    BlindtestError
        A table without these columns, or no pair in common.
    ValueError
        An alpha outside 0 ... 1.
    """
    import pandas as pd

    checked_probability("alpha", alpha)
    model = _pairs(contrasts, "contrasts")
    rows: list[dict[str, Any]] = []
    lacking: list[str] = []
    for name, table in companions.items():
        theirs = _pairs(table, name)
        for (a, b), (estimate, p_value) in model.items():
            if (a, b) in theirs:
                other, other_p = theirs[a, b]
            elif (b, a) in theirs:
                other, other_p = -theirs[b, a][0], theirs[b, a][1]
            else:
                lacking.append(f"{a} - {b} in {name}")
                continue
            rows.append(
                {
                    "a": a,
                    "b": b,
                    "companion": name,
                    "model_estimate": estimate,
                    "model_p": p_value,
                    "companion_estimate": other,
                    "companion_p": other_p,
                    "finding": _finding(estimate, p_value, other, other_p, alpha),
                }
            )
    if not rows:
        raise BlindtestError(
            Fault(
                problem="the model and its companions have no pair in common",
                got=", ".join(f"{a} - {b}" for a, b in model),
                remedy="compare tables of the same factor",
            )
        )
    return Disagreement(pairs=pd.DataFrame(rows), alpha=float(alpha), lacking=tuple(lacking))


def _finding(estimate: float, p_value: float, other: float, other_p: float, alpha: float) -> str:
    found, other_found = p_value <= alpha, other_p <= alpha
    if estimate * other < 0 and (found or other_found):
        return OPPOSITE
    if found == other_found:
        return ALIKE
    return MODEL_ONLY if found else RANKS_ONLY


def _pairs(table: "DataFrame", name: str) -> dict[tuple[str, str], tuple[float, float]]:
    columns = set(map(str, table.columns))
    named = "contrast" in columns or {"a", "b"} <= columns
    p_column = "p_adjusted" if "p_adjusted" in columns else "p_value"
    if not named or not {"estimate", p_column} <= columns:
        raise BlindtestError(
            Fault(
                problem="not a table of differences",
                key=name,
                got=", ".join(sorted(columns)),
                allowed="contrast (or a, b), estimate, p_value",
            )
        )
    if {"a", "b"} <= columns:
        keys = list(zip(table["a"].astype(str), table["b"].astype(str), strict=True))
    else:
        keys = [(a, b) for a, _, b in (str(text).partition(" - ") for text in table["contrast"])]
    if len(set(keys)) < len(keys):
        twice = next(key for place, key in enumerate(keys) if key in keys[:place])
        raise BlindtestError(
            Fault(
                problem="a pair stands in the table twice",
                key=name,
                got=f"{twice[0]} - {twice[1]}",
                remedy="compare within one level of the `by` factors at a time",
            )
        )
    numbers = table[["estimate", p_column]].to_numpy(dtype=np.float64).tolist()
    return {key: (estimate, p_value) for key, (estimate, p_value) in zip(keys, numbers, strict=True)}


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RankCompanions:
    """What ranks say of the same ratings: all treatments at once, and pair by pair."""

    friedman: FriedmanResult
    pairs: "DataFrame"
    """See `signed_rank_pairs`."""
    method: str = "Friedman's test and signed ranks on one mean per listener and treatment"
    source: str = "Friedman 1937; Wilcoxon 1945; Pratt 1959; Holm 1979"
    assumptions: tuple[str, ...] = ("listeners are independent; the result holds for these clips",)

    def against(
        self, contrasts: "DataFrame", *, alpha: float = 0.05, others: "Mapping[str, DataFrame] | None" = None
    ) -> Disagreement:
        """Return where a mixed model's contrasts disagree with these, and with `others` beside them."""
        return where_they_disagree(contrasts, {"signed ranks": self.pairs, **(others or {})}, alpha=alpha)

    @property
    def sentence(self) -> str:
        """The result in plain words."""
        found = [
            f"{row.a} - {row.b} {row.estimate:+.2f} (p = {row.p_adjusted:.2g})"
            for row in self.pairs.sort_values("p_adjusted", kind="stable").itertuples(index=False)
        ]
        return f"{self.friedman.sentence} Signed ranks, adjusted (Holm): {'; '.join(found)}."

    def to_dict(self) -> dict[str, Any]:
        """Return what JSON can hold."""
        bare = replace(self, pairs=())  # type: ignore[arg-type]
        return {**plain(bare), "pairs": json_rows(self.pairs), "sentence": self.sentence}


def rank_companions(
    table: "DataFrame", *, value: str = "rating", treatment: str = "device", block: str | Sequence[str] = "listener"
) -> RankCompanions:
    """Return Friedman's test and the signed-rank test of every pair, by one mean score per listener and treatment.

    Raises
    ------
    BlindtestError
        See `read_scores` and `complete_blocks`.
    """
    blocks = block if isinstance(block, str) else tuple(block)
    return RankCompanions(
        friedman=friedman_test(table, value=value, treatment=treatment, block=blocks),
        pairs=signed_rank_pairs(table, value=value, treatment=treatment, block=blocks),
    )
