"""Tables of right answers at levels: how much of something it takes to be heard."""

from math import exp, inf, log
from pathlib import Path
from typing import Any

from blindtest.errors import BlindtestError, Fault
from blindtest.stats import LongTable, ThresholdResult, Wanted, fit_threshold
from blindtest.steps.columns import columns
from blindtest.steps.tables.contract import Asked, TableAnalysis
from blindtest.steps.tables.reading import faults_in, read, refuse_twice

__all__ = ["threshold"]

LINKS = ("normal", "logistic", "weibull")
LEVELS = (
    Wanted(name="level", kind="number", also=("stimulus_level", "x", "intensity"), what="at which level was asked"),
    Wanted(name="correct", kind="right", also=("k", "right", "hits"), what="which answers, or how many, were right"),
    Wanted(name="trials", kind="count", also=("n", "total"), needed=False),
    Wanted(name="listener", also=("subject", "assessor", "who"), needed=False),
    Wanted(name="trial", kind="label", needed=False),
    Wanted(name="sitting", kind="label", also=("session", "run", "track"), needed=False),
)
DEFAULT_GUESS = 0.5
MOST = 700.0
"""Largest number with an exponential."""


def threshold(path: Path, asked: Asked) -> TableAnalysis:
    """Return the psychometric function of a table, of all answers and of each listener."""
    link, guess = asked.link or "normal", DEFAULT_GUESS if asked.guess is None else asked.guess
    _check(link, guess, asked.lapse)
    table = read(path, LEVELS, asked)
    refuse_twice(table, ("trial", "listener", "sitting"), "trial")

    def fitted(rows: Any) -> ThresholdResult:
        return fit_threshold(rows, link=link, guess=guess, lapse=asked.lapse, level=1 - asked.alpha)  # type: ignore[arg-type]

    rows = table.table
    if asked.log_levels:
        rows = rows.assign(level=_logarithms(table))
    with faults_in(table):
        pooled = fitted(rows)
    names = sorted(set(rows["listener"].dropna())) if table.has("listener") else []
    listeners: list[tuple[str, ThresholdResult | None, str]] = []
    for name in names if len(names) > 1 else []:
        try:
            listeners.append((name, fitted(rows[rows["listener"] == name]), ""))
        except BlindtestError as error:
            listeners.append((name, None, error.faults[0].problem))
    lines = [f"Result: {pooled.sentence}", *_tabled(pooled)]
    if asked.log_levels:
        lines.append(f"Levels are natural logarithms here; {_back(pooled)}")
    elif link == "weibull" and (rows["level"].dropna() > 0).all():
        lines.append("A Weibull function runs over logarithms of levels: add --log-levels unless these are logarithms.")
    if asked.guess is None:
        lines.append(f"A guess is taken to be right in {100 * guess:g} % of trials; name another rate (--guess).")
    if listeners:
        lines += [
            "All listeners in one curve: it is flatter than theirs, and its threshold need not be anybody's.",
            "",
            _listener_lines(listeners),
        ]
    lines.append("Levels that were chosen by the answers (a staircase) make these intervals approximate.")
    return TableAnalysis(
        file=table.file,
        method="threshold",
        understood=table.understood,
        lines=tuple(lines),
        values={
            "threshold": _values(pooled),
            "listeners": [
                {"listener": name, "result": _values(one) if one else None, "why_not": why}
                for name, one, why in listeners
            ],
        },
    )


def _logarithms(table: LongTable) -> Any:
    levels = table.table["level"]
    faults = [
        table.fault("a level without a logarithm", row, key="level", got=level, allowed="above 0")
        for row, level in enumerate(levels.tolist())
        if level <= 0
    ]
    if faults:
        raise BlindtestError(*faults[:50])
    return levels.map(log, na_action="ignore")


def _back(result: ThresholdResult) -> str:
    at = result.threshold(result.halfway)
    low, high = (inf if end > MOST else exp(end) for end in at.interval)
    return (
        f"{100 * at.proportion:g} % right at {exp(min(at.estimate, MOST)):.4g} ({low:.4g} to {high:.4g}) as they came."
    )


def _check(link: str, guess: float, lapse: float | None) -> None:
    faults = []
    if link not in LINKS:
        faults.append(Fault(problem="no such curve", key="--link", got=link, allowed=", ".join(LINKS)))
    if not 0 <= guess < 1:
        faults.append(Fault(problem="not a guess rate", key="--guess", got=guess, allowed="from 0 up, below 1"))
    elif lapse is not None and not 0 <= lapse < 1 - guess:
        faults.append(
            Fault(problem="not a lapse rate", key="--lapse", got=lapse, allowed=f"from 0 up, below {1 - guess:g}")
        )
    if faults:
        raise BlindtestError(*faults)


def _values(result: ThresholdResult) -> dict[str, Any]:
    return {"fit": result.to_dict(), "at": result.threshold(result.halfway).to_dict()}


def _tabled(result: ThresholdResult) -> list[str]:
    rows = [
        (f"{level:g}", f"{right} of {trials}", f"{100 * right / trials:.0f} %", f"{100 * fitted:.0f} %")
        for level, right, trials, fitted in zip(
            result.levels, result.correct, result.trials, result.fitted, strict=True
        )
    ]
    return ["", columns(("level", "right", "share", "curve"), rows), ""] if len(rows) <= 20 else []


def _listener_lines(listeners: list[tuple[str, ThresholdResult | None, str]]) -> str:
    rows = []
    for name, result, why in listeners:
        if result is None:
            rows.append((name, "", "", why))
            continue
        at = result.threshold(result.halfway)
        low, high = at.interval
        rows.append((name, f"{at.estimate:.4g}", f"{low:.4g} to {high:.4g}", f"slope {result.slope:.3g}"))
    return columns(("listener", "threshold", "interval", ""), rows)
