"""The statistics of a study, or of anybody's trial table, in words and numbers."""

import os
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from blindtest.errors import BlindtestError, Fault
from blindtest.stats import Conclusion, detectable_effect
from blindtest.steps.answers import (
    Answers,
    ClaimAnswers,
    HeardAnswers,
    PreferredAnswers,
    RatedAnswers,
    read_answers,
)
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
            "alpha": answers.alpha,
            "claims": [_claim_dict(one) for one in answers.claims],
            "sittings": [
                {
                    "number": one.entry.number,
                    "listener": one.entry.listener,
                    "state": one.entry.state,
                    "scheduled": (one.plan.record.get("scheduled") or {}).get("name", ""),
                    "planned": one.counted_planned,
                    "answered": one.counted_answered if one.entry.state != "open" else None,
                    "beyond_plan": one.beyond_plan,
                }
                for one in answers.sittings
            ],
            "withheld_sittings": answers.withheld,
        }

    def text(self) -> str:
        """Return it in words."""
        answers = self.answers
        lines = [self.title]
        for one in answers.claims:
            lines += ["", *claim_lines(one, several=len(answers.claims) > 1)]
        counts = {s: sum(one.entry.state == s for one in answers.sittings) for s in ("finished", "abandoned", "open")}
        lines += ["", "Sittings: " + ", ".join(f"{count} {state}" for state, count in counts.items() if count) + "."]
        beyond = sum(one.beyond_plan for one in answers.sittings)
        if beyond:
            lines.append(f"{beyond} of them beyond the plan: reported, not counted.")
        if answers.withheld:
            lines.append(f"{answers.withheld} withdrawn by their listeners: not counted.")
        return "\n".join(lines)


def _claim_dict(one: ClaimAnswers) -> dict[str, Any]:
    return {
        "id": one.record["id"],
        "kind": one.record["kind"],
        "device": one.record["device"],
        "comparator": one.record["comparator"],
        "primary": one.record["primary"],
        "margin": one.record["margin"],
        "word": one.word,
        "why_not": one.why_not,
        "p_value": one.p_value,
        "adjusted_p_value": one.adjusted_p_value,
        "heard": None
        if one.heard is None
        else {
            "method": one.heard.method,
            "conclusion": one.heard.conclusion.to_dict(),
            "plan": one.heard.chances.to_dict() if one.heard.chances else None,
            "listeners": [
                {
                    "listener": own.listener,
                    "adjusted_p_value": own.adjusted_p_value,
                    "conclusion": own.conclusion.to_dict(),
                }
                for own in one.heard.listeners
            ],
        },
        "preferred": None
        if one.preferred is None
        else {
            "conclusion": one.preferred.conclusion.to_dict(),
            "plan": one.preferred.chances.to_dict(),
            "strengths": one.preferred.strengths.to_dict() if one.preferred.strengths else None,
            "why_no_strengths": one.preferred.why_no_strengths,
        },
        "rated": None
        if one.rated is None
        else {
            "result": one.rated.result.to_dict(),
            "recognition": [{"who": who, "result": result.to_dict()} for who, result in one.rated.recognition],
        },
    }


_CLAIMED = {
    "heard": "{device} and {comparator} can be told apart",
    "preferred": "{device} is preferred to {comparator}",
    "rated": "{device} is rated above {comparator}, also without its name",
}


def claim_lines(one: ClaimAnswers, *, several: bool) -> list[str]:
    """Return what became of a claim, with everything that must stand beside it, a line each."""
    record = one.record
    role = ("primary " if record["primary"] else "confirmatory ") if several else ""
    lines = [f"{role}claim: ".capitalize() + _CLAIMED[record["kind"]].format(**record) + "."]
    if record["quote"]:
        lines.append(f'Said: "{record["quote"]}" (impression {record["impression"] or "not on record"})')
    if one.why_not:
        return [*lines, f"No result: {one.why_not}."]
    if one.heard is not None:
        many = len(one.heard.listeners) > 1
        lines += ["", *conclusion_lines(one.heard.conclusion, many=many)]
        if one.heard.chances:
            lines += ["", f"The plan: {one.heard.chances.sentence}"]
        if many:
            lines += ["", _listener_table(one.heard)]
    if one.preferred is not None:
        lines += ["", *_preferred_lines(one.preferred, record)]
    if one.rated is not None:
        lines += ["", *_rated_lines(one.rated)]
    if one.adjusted_p_value is not None:
        lines.append(f"Over the further claims, p by Holm: {one.adjusted_p_value:.3g}.")
    return lines


def _preferred_lines(one: PreferredAnswers, record: Mapping[str, Any]) -> list[str]:
    concluded = one.conclusion
    lines = [f"Result: {concluded.sentence}", concluded.answered.sentence]
    low, high = concluded.limits
    lines.append(
        f"One-sided limits {100 * low:.1f} % and {100 * high:.1f} %, to be held against 50 % -+ "
        f"{100 * float(record['margin']):g} %."
    )
    lines.append(f"The plan: {one.chances.sentence}")
    if one.strengths is not None:
        rows = [
            (str(item), f"{row['estimate']:+.2f}", f"{row['ci_low']:+.2f} to {row['ci_high']:+.2f}")
            for item, row in one.strengths.strengths.iterrows()
        ]
        lines += ["", columns(("strength of", "log odds", "95 % interval"), rows)]
        if one.strengths.order_effect is not None:
            lines.append(f"Effect of being heard first: {one.strengths.order_effect:+.2f} (log odds).")
    elif one.why_no_strengths:
        lines.append(f"No strengths: {one.why_no_strengths}.")
    return lines


def _rated_lines(one: RatedAnswers) -> list[str]:
    result = one.result
    lines = [f"Verdict: {result.sentence}"]
    if len(result.remaining) > 1:
        lines.append(f"Not ruled out: {', '.join(result.remaining)}.")
    for scale in result.other_scales:
        lines.append(f"Repeated on {scale.name}: {scale.verdict or scale.why_not}.")
    lines.append(result.mixed_model.sentence)
    lines += [f"{who}: {found.sentence}" for who, found in one.recognition]
    if not one.recognition:
        lines.append("Nobody was asked which one it was.")
    if result.power is not None:
        lines.append(f"A study of this size: {result.power.sentence}")
    return lines


def conclusion_lines(concluded: Conclusion, *, many: bool) -> list[str]:
    """Return a conclusion of hearing with everything that must stand beside it, a line each."""
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


def _listener_table(answers: HeardAnswers) -> str:
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
