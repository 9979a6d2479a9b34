"""The report as one self-contained page, and as a Markdown block to paste beside a review.

Both are made from a `ReportInput` alone: the same input gives the same bytes. The page loads nothing, runs nothing
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
from blindtest.report.choice_facts import Tested
from blindtest.report.claim_facts import ClaimResult
from blindtest.report.claim_words import Said, claimed, margin_words, numbers_words, said_of
from blindtest.report.doubts import doubts, left_out
from blindtest.report.facts import ReportInput
from blindtest.report.figures import Figure
from blindtest.report.gallery import figures as drawn_figures
from blindtest.report.heard_words import decisive, score_meaning, share_name
from blindtest.report.method_words import (
    block_words,
    claim_rows,
    correction_words,
    method_line,
    order_of_modes,
    order_on_record,
    phases,
    sources,
    told,
)
from blindtest.report.preference_facts import Preferred
from blindtest.report.preference_words import decisive_preference
from blindtest.report.rating_words import kept_words, points, span, state_meaning
from blindtest.report.record_facts import TrialFacts
from blindtest.report.scale_facts import ScaleFacts
from blindtest.report.scale_words import contrast_span, scale_limits, standard_deviations
from blindtest.report.screening_words import PLAYED_ON_HEADS, played_on_rows, played_on_words
from blindtest.report.seal_words import seal_limits, seal_words
from blindtest.report.sound_facts import MatchLine
from blindtest.report.stage_words import stage_rows
from blindtest.report.stopped_words import stopped_rows
from blindtest.report.timeline import timeline
from blindtest.report.unreliable_words import unreliable_question
from blindtest.report.words import (
    DASH,
    NBSP,
    chance_words,
    clean,
    count_of,
    decibel,
    escaped_markdown,
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

__all__ = ["LARGEST_BYTES", "html", "markdown"]

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
            apart=_apart(report),
            in_claims={i for one in report.answers for i in (one.claim.device, one.claim.comparator)},
            phased=any(sitting.phase for sitting in report.sittings),
            recorded=bool(report.impressions or report.events),
            order=order,
            order_said=order_on_record(report),
            trial_groups=_trial_groups(report),
            answered=answering(report),
            remarked=[one for one in report.trials if one.remark],
            fast=answering_words(answering(report)),
            ending=partial(_ending, report),
            deviations_of=partial(_deviations_of, report),
            pair=lambda one: short_names([report.name_of(one.claim.device), report.name_of(one.claim.comparator)]),
            clip_title=lambda clip: next((c.title or c.id for c in report.clips if c.id == clip), clip),
            short=partial(_short, report),
            claim_sentence=lambda claim: claimed(claim, names),
            truth={one.who: one for one in report.truth},
        )
    )


def _deviations_of(report: ReportInput, result: ClaimResult) -> tuple[str, ...]:
    """Return where the test goes another way than the standard that the method of a claim follows."""
    if result.scaled is None:
        return ()
    original = result.scaled.reference
    heard = {name for block in report.protocol.blocks if block.phase == "blind" for name in block.conditions}
    rated = [one for one in report.conditions if one.id in heard]
    return standard_deviations(
        result.scaled,
        items=len(result.claim.clips) or len(report.clips),
        systems=sum(not one.anchor and one.id != original for one in rated),
        anchors=[one.anchor for one in rated if one.anchor],
        lengths=[one.out_s - (one.in_s or 0.0) for one in report.clips if one.out_s is not None],
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


@dataclass(frozen=True, slots=True, kw_only=True)
class _TrialGroup:
    """Trials that share one table: those of one method."""

    title: str
    trials: tuple[TrialFacts, ...]
    slots: list[str]
    right: bool
    sure: bool
    """Whether it was asked how sure answers were."""


def _trial_groups(report: ReportInput) -> tuple[_TrialGroup, ...]:
    titles = {block.method: block.method_title for block in report.protocol.blocks if block.method_title}
    groups: dict[str, list[TrialFacts]] = {}
    for trial in report.trials:
        groups.setdefault(trial.method, []).append(trial)
    return tuple(
        _TrialGroup(
            title=clean(titles.get(method, method)),
            trials=tuple(trials),
            slots=list(dict.fromkeys(name for trial in trials for name, _ in trial.slots)),
            right=any(trial.right for trial in trials),
            sure=any(trial.confidence is not None for trial in trials),
        )
        for method, trials in groups.items()
    )


def _ending(report: ReportInput, trial: TrialFacts) -> str:
    """Return how a trial ended, in a word or two."""
    if not trial.answered:
        return "unanswered"
    if trial.correct is not None:
        return "right" if trial.correct else "wrong"
    if trial.ratings:
        return "rated"
    if trial.method == "familiarisation":
        return "heard"
    return f"{_short(report, trial.chosen)} preferred" if trial.chosen else "no preference"


def _short(report: ReportInput, condition: str) -> str:
    """Return a condition's name, cut at the comma where that still tells it from the others."""
    ids = [one.id for one in report.conditions]
    short = dict(zip(ids, short_names([report.name_of(one) for one in ids]), strict=True))
    return short.get(condition, clean(condition))


