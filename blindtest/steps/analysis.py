"""The statistics of a study, in words and numbers."""

import os
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from blindtest.report import OWN_EQUIPMENT, ScreeningFacts, companion_lines, played_on_words, stage_claimed
from blindtest.stats import CANNOT_TELL, PanelChances
from blindtest.steps.answers.claim import ClaimAnswers
from blindtest.steps.answers.heard import HeardAnswers
from blindtest.steps.answers.preferred import PreferredAnswers
from blindtest.steps.answers.study import Answers, read_answers
from blindtest.steps.answers.together import together_line
from blindtest.steps.answers.variant import agreements
from blindtest.steps.attendance import attendance_words, elsewhere_words, withdrawn_words
from blindtest.steps.columns import columns, p_cell
from blindtest.steps.controls import controls_words
from blindtest.steps.keeping import reminder_of
from blindtest.steps.lines.adjusted import adjusted_lines, beside_lines
from blindtest.steps.lines.attribute import attribute_lines
from blindtest.steps.lines.heard import conclusion_lines
from blindtest.steps.lines.listened import listened_lines
from blindtest.steps.lines.preferred import preferred_lines, strength_lines
from blindtest.steps.lines.rated import rated_lines
from blindtest.steps.lines.scale import scale_lines
from blindtest.steps.lines.stage import stage_lines
from blindtest.steps.lines.stopped import stopped_lines
from blindtest.steps.lines.threshold import threshold_lines
from blindtest.steps.lines.unreliable import CLAIMED_BY_SOUND, unreliable_dict, unreliable_lines
from blindtest.steps.place import Clock, Entropy, now, open_store, refuse_open_sittings
from blindtest.steps.reading_only import open_to_read
from blindtest.steps.screening import screening_dict, screening_found
from blindtest.steps.withdrawn import counted_against, counted_against_words
from blindtest.study import load_study

