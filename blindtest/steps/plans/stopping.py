"""Plans that may end early: what their rule can show and refute, after how many trials, beside a fixed number."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from blindtest.errors import Fault, WrongUse, did_you_mean
from blindtest.report import PlanCurves
from blindtest.stats import (
    DECISION_RULES,
    SPENDING,
    STOPPING_RULES,
    StoppedChances,
    StopTable,
    plan_chances,
    stop_table,
    stopped_chances,
)
from blindtest.steps.columns import columns

__all__ = ["STOPPING_OPTIONS", "StoppingPowerShown", "stopping_power"]

STOPPING_OPTIONS = ("stopping", "trials", "margin", "alpha", "looks", "beta", "spending", "listeners")
DEFAULT_MOST = 60
DEFAULT_LOOKS = 4
DEFAULT_MARGIN = 0.5
POINTS = 21
MOST_FIXED = 400


@dataclass(frozen=True, slots=True, kw_only=True)
class StoppingPowerShown:
    """What `blindtest power --stopping` prints."""

    method: str
    chances: StoppedChances
    table: StopTable
    fixed: int | None
    """The smallest fixed number of trials with both chances as good; None: none up to some hundreds, or a panel."""

    @property
    def curves(self) -> PlanCurves:
        """Return the chances of each conclusion over the share of trials heard."""
        found = self.chances
        return PlanCurves(
            title=f"What a plan of {self.method} shows that may end early",
            size="% heard",
            sizes=tuple(round(100 * share) for share in found.shares),
            chance="of each conclusion",
            curves=(("shown", found.shown), ("negligible", found.negligible)),
            planned=round(100 * found.margin),
        )

    def to_dict(self) -> dict[str, Any]:
        """Return what JSON can hold."""
        table = self.table
        return {
            "method": self.method,
            "stopping": {
                "plan": self.chances.to_dict(),
                "looks": list(table.looks),
                "high": list(table.high),
                "low": list(table.low),
            },
            "fixed": None if self.fixed is None else {"trials": self.fixed},
        }

    def text(self) -> str:
        """Return it in words, as a table of what ends it, and one of what it does over the share heard."""
        found = self.chances
        lines = [found.sentence]
        if self.fixed is not None:
            lines.append(f"As good in both would be {self.fixed} trials, were their number fixed.")
        if not found.can_fail:
            lines.append(
                "This plan cannot refute a claim: a mere guesser would end as negligible in "
                f"{100 * found.chance_negligible:.0f} % of tests only. Take more trials, a larger margin or a smaller "
                "beta."
            )
        rows = [
            (str(look), "-" if low is None else f"{low} or fewer", "-" if high is None else f"{high} or more")
            for look, low, high in zip(self.table.looks, self.table.low, self.table.high, strict=True)
            if low is not None or high is not None
        ]
        few = [row for place, row in enumerate(rows) if place % -(-len(rows) // 20) == 0 or place == len(rows) - 1]
        cut = "" if len(few) == len(rows) else f" ({len(few)} of {len(rows)} rows; all of them with --json)"
        lines += ["", f"What ends it{cut}:", columns(("after trial", "for too little", "for a difference"), few)]
        steps = range(0, len(found.shares), 2)
        over = [
            (
                f"{100 * found.shares[k]:.0f} %",
                f"{found.shown[k]:.3f}",
                f"{found.negligible[k]:.3f}",
                f"{max(0.0, 1 - found.shown[k] - found.negligible[k]):.3f}",
                f"{found.trials[k]:.1f}",
            )
            for k in steps
        ]
        lines += ["", "Over the share of trials heard:"]
        return "\n".join([*lines, columns(("heard", "shown", "negligible", "open", "trials on average"), over)])


def stopping_power(method: str, asked: Mapping[str, Any]) -> StoppingPowerShown:
    """Return what a plan can show whose sittings end by a rule.

    Raises
    ------
    WrongUse
        A method whose answers are not right or wrong, a rule that isn't there, something it has no use for.
    """
    if method not in DECISION_RULES:
        raise WrongUse(
            Fault(
                problem="a rule counts answers that are right or wrong against guessing: not those of this method",
                key="--method",
                got=method,
                allowed=", ".join(DECISION_RULES),
            )
        )
    rule = asked["stopping"]
    if rule not in STOPPING_RULES:
        raise WrongUse(
            Fault(
                problem="no such stopping rule",
                key="--stopping",
                got=rule,
                allowed=", ".join(STOPPING_RULES),
                remedy=did_you_mean(rule, STOPPING_RULES),
            )
        )
    needless = [name for name in asked if name not in STOPPING_OPTIONS]
    needless += [name for name in ("looks", "spending") if name in asked and rule != "group-sequential"]
    needless += ["beta"] if "beta" in asked and rule == "e-process" else []
    if needless:
        problem = f"a plan with the stopping rule {rule} has no use for this"
        raise WrongUse(*(Fault(problem=problem, key=f"--{name.replace('_', '-')}") for name in needless))
    alpha, margin = float(asked.get("alpha", 0.05)), float(asked.get("margin", DEFAULT_MARGIN))
    trials = int(asked.get("trials", DEFAULT_MOST))
    try:
        table = stop_table(
            rule,
            trials,
            method=method,
            margin=margin,
            alpha=alpha,
            beta=None if rule == "e-process" else float(asked.get("beta", alpha)),
            looks=_looks(asked.get("looks"), trials) if rule == "group-sequential" else None,
            spending=_spending(asked.get("spending", "obrien-fleming")),
        )
    except ValueError as error:
        raise WrongUse(Fault(problem=str(error), key="--stopping", got=rule)) from None
    listeners = int(asked.get("listeners", 1))
    chances = stopped_chances(
        table, rule=rule, method=method, margin=margin, alpha=alpha, listeners=listeners, points=POINTS
    )
    return StoppingPowerShown(
        method=method, chances=chances, table=table, fixed=_as_good(chances) if listeners == 1 else None
    )


def _looks(given: Sequence[float] | None, trials: int) -> int | tuple[int, ...]:
    """Return one number as a number of looks, several as numbers of trials."""
    if given is None:
        return min(DEFAULT_LOOKS, trials)
    if any(one != int(one) for one in given):
        raise WrongUse(Fault(problem="looks are whole numbers", key="--looks", got=", ".join(map(str, given))))
    numbers = tuple(int(one) for one in given)
    return numbers[0] if len(numbers) == 1 else numbers


def _spending(name: str) -> Any:
    if name not in SPENDING:
        raise WrongUse(
            Fault(
                problem="no such way to spend alpha",
                key="--spending",
                got=name,
                allowed=", ".join(SPENDING),
                remedy=did_you_mean(name, SPENDING),
            )
        )
    return name


def _as_good(found: StoppedChances) -> int | None:
    for trials in range(1, MOST_FIXED + 1):
        plain = plan_chances(trials, method=found.method, margin=found.margin, alpha=found.alpha)
        if plain.chance_shown >= found.chance_shown and plain.chance_negligible >= found.chance_negligible:
            return trials
    return None