def question(report: ReportInput) -> str:
    """Return the question in one sentence: the user's, or one made from the primary claim."""
    if clean(report.question):
        return clean(report.question)
    claim = report.answers[0].claim
    a, b = short_names([report.name_of(claim.device), report.name_of(claim.comparator)])
    if claim.kind == "preferred":
        return f"Is {a} preferred to {b}, blind and at equal loudness?"
    if claim.kind == "attribute" and claim.scale:
        return f"Is {a} rated above {b} in {clean(claim.scale)}, blind and at equal loudness?"
    if claim.kind == "attribute":
        return f"Does {a} have more {clean(claim.attribute)} than {b}, blind and at equal loudness?"
    if claim.kind == "threshold":
        return f"How much of {a} does it take to be heard against {b}, blind?"
    if claim.kind == "stage":
        return f"Which stage of {a} is heard, blind and at equal loudness?"
    if claim.kind == "matched":
        return f"Do listeners set {a} where it was matched with {b}, blind?"
    if claim.kind == "keeps listening":
        return f"Does {a} keep people listening more than {b}, blind and at equal loudness?"
    if claim.unreliable:
        return unreliable_question(a, b)
    if claim.kind == "rated":
        return f"{a} was rated above {b}: does that survive when the names are gone?"
    return f"Can {a} and {b} be told apart by ear, blind and at equal loudness?"


def markdown(report: ReportInput) -> str:
    """Return a block to paste beside a review: question, results, figures in tables, method, limits, seal."""
    md = escaped_markdown
    lines = [f"### {md(report.title)}", ""]
    if report.invented:
        lines += ["*Invented devices, clips and listeners: a demonstration.*", ""]
    lines += [f"**Question.** {md(question(report))}", ""]
    for text in report.models:
        lines += [f"**{md(text)}**", ""]
    for place, one in enumerate(report.answers):
        lines += _markdown_claim(report, one, several=len(report.answers) > 1, first=place == 0)
    for impression in report.impressions:
        said = "words withheld" if impression.withheld else f"“{md(impression.quote)}”"
        lines += [f"**On record** since {md(when(impression.when))}: {said} (`{_hex(impression.hash)}`)", ""]
    lines += [f"- {md(text)}" for text in order_on_record(report)]
    lines += [""] if report.impressions else []
    lines += [f"**Method.** {md(method_line(report))} Levels matched {md(_matched(report))}.", ""]
    if report.screening is not None:
        lines += [f"**Played on.** {md(' '.join(played_on_words(report.screening)))}", ""]
    lines += [f"**What this does not tell.** {md(' '.join(left_out(report)))}", ""]
    lines += [f"**Seal: {report.seal.grade}.** {md(seal_words(report)[0])}"]
    if report.seal.study_commitment:
        lines += [f"Commitment of the study: `{_hex(report.seal.study_commitment)}`"]
    lines += [
        f"Plans ever sealed here: {report.seal.plans_sealed}; in folders it came from: {report.seal.plans_before}."
    ]
    made = ", ".join(f"{md(name)} {md(version)}" for name, version in report.versions.items())
    lines += ["", f"{made + '; ' if made else ''}report of {md(when(report.generated_at))}"]
    return "\n".join(lines) + "\n"


