"""The report as one self-contained page.

It is made from a `ReportInput` alone: the same input gives the same bytes. It loads nothing, runs nothing
(its content security policy forbids both) and is at most 3 MB; every text of a user's is escaped.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache, partial
from pathlib import Path
from typing import Any

from blindtest.report.answering import answering, answering_words
from blindtest.report.attribute_words import d_span, d_words
from blindtest.report.chain_words import chain_left_out, chain_words
from blindtest.report.claim_facts import ClaimResult
from blindtest.report.claim_words import Said, claimed, margin_words, numbers_words, said_of
from blindtest.report.deviations import deviations_of
from blindtest.report.doubts import doubts, left_out
from blindtest.report.facts import ReportInput
from blindtest.report.figures import Figure
from blindtest.report.gallery import figures as drawn_figures
from blindtest.report.heard_words import decisive, score_meaning, share_name
from blindtest.report.match_words import MATCHED, levels_apart
from blindtest.report.method_words import (
    block_words,
    claim_rows,
    correction_words,
    order_of_modes,
    order_on_record,
    phases,
    sources,
    told,
)
from blindtest.report.preference_words import decisive_preference
from blindtest.report.question import question
from blindtest.report.rating_words import kept_words, points, span, state_meaning
from blindtest.report.record_facts import TrialFacts
from blindtest.report.scale_words import contrast_span, scale_limits
from blindtest.report.screening_words import PLAYED_ON_HEADS, played_on_rows, played_on_words
from blindtest.report.seal_words import seal_limits, seal_words
from blindtest.report.stage_words import stage_rows
from blindtest.report.stopped_words import stopped_rows
from blindtest.report.timeline import timeline
from blindtest.report.trial_groups import ending, short_name_of, trial_groups
from blindtest.report.words import (
    DASH,
    NBSP,
    chance_words,
    clean,
    decibel,
    flattened,
    frequency_words,
    interval_words,
    number,
    p_words,
    percent,
    plural,
    sentence,
    short_names,
    when,
)

__all__ = ["LARGEST_BYTES", "html"]

LARGEST_BYTES = 3_000_000
"""A page stays under this size."""

_TEMPLATES = Path(__file__).parent / "templates"


def html(report: ReportInput, *, figures: Mapping[str, Figure] | None = None) -> str:
    """Return the whole page. `figures`: those of `blindtest.report.figures(report)`, where they are at hand already."""
    drawn = drawn_figures(report) if figures is None else figures
    names = report.names
    every_claim = tuple((one, said_of(one, names)) for one in report.answers)
    primary, said = every_claim[0]
    order = timeline(report)
    page = _environment().get_template("report.html.j2")
    return str(
        page.render(
            report=report,
            figures=drawn,
            css=(_TEMPLATES / "report.css").read_text(encoding="utf-8"),
            primary=primary,
            said=said,
            others=_others(report, every_claim),
            every_claim=every_claim,
            question=question(report),
            told=told(report),
            phases=phases(report),
            sources=sources(report),
            claim_rows=claim_rows(report),
            meaning=_meaning(report),
            heard_method=_heard_method(report),
            played_on=played_on_words(report.screening) if report.screening else (),
            played_on_heads=list(PLAYED_ON_HEADS),
            played_on_rows=played_on_rows(report.screening) if report.screening else (),
            doubts=doubts(report),
            left_out=left_out(report),
            seal_words=seal_words(report),
            seal_limits=seal_limits(report),
            apart=levels_apart(report),
            in_claims={i for one in report.answers for i in (one.claim.device, one.claim.comparator)},
            phased=any(sitting.phase for sitting in report.sittings),
            recorded=bool(report.impressions or report.events),
            order=order,
            order_said=order_on_record(report),
            trial_groups=trial_groups(report),
            answered=answering(report),
            remarked=[one for one in report.trials if one.remark],
            fast=answering_words(answering(report)),
            ending=partial(ending, report),
            deviations_of=partial(deviations_of, report),
            pair=lambda one: short_names([report.name_of(one.claim.device), report.name_of(one.claim.comparator)]),
            clip_title=lambda clip: next((c.title or c.id for c in report.clips if c.id == clip), clip),
            short=partial(short_name_of, report),
            claim_sentence=lambda claim: claimed(claim, names),
            truth={one.who: one for one in report.truth},
        )
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Other:
    """A claim beside the primary one, as the page needs it."""

    title: str
    result: ClaimResult
    said: Said
    place: int
    """Among the claims of its kind."""


_TITLES = {
    "heard": "Can it be heard?",
    "preferred": "Is it preferred?",
    "attribute": "Which has more of it?",
    "keeps listening": "Which one keeps people listening?",
    "threshold": "How much does it take?",
    "matched": "Do listeners set it where the match is?",
    "stage": "Which stage is heard?",
    "rated": "Does it survive blinding?",
}


def _others(report: ReportInput, every_claim: Sequence[tuple[ClaimResult, Said]]) -> tuple[_Other, ...]:
    kinds = [one.claim.kind for one, _ in every_claim]
    out = []
    for index, (one, said) in enumerate(every_claim):
        if index == 0:
            continue
        title = _TITLES.get(one.claim.kind, "Further claim")
        if one.claim.scale:
            title = f"Rated in {clean(one.claim.scale)}"
        if one.claim.unreliable:
            title = "Sound or name?"
        if kinds.count(one.claim.kind) > 1:
            a, b = short_names([report.name_of(one.claim.device), report.name_of(one.claim.comparator)])
            title = f"{title.rstrip('?')}: {clean(one.claim.stage) if one.claim.stage else f'{a} over {b}'}"
        place = kinds[:index].count(one.claim.kind)
        out.append(_Other(title=f"{title} ({one.claim.role})", result=one, said=said, place=place))
    return tuple(out)


@dataclass(frozen=True, slots=True, kw_only=True)
class _HeardMethod:
    title: str
    model: str
    """How a decision is made, of d'."""


