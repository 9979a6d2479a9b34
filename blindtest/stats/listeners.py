"""Listeners one by one and together: each held against guessing, with p values adjusted over all of them.

Naming the best of many takes an adjustment: of 10 guessers one does as well as p = .05 in 40 % of panels. All answers
in one pot are a valid test of "nobody hears it", and no estimate of what a panel's listeners can do.
"""

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from blindtest.errors import BlindtestError, Fault
from blindtest.nouns import number_of
from blindtest.stats.discrimination import DiscriminationResult, IntervalName, discrimination_test
from blindtest.stats.multiplicity import ADJUSTMENT_SOURCES, Adjustment, adjust_p_values
from blindtest.stats.plain import plain
from blindtest.stats.sensitivity import decision_rule

if TYPE_CHECKING:
    from pandas import DataFrame

__all__ = ["ListenerResults", "answers_in_order", "counted_trials", "listener_results"]

POOLED = "answers of several listeners in one pot: a test of 'nobody hears it', no estimate of what listeners can do"


@dataclass(frozen=True, slots=True, kw_only=True)
class ListenerResults:
    """Each listener held against guessing, and all together."""

    method: str
    listeners: tuple[str, ...]
    """Pseudonyms, sorted; the order of the next two."""
    results: tuple[DiscriminationResult, ...]
    adjusted_p_values: tuple[float, ...]
    pooled: DiscriminationResult
    unanswered: int = 0
    """Blind trials of the table that have a row and no answer; `conclude` counts them against the conclusion."""
    adjustment: str = "Holm 1979, over listeners"
    source: str = "ISO 4120, ISO 10399, ISO 5495 for the tests; Holm 1979; Benjamini & Hochberg 1995"
    assumptions: tuple[str, ...] = (
        "each listener's trials are independent, their number was fixed beforehand",
        "all listeners that were tested are in the table",
    )

    @property
    def named(self) -> tuple[str, ...]:
        """Listeners whose adjusted p value is at most 1 - level."""
        return tuple(
            name
            for name, p in zip(self.listeners, self.adjusted_p_values, strict=True)
            if p <= 1 - self.pooled.level + 1e-12
        )

    @property
    def sentence(self) -> str:
        """The result in plain words."""
        who = ", ".join(self.named) if self.named else "nobody"
        return (
            f"{number_of(len(self.listeners), 'listener')}, {self.pooled.correct} of {self.pooled.trials} "
            "right in all: if nobody "
            f"heard a difference, this many or more would come with probability {self.pooled.p_value:.3g}. Shown to "
            f"hear one, after adjustment ({self.adjustment}): {who}."
        )

    def to_dict(self) -> dict[str, Any]:
        """Return what JSON can hold, sentence included."""
        return plain(self, "named", "sentence")

    def to_table(self) -> "DataFrame":
        """Return a row per listener: listener, correct, trials, proportion, ci_low, ci_high, p_value, p_adjusted,
        d_prime, d_prime_low, d_prime_high.
        """
        import pandas as pd

        rows = [
            {
                "listener": listener,
                "correct": result.correct,
                "trials": result.trials,
                "proportion": result.proportion,
                "ci_low": result.interval[0],
                "ci_high": result.interval[1],
                "p_value": result.p_value,
                "p_adjusted": adjusted,
                "d_prime": result.d_prime,
                "d_prime_low": result.d_prime_interval[0],
                "d_prime_high": result.d_prime_interval[1],
            }
            for listener, result, adjusted in zip(self.listeners, self.results, self.adjusted_p_values, strict=True)
        ]
        return pd.DataFrame(rows)


def counted_trials(table: "DataFrame") -> "DataFrame":
    """Return the rows of a trial table that count: answered, right or wrong, blind, the first answered attempt.

    Where no row says its phase, all rows are taken as blind. A later attempt never replaces an answer.
    """
    blind = _blind(table)
    answered = blind[blind["correct"].notna()]
    if "attempt" not in answered or "trial" not in answered:
        return answered
    first = answered.groupby(_same_trial(answered), dropna=False)["attempt"].transform("min")
    no_order = answered["attempt"].isna() | answered["trial"].isna()
    return answered[no_order | (answered["attempt"] == first).fillna(False)]