def _markdown_claim(report: ReportInput, one: ClaimResult, *, several: bool, first: bool) -> list[str]:
    md = escaped_markdown
    said = said_of(one, report.names)
    lines = []
    if several:
        lines += [f"**Claim ({one.claim.role}).** {md(claimed(one.claim, report.names))}.", ""]
    lines += [f"**Result: {said.word}.** {md(said.sentence)}", ""]
    lines += [
        f"- {md(text)}"
        for text in (*said.beside, *said.tabled, *said.further, *said.thoughts, *filter(None, [said.passing]))
    ]
    differs = _deviations_of(report, one)
    if differs:
        standard = "BS.1116-3" if one.scaled is not None and one.scaled.in_grades else "BS.1534-3"
        lines.append(f"- After ITU-R {standard}; it differs: {md('; '.join(differs))}.")
    table = _markdown_table(one, *short_names([report.name_of(one.claim.device), report.name_of(one.claim.comparator)]))
    return [*lines, "", *table, ""] if table else [*lines, ""]


def _markdown_table(one: ClaimResult, a: str, b: str) -> list[str]:
    md = escaped_markdown
    if one.heard is not None:
        results = one.heard
        head = ["who", "right", share_name(results), f"{percent(results.pooled.level)} interval"]
        head += ["p (one-sided, exact)"]
        several = results.listeners if len(results.listeners) > 1 else ()
        rows = [
            [md(t.who), count_of(t.correct, t.trials), percent(t.share), interval_words(t.share_interval), _p(t)]
            for t in (*several, results.pooled)
        ]
    elif one.stopped is not None:
        names, cells = stopped_rows(one.stopped)
        head, rows = [name.lower() for name in names], [[md(cell) for cell in row] for row in cells]
    elif one.preferred is not None:
        facts = one.preferred
        head = ["who", md(a), md(b), "no preference", f"{percent(facts.answered.level)} interval", "p (exact)"]
        listeners = facts.listeners if len(facts.listeners) > 1 else ()
        rows = [
            [
                md(t.who),
                str(t.wins),
                str(t.losses),
                str(t.ties),
                interval_words(t.interval) if t.decided else DASH,
                _p(t),
            ]
            for t in (*listeners, facts.answered)
        ]
    elif one.attribute is not None:
        chosen = one.attribute
        head = ["who", f"{md(a)} chosen", "d\u2032", "interval", "p (exact)"]
        several_ = chosen.listeners if len(chosen.listeners) > 1 else ()
        tests = [(t.who, t.tested, t.adjusted_p_value) for t in several_]
        tests.append(("all answers", chosen.decisive, None))
        rows = [
            [
                md(who),
                count_of(t.correct, t.trials),
                d_words(t.d_prime),
                d_span(t.d_prime_interval),
                _p_by_holm(t.p_value, adjusted),
            ]
            for who, t, adjusted in tests
        ]
    elif one.scaled is not None:
        head, rows = _markdown_scale(one.scaled)
    elif one.listened is not None:
        picked = one.listened.choice
        head = ["who", f"{md(a)} chosen", "without a choice", "interval", "p (exact)"]
        own_ = picked.by_listener if len(picked.by_listener) > 1 else ()
        rows = [
            [
                md(count.listener) or "all tracks",
                count_of(count.chosen, count.tracks),
                str(count.without_choice),
                interval_words(count.interval),
                _p_by_holm(count.p_value, None if count.p_adjusted != count.p_adjusted else count.p_adjusted),
            ]
            for count in (*own_, picked.pooled)
        ]
    elif one.rated is not None:
        head = ["effect, points", "estimate", "interval"]
        named = (
            ("labelled", one.rated.labelled),
            ("blind", one.rated.blind),
            ("blind minus labelled", one.rated.difference),
            (f"blind minus {kept_words(one.rated.kept)} of labelled", one.rated.kept_contrast),
        )
        rows = [[what, points(e.estimate), span(e)] for what, e in named if e is not None]
    elif one.staged is not None:
        names, cells = stage_rows(one.staged)
        head, rows = [name.lower() for name in names], [[md(cell) for cell in row] for row in cells]
    elif one.unreliable is not None:
        head = ["effect, points", "estimate", "interval", "ends as"]
        both = (
            ("sound, whatever its name", one.unreliable.result.sound_conclusion),
            ("name, whatever sounds", one.unreliable.result.label_conclusion),
        )
        rows = [
            [what, points(c.estimate), f"{points(c.interval[0])} to {points(c.interval[1])}", c.word]
            for what, c in both
        ]
    else:
        return []
    return [
        f"| {' | '.join(head)} |",
        "|" + "---|" * len(head),
        *(f"| {' | '.join(row)} |" for row in rows),
    ]