def _heard_method(report: ReportInput) -> _HeardMethod:
    """Return the method by which a claim heard was decided."""
    protocol = report.protocol
    for block in protocol.blocks:
        if block.phase != "practice" and block.method not in _WITHOUT_ANSWER:
            model = protocol.decision_model
            if block.method != protocol.method:
                from blindtest.stats import DECISION_RULES

                model = DECISION_RULES[block.method].model if block.method in DECISION_RULES else ""
            return _HeardMethod(title=clean(block.method_title or block.method), model=clean(model))
    return _HeardMethod(title=clean(protocol.method_title), model=clean(protocol.decision_model))


_WITHOUT_ANSWER = ("2afc", "3afc", "preference", "stage-pair", "rating", "rating-single", "recognition")
"""Methods that do not ask whether something is heard."""


def _meaning(report: ReportInput) -> tuple[str, ...]:
    heard = report.heard
    if heard is None or heard.heard is None:
        return ()
    method = _heard_method(report)
    return score_meaning(heard.heard, guess_rate=heard.heard.pooled.guess_rate, method=method.title, model=method.model)


@cache
def _environment() -> Any:
    from jinja2 import Environment, FileSystemLoader, StrictUndefined

    made = Environment(
        loader=FileSystemLoader(_TEMPLATES),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        finalize=lambda value: flattened(value) if type(value) is str else value,
    )
    made.filters.update(
        percent=percent,
        interval=interval_words,
        num=number,
        db=decibel,
        p=p_words,
        when=when,
        hz=frequency_words,
        plural=plural,
        chance=chance_words,
        points=points,
        span=span,
        contrast_span=contrast_span,
        scale_limits=scale_limits,
        d=d_words,
        d_span=d_span,
        sentence=sentence,
    )
    made.globals.update(
        nbsp=NBSP,
        dash=DASH,
        matched=MATCHED,
        slot_of=_slot_of,
        share_name=share_name,
        decisive=decisive,
        decisive_preference=decisive_preference,
        stopped_rows=stopped_rows,
        stage_rows=stage_rows,
        kept_words=kept_words,
        meaning_of=state_meaning,
        margin_words=margin_words,
        numbers_words=numbers_words,
        block_words=block_words,
        order_words=order_of_modes,
        correction_words=correction_words,
        chain_words=chain_words,
        chain_left_out=chain_left_out,
    )
    return made


def _slot_of(trial: TrialFacts, name: str) -> str:
    return next((condition for slot, condition in trial.slots if slot == name), "")
