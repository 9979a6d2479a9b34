"""The statistics of a study, or of anybody's trial table, in words and numbers."""

import os
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from blindtest.errors import BlindtestError, Fault
from blindtest.stats import Conclusion, detectable_effect
from blindtest.steps.answers import Answers, read_answers
from blindtest.steps.columns import columns
from blindtest.steps.place import Clock, Entropy, now, open_store, refuse_open_sittings
from blindtest.study import load_study

__all__ = ["Analysis", "TableAnalysis", "analyze", "analyze_table"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Analysis:
    """What `blindtest analyze` prints of a study."""

    title: str
    answers: Answers

    def to_dict(self) -> dict[str, Any]:
        """Return what JSON can hold."""
        answers = self.answers
        return {
            "title": self.title,
            "study_seal": answers.seal.commitment,
            "method": answers.method,
            "margin": answers.margin,
            "alpha": answers.alpha,
            "conclusion": answers.conclusion.to_dict() if answers.conclusion else None,
            "plan": answers.chances.to_dict() if answers.chances else None,
            "listeners": [
                {
                    "listener": one.listener,
                    "adjusted_p_value": one.adjusted_p_value,
                    "conclusion": one.conclusion.to_dict(),
                }
                for one in answers.listeners
            ],
            "sittings": [
                {
                    "number": one.entry.number,
                    "listener": one.entry.listener,
                    "state": one.entry.state,
                    "planned": one.counted_planned,
                    "answered": len(one.counted) if one.entry.state != "open" else None,
                    "beyond_plan": one.beyond_plan,
                }
                for one in answers.sittings
            ],
            "withheld_sittings": answers.withheld,
        }

    def text(self) -> str:
        """Return it in words."""
        answers = self.answers
        record = answers.seal.record["claims"][0]
        lines = [self.title, f"Claim: {record['device']} and {record['comparator']} can be told apart."]
        if answers.conclusion is None:
            lines.append("No sitting that counts has ended yet.")
            return "\n".join(lines)
        lines += ["", *conclusion_lines(answers.conclusion, many=len(answers.listeners) > 1)]
        if answers.chances:
            lines += ["", f"The plan: {answers.chances.sentence}"]
        if len(answers.listeners) > 1:
            lines += ["", _listener_table(answers)]
        counts = {s: sum(one.entry.state == s for one in answers.sittings) for s in ("finished", "abandoned", "open")}
        lines += ["", "Sittings: " + ", ".join(f"{count} {state}" for state, count in counts.items() if count) + "."]
        beyond = sum(one.beyond_plan for one in answers.sittings)
        if beyond:
            lines.append(f"{beyond} of them beyond the plan: reported, not counted.")
        if answers.withheld:
            lines.append(f"{answers.withheld} withdrawn by their listeners: not counted.")
        return "\n".join(lines)


def conclusion_lines(concluded: Conclusion, *, many: bool) -> list[str]:
    """Return a conclusion with everything that must stand beside it, a line each."""
    lines = [f"Result: {concluded.sentence}"]
    tested = concluded.answered or concluded.difference
    lines.append(tested.sentence)
    if concluded.unanswered:
        lines.append(f"Counted as wrong: {concluded.difference.sentence}")
    if concluded.similarity:
        lines.append(concluded.similarity.sentence)
    lines.append(f"d' after the model: {tested.model}.")
    planned = concluded.trials + concluded.unanswered
    lines.append(detectable_effect(planned, method=concluded.method, alpha=concluded.alpha).sentence)
    if many:
        lines.append(
            "All answers together test whether anybody hears it; what single listeners can do stands in the table."
        )
    return lines


def _listener_table(answers: Answers) -> str:
    rows = []
    for one in answers.listeners:
        tested = one.conclusion.answered or one.conclusion.difference
        low, high = tested.distinguishers_interval
        rows.append(
            (
                one.listener,
                f"{one.correct} of {one.trials}",
                str(one.unanswered),
                f"{100 * tested.distinguishers:.0f} %",
                f"{100 * low:.0f} to {100 * high:.0f} %",
                f"{one.conclusion.difference.p_value:.4f}",
                f"{one.adjusted_p_value:.4f}" if one.adjusted_p_value is not None else "",
                one.conclusion.word,
            )
        )
    headings = ("listener", "right", "unanswered", "heard", "95 % interval", "p", "p (Holm)", "alone")
    return columns(headings, rows)


def analyze(folder: Path, *, while_open: str = "", clock: Clock = now, entropy: Entropy = os.urandom) -> Analysis:
    """Return the statistics of the study in `folder`.

    Raises
    ------
    BlindtestError
        Nobody has listened, or a sitting is open and no reason was given to look all the same.
    """
    study = load_study(folder)
    with open_store(study, create=False, entropy=entropy) as store:
        refuse_open_sittings(study, store, clock(), what="analysis", override=while_open)
        return Analysis(title=study.title, answers=read_answers(store))


@dataclass(frozen=True, slots=True, kw_only=True)
class TableAnalysis:
    """What `blindtest analyze` prints of anybody's trial table."""

    file: str
    understood: tuple[str, ...]
    conclusion: Conclusion
    listeners: tuple[tuple[str, Any, float], ...]
    """(name, DiscriminationResult, p adjusted by Holm)."""

    def to_dict(self) -> dict[str, Any]:
        """Return what JSON can hold."""
        return {
            "file": self.file,
            "understood": list(self.understood),
            "conclusion": self.conclusion.to_dict(),
            "listeners": [
                {"listener": name, "adjusted_p_value": adjusted, "result": result.to_dict()}
                for name, result, adjusted in self.listeners
            ],
        }

    def text(self) -> str:
        """Return it in words, what was understood of the file first."""
        lines = [*self.understood, "", *conclusion_lines(self.conclusion, many=len(self.listeners) > 1)]
        if len(self.listeners) > 1:
            rows = [
                (name, f"{r.correct} of {r.trials}", f"{100 * r.distinguishers:.0f} %", f"{r.p_value:.4f}", f"{p:.4f}")
                for name, r, p in self.listeners
            ]
            lines += ["", columns(("listener", "right", "heard", "p", "p (Holm)"), rows)]
        lines += [
            "",
            "A table says nothing about when it was stopped: the p value holds only if the number of trials was fixed "
            "beforehand.",
        ]
        return "\n".join(lines)


def analyze_table(
    path: Path, *, method: str, columns: Mapping[str, str] | None = None, margin: float | None = None
) -> TableAnalysis:
    """Return the statistics of a CSV with one row per trial; see `blindtest.stats.read_trial_table`.

    Raises
    ------
    BlindtestError
        Everything in it that can't be read or contradicts itself, with row numbers.
    """
    from blindtest.stats import conclude, listener_results, read_trial_table

    if margin is not None and not 0 < margin <= 1:
        raise BlindtestError(Fault(problem="not a margin", key="--margin", got=margin, allowed="above 0 and up to 1"))
    read = read_trial_table(path, method=method, columns=columns)
    found = listener_results(read.table, method=method)
    return TableAnalysis(
        file=read.file,
        understood=read.understood,
        conclusion=conclude(
            found.pooled.correct,
            found.pooled.trials,
            method=found.method,
            margin=margin,
            unanswered=found.unanswered,
        ),
        listeners=tuple(zip(found.listeners, found.results, found.adjusted_p_values, strict=True)),
    )