def answers_in_order(table: "DataFrame") -> tuple[bool, ...]:
    """Return the counted answers of a trial table, right or wrong, in the order in which they were given.

    That is the order of the times of answers where all rows have them, of trial numbers where there is one listener
    with one sitting, else that of the rows.
    """
    counted = counted_trials(table)
    if "answered_at" in counted and len(counted) and counted["answered_at"].notna().all():
        counted = counted.sort_values("answered_at", kind="stable")
    elif _is_one_series(counted):
        counted = counted.sort_values("trial", kind="stable")
    return tuple(bool(right) for right in counted["correct"])


def _is_one_series(counted: "DataFrame") -> bool:
    if "trial" not in counted or counted["trial"].isna().any() or counted["trial"].dtype.kind != "i":
        return False
    return counted["trial"].is_unique


def _blind(table: "DataFrame") -> "DataFrame":
    if "phase" in table and table["phase"].notna().any():
        return table[table["phase"] == "blind"]
    return table


def _same_trial(table: "DataFrame") -> list[str]:
    """Return the columns that tell a trial from another; attempts at one trial share them."""
    names = ("study", "listener", "sitting", "block", "conditions", "trial", "slot")
    return [name for name in names if name in table]


def _unanswered(table: "DataFrame") -> int:
    blind = _blind(table)
    if not {"trial", "attempt"} <= set(blind.columns):
        return int(blind["correct"].isna().sum())
    attempts = blind["trial"].notna() & blind["attempt"].notna()
    answers = blind[attempts].groupby(_same_trial(blind), dropna=False)["correct"].count()
    return int((answers == 0).sum()) + int(blind.loc[~attempts, "correct"].isna().sum())


def listener_results(
    table: "DataFrame",
    *,
    method: str | None = None,
    level: float = 0.95,
    interval: IntervalName = "clopper-pearson",
    mid_p: bool = False,
    adjustment: Adjustment = "holm",
) -> ListenerResults:
    """Return the results of each listener of a trial table, and of all answers together.

    Parameters
    ----------
    table : trial table; at least the column `correct`, and `method` unless it is given; see `counted_trials`
    method : the decision rule ("abx-independent" for a table of ABX trials); default: what the table says
    adjustment : of the p values over listeners; "bh" for exploring only, see `adjust_p_values`

    Raises
    ------
    BlindtestError
        No counted trial, or trials of methods with different guess rates (or none given).
    """
    counted = counted_trials(table)
    if counted.empty:
        raise BlindtestError(
            Fault(
                problem="no blind trial of this table was answered",
                got=f"{len(table)} rows",
                key="correct",
                remedy="finish a sitting first, or name the column that says which answers were right",
            )
        )
    method = one_method(counted, method)
    names = counted["listener"].astype("string").fillna("(not named)") if "listener" in counted else "(not named)"
    right = counted["correct"].astype(int)
    sums = (
        right.to_frame("correct").assign(listener=names).groupby("listener", sort=True)["correct"].agg(["sum", "size"])
    )

    def tested(correct: int, trials: int) -> DiscriminationResult:
        return discrimination_test(correct, trials, method=method, level=level, interval=interval, mid_p=mid_p)

    results = tuple(tested(int(row["sum"]), int(row["size"])) for _, row in sums.iterrows())
    pooled = tested(int(right.sum()), len(right))
    if len(results) > 1:
        pooled = replace(pooled, assumptions=(*pooled.assumptions, POOLED))
    return ListenerResults(
        method=method,
        listeners=tuple(str(name) for name in sums.index),
        results=results,
        adjusted_p_values=tuple(
            float(p) for p in adjust_p_values([result.p_value for result in results], method=adjustment)
        ),
        pooled=pooled,
        unanswered=_unanswered(table),
        adjustment=f"{ADJUSTMENT_SOURCES[adjustment]}, over listeners",
    )


def one_method(counted: "DataFrame", method: str | None) -> str:
    """Return the one method of counted trials, as given or as the table says."""
    stated = sorted(counted["method"].dropna().unique()) if "method" in counted else []
    if method is None and len(stated) != 1:
        raise BlindtestError(
            Fault(
                problem="these trials must be of one method",
                key="method",
                got=", ".join(stated) or "none named",
                remedy="name one, or take the methods apart",
            )
        )
    rule = decision_rule(method if method is not None else str(stated[0]))
    others = [name for name in stated if decision_rule(str(name)).guess != rule.guess]
    if others:
        raise BlindtestError(
            Fault(
                problem=f"trials of method {others[0]} can't be judged as {rule.method}: a guess is right more or less "
                "often there",
                key="method",
                got=", ".join(stated),
            )
        )
    return rule.method