def _markdown_scale(facts: ScaleFacts) -> tuple[list[str], list[list[str]]]:
    digits = 2 if facts.in_grades else 1
    held = [("those kept", facts.kept)] if facts.kept is not None else []
    rows = []
    for who, one in [*held, ("everybody", facts.everybody)]:
        if (found := one.conclusion) is not None:
            over = f"{one.units} {one.unit}s"
            numbers = [points(found.estimate, digits), contrast_span(found.interval, digits)]
            rows.append([who, over, *numbers, _p_by_holm(found.p_value, None), one.word])
    return ["who", "over", f"difference, {facts.unit}", "interval", "p (t)", "ends as"], rows


def _p(one: Tested | Preferred) -> str:
    return _p_by_holm(one.p_value, one.adjusted_p_value)


def _p_by_holm(p_value: float, adjusted: float | None) -> str:
    p = p_words(p_value)
    if adjusted is not None:
        p += f", by Holm {p_words(adjusted)}"
    return escaped_markdown(p)


def _hex(text: str) -> str:
    return "".join(character for character in text if character in "0123456789abcdefABCDEF")


_MATCHED = {
    "heard": "by the loudness of what is heard (ITU-R BS.1770)",
    "file": "by the loudness of the files (ITU-R BS.1770)",
    "1khz": "at 1 kHz",
}


def _matched(report: ReportInput) -> str:
    if report.hardware is not None:
        return "by voltage at 100 Hz, 1 kHz and 10 kHz"
    return _MATCHED.get(report.rendering.match, "by " + clean(report.rendering.match))


def _apart(report: ReportInput) -> tuple[tuple[str, tuple[float, ...]], ...]:
    """Return, by measure, the differences in level (device minus comparator, as played) of the clips."""
    lines = {(line.clip, line.condition): line for line in report.match}
    a, b = report.compared
    pairs: list[tuple[MatchLine, MatchLine]] = [
        (lines[clip, a], lines[clip, b])
        for clip in dict.fromkeys(line.clip for line in report.match)
        if (clip, a) in lines and (clip, b) in lines
    ]
    if not pairs:
        return ()
    measures = (
        ("heard (BS.1770)", "heard_after"),
        ("file (BS.1770)", "file_after"),
        ("A-weighted", "a_weighted_after"),
        ("plain r.m.s.", "rms_after"),
    )
    return tuple((name, tuple(getattr(x, f) - getattr(y, f) for x, y in pairs)) for name, f in measures)


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
        matched=_MATCHED,
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