__all__ = ["Analysis", "analyze", "claim_dict"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Analysis:
    """What `blindtest analyze` prints of a study."""

    title: str
    answers: Answers
    screening: ScreeningFacts | None = None
    """What a panel's listeners played on, where it was tested."""
    reminder: str = ""
    """That answers are kept for longer than was promised."""

    def to_dict(self) -> dict[str, Any]:
        """Return what JSON can hold."""
        answers = self.answers
        return {
            "title": self.title,
            "study_seal": answers.seal.commitment,
            "alpha": answers.alpha,
            "claims": [claim_dict(one, answers.alpha) for one in answers.claims],
            **({"models": [one.to_dict() for one in agreed]} if (agreed := agreements(answers.claims)) else {}),
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
            **(
                {"withheld_against": [one.to_dict() for one in against]}
                if (against := counted_against(answers))
                else {}
            ),
            **({"sittings_under_other_seals": answers.elsewhere} if answers.elsewhere else {}),
            "controls": [one.to_dict() for one in answers.controls],
            "settings": [one.to_dict() for one in answers.settings],
            **({"screening": screening_dict(self.screening)} if self.screening else {}),
            "reminder": self.reminder,
        }

    def text(self) -> str:
        """Return it in words."""
        answers = self.answers
        lines = [self.title]
        for one in answers.claims:
            lines += ["", *claim_lines(one, answers.alpha, several=len(answers.claims) > 1)]
        if agreed := agreements(answers.claims):
            lines += ["", *(one.sentence for one in agreed)]
        if answers.controls:
            lines += ["", *controls_words(answers.controls, answers.alpha)]
        if answers.settings:
            lines += ["", *beside_lines(answers.settings)]
        if self.screening is not None:
            lines += ["", "What it was played on:", *played_on_words(self.screening)]
        counts = {s: sum(one.entry.state == s for one in answers.sittings) for s in ("finished", "abandoned", "open")}
        lines += ["", "Sittings: " + ", ".join(f"{count} {state}" for state, count in counts.items() if count) + "."]
        beyond = sum(one.beyond_plan for one in answers.sittings)
        if beyond:
            lines.append(f"{beyond} of them beyond the plan: reported, not counted.")
        if answers.withheld:
            lines.append(f"{withdrawn_words(answers.withheld)}.")
        lines += [f"{words[0].upper()}{words[1:]}." for words in counted_against_words(answers)]
        if elsewhere := elsewhere_words(answers.elsewhere):
            lines.append(f"{elsewhere}.")
        if attended := attendance_words(answers):
            lines.append(f"{attended}.")
        if "panel" in answers.seal.record:
            lines.append(OWN_EQUIPMENT)
        if self.reminder:
            lines.append(self.reminder)
        return "\n".join(lines)


def claim_dict(one: ClaimAnswers, alpha: float) -> dict[str, Any]:
    """Return what became of a claim, as JSON can hold it; `alpha`: the level that it is held to among all claims."""
    return {
        "id": one.record["id"],
        "kind": one.record["kind"],
        "device": one.record["device"],
        "comparator": one.record["comparator"],
        "primary": one.record["primary"],
        "margin": one.record["margin"],
        "word": one.word,
        "why_not": one.why_not,
        **_threshold_dict(one),
        **_stopped_dict(one),
        **_scale_dict(one),
        **unreliable_dict(one.unreliable),
        **({"staged": one.staged.to_dict()} if one.staged else {}),
        **({"matched": one.matched.to_dict()} if one.matched else {}),
        "companions": [
            look.to_dict()
            for ended in (one.heard, one.preferred, one.attribute, one.scaled, one.listened, one.rated)
            if ended
            for look in ended.companions
        ],
        "p_value": one.p_value,
        "adjusted_p_value": one.adjusted_p_value,
        **({} if one.adjusted_p_value is None else {"word_among_claims": one.word_among(alpha)}),
        "heard": None
        if one.heard is None
        else {
            "method": one.heard.method,
            "conclusion": one.heard.conclusion.to_dict(),
            "plan": one.heard.chances.to_dict() if one.heard.chances else None,
            **_together(one.heard.together),
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
            **_together(one.preferred.together),
            "strengths": one.preferred.strengths.to_dict() if one.preferred.strengths else None,
            "why_no_strengths": one.preferred.why_no_strengths,
        },
        "attribute": None
        if one.attribute is None
        else {
            "method": one.attribute.method,
            "attribute": one.attribute.attribute,
            "conclusion": one.attribute.conclusion.to_dict(),
            "plan": one.attribute.chances.to_dict() if one.attribute.chances else None,
            **_together(one.attribute.together),
            "listeners": [
                {
                    "listener": own.listener,
                    "adjusted_p_value": own.adjusted_p_value,
                    "conclusion": own.conclusion.to_dict(),
                }
                for own in one.attribute.listeners
            ],
        },
        "listened": None
        if one.listened is None
        else {
            "choice": one.listened.choice.to_dict(),
            "dwell": one.listened.dwell.to_dict() if one.listened.dwell else None,
            "skips": one.listened.skips.to_dict() if one.listened.skips else None,
            "cannot_tell": list(CANNOT_TELL),
            "plan": None
            if one.listened.chances is None
            else {
                "more": one.listened.chances.more.to_dict(),
                "less": one.listened.chances.less.to_dict(),
                "alike": one.listened.chances.alike.to_dict(),
            },
        },
        "rated": None
        if one.rated is None
        else {
            "result": one.rated.result.to_dict(),
            "recognition": [{"who": who, "result": result.to_dict()} for who, result in one.rated.recognition],
        },
    }


def _stopped_dict(one: ClaimAnswers) -> dict[str, Any]:
    if one.stopped is None:
        return {}
    return {
        "stopped": {"conclusion": one.stopped.conclusion.to_dict(), "plan": one.stopped.chances.to_dict()},
    }


def _threshold_dict(one: ClaimAnswers) -> dict[str, Any]:
    if one.threshold is None:
        return {}
    return {
        "threshold": {
            "methods": list(one.threshold.methods),
            "task": one.threshold.task,
            "unanswered": one.threshold.unanswered,
            "conclusion": one.threshold.conclusion.to_dict(),
        }
    }


def _scale_dict(one: ClaimAnswers) -> dict[str, Any]:
    if one.scaled is None:
        return {}
    facts = one.scaled.facts
    return {
        "scaled": {
            "method": facts.method,
            "scale": facts.scale,
            "unit": facts.unit,
            "reference": facts.reference,
            "rests_on": facts.rests_on,
            "result": facts.decisive.to_dict(),
            "everybody": facts.everybody.to_dict(),
            "screening": facts.screening.to_dict() if facts.screening else None,
            "clips_too": facts.clips_too.to_dict() if facts.clips_too else None,
            "conditions": facts.summary.to_dict() if facts.summary else None,
            "conditions_everybody": facts.summary_of_all.to_dict() if facts.summary_of_all else None,
            "grades": [grade.to_dict() for grade in facts.grades],
            "grades_everybody": [grade.to_dict() for grade in facts.grades_of_all],
            "plan": None
            if facts.plan is None
            else {**asdict(facts.plan), "chance_to_fail": facts.plan.chance_to_fail, "sentence": facts.plan.sentence},
        }
    }


_CLAIMED = {
    "heard": "{device} and {comparator} can be told apart",
    "preferred": "{device} is preferred to {comparator}",
    "attribute": "{device} has more {attribute} than {comparator}",
    "scale": "{device} is rated above {comparator} in {scale}",
    "keeps listening": "{device} keeps people listening more than {comparator}",
    "threshold": "{device} is heard against {comparator} at a level of {margin:g} or less",
    "rated": "{device} is rated above {comparator}, also without its name",
    "matched": "listeners set {device} within {margin:g} of where it was matched with {comparator}",
}


def claim_lines(one: ClaimAnswers, alpha: float, *, several: bool) -> list[str]:
    """Return what became of a claim, with everything that must stand beside it, a line each."""
    record = one.record
    role = ("primary " if record["primary"] else "confirmatory ") if several else ""
    kind = "scale" if record.get("scale") else record["kind"]
    said = CLAIMED_BY_SOUND if one.unreliable_labels else _CLAIMED.get(kind, "")
    if kind == "stage":
        paired = one.staged is not None and one.staged.paired
        claim = stage_claimed(record["stage"], record["device"], record["effect"], paired=paired)
        lines = [f"{role}claim: ".capitalize() + claim + "."]
    else:
        lines = [f"{role}claim: ".capitalize() + said.format(**record) + "."]
    if record["quote"]:
        lines.append(f'Said: "{record["quote"]}" (impression {record["impression"] or "not on record"})')
    if one.why_not:
        return [*lines, f"No result: {one.why_not}."]
    if one.heard is not None:
        many = len(one.heard.listeners) > 1
        lines += ["", *conclusion_lines(one.heard.conclusion, many=many)]
        if one.heard.chances:
            lines += ["", f"The plan: {one.heard.chances.sentence}"]
        if one.heard.together:
            lines.append(together_line(one.heard.together))
        if many:
            lines += ["", _listener_table(one.heard)]
    if one.stopped is not None:
        lines += ["", *stopped_lines(one.stopped)]
    if one.preferred is not None:
        lines += ["", *_preferred_lines(one.preferred)]
    if one.attribute is not None:
        lines += ["", *attribute_lines(one.attribute)]
    if one.scaled is not None:
        lines += ["", *scale_lines(one.scaled)]
    if one.listened is not None:
        lines += ["", *listened_lines(one.listened)]
    if one.rated is not None:
        lines += ["", *rated_lines(one.rated.result, one.rated.recognition)]
    if one.unreliable is not None:
        lines += ["", *unreliable_lines(one.unreliable)]
    if one.threshold is not None:
        lines += ["", *threshold_lines(one.threshold)]
    if one.matched is not None:
        lines += ["", *adjusted_lines(one.matched)]
    if one.staged is not None:
        lines += ["", *stage_lines(one.staged)]
    ended = one.heard or one.preferred or one.attribute or one.scaled or one.listened or one.rated
    if ended is not None and ended.companions:
        lines += ["", *companion_lines(ended.companions)]
    if one.adjusted_p_value is not None:
        lines.append(among_claims_line(one, alpha))
    return lines


def _together(found: PanelChances | None) -> dict[str, Any]:
    return {} if found is None else {"together": found.to_dict()}


def among_claims_line(one: ClaimAnswers, alpha: float) -> str:
    """Return what Holm's correction over the further claims leaves of one."""
    text = f"Over the further claims, p by Holm: {one.adjusted_p_value:.3g}"
    if one.word_among(alpha) == one.word:
        return text + "."
    return f"{text}, above {alpha:g}: among these claims it ends as {one.word_among(alpha)}, not {one.word}."


def _preferred_lines(one: PreferredAnswers) -> list[str]:
    lines = [*preferred_lines(one.conclusion)]
    if one.comparisons["listener"].nunique() > 1:
        lines.append(
            "Answers of one listener are alike: the test of all answers together is about these listeners and these "
            "clips, not about others."
        )
    lines.append(f"The plan: {one.chances.sentence}")
    if one.together:
        lines.append(together_line(one.together))
    if one.strengths is not None:
        lines += ["", *strength_lines(one.strengths)]
    elif one.why_no_strengths:
        lines.append(f"No strengths: {one.why_no_strengths}.")
    return lines


def _listener_table(answers: HeardAnswers) -> str:
    rows = []
    for one in answers.listeners:
        # Of somebody who answered nothing nothing is estimated: trials counted as wrong are no answers.
        heard = interval = ""
        if one.trials:
            tested = one.conclusion.answered or one.conclusion.difference
            low, high = tested.distinguishers_interval
            heard, interval = f"{100 * tested.distinguishers:.0f} %", f"{100 * low:.0f} to {100 * high:.0f} %"
        rows.append(
            (
                one.listener,
                f"{one.correct} of {one.trials}",
                str(one.unanswered),
                heard,
                interval,
                p_cell(one.conclusion.difference.p_value),
                p_cell(one.adjusted_p_value) if one.adjusted_p_value is not None else "",
                one.conclusion.word,
            )
        )
    # The interval is of what was answered, the test counts what was not as wrong: the one may leave 0 out, p large.
    p = "p, unanswered as wrong" if any(one.unanswered for one in answers.listeners) else "p"
    headings = ("listener", "right", "unanswered", "heard", "95 % interval", p, "p (Holm)", "alone")
    return columns(headings, rows)


def analyze(folder: Path, *, while_open: str = "", clock: Clock = now, entropy: Entropy = os.urandom) -> Analysis:
    """Return the statistics of the study in `folder`.

    Raises
    ------
    BlindtestError
        Nobody has listened, or a sitting is open and no reason was given to look all the same.
    """
    study = load_study(folder)
    # Why somebody looked all the same goes on record, and so it needs a place to be written to.
    opened = open_store(study, create=False, entropy=entropy) if while_open else open_to_read(study, entropy=entropy)
    with opened as store:
        refuse_open_sittings(study, store, clock(), what="analysis", override=while_open)
        reminder = reminder_of(study, store.sittings(), clock())
        answers = read_answers(store)
        screening = screening_found(store, answers)
        return Analysis(title=study.title, answers=answers, screening=screening, reminder=reminder)
