"""The report as one self-contained page, and as a Markdown block to paste beside a review.

Both are made from a `ReportInput` alone: the same input gives the same bytes. The page loads nothing, runs nothing
(its content security policy forbids both) and is at most 3 MB; every text of a user's is escaped.
"""

from collections.abc import Mapping
from functools import cache
from pathlib import Path
from typing import Any

from blindtest.report.claim_words import said_of
from blindtest.report.doubts import doubts, left_out, seal_limits, seal_words
from blindtest.report.facts import ReportInput
from blindtest.report.figures import Figure
from blindtest.report.gallery import figures as drawn_figures
from blindtest.report.heard_words import decisive, score_meaning, share_name
from blindtest.report.record_facts import TrialFacts
from blindtest.report.sound_facts import MatchLine
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
    primary = report.answers[0]
    said = said_of(primary, report.names)
    page = _environment().get_template("report.html.j2")
    return str(
        page.render(
            report=report,
            figures=drawn,
            css=(_TEMPLATES / "report.css").read_text(encoding="utf-8"),
            verdict=said.word,
            sentence=said.sentence,
            beside=said.beside,
            question=question(report),
            meaning=score_meaning(
                report.results,
                guess_rate=report.protocol.guess_rate,
                method=report.protocol.method_title,
                model=report.protocol.decision_model,
            ),
            doubts=doubts(report),
            left_out=left_out(report),
            seal_words=seal_words(report),
            seal_limits=seal_limits(report),
            share_name=share_name(report.results),
            apart=_apart(report),
            slots=tuple(dict.fromkeys(name for trial in report.trials for name, _ in trial.slots)),
            truth={one.who: one for one in report.truth},
            said=None if report.results is None else decisive(report.results),
        )
    )


def question(report: ReportInput) -> str:
    """Return the question in one sentence: the user's, or one made from what is compared."""
    if clean(report.question):
        return clean(report.question)
    a, b = short_names([report.name_of(condition) for condition in report.compared])
    return f"Can {a} and {b} be told apart by ear, blind and at equal loudness?"


def markdown(report: ReportInput) -> str:
    """Return a block to paste beside a review: question, result, figures in a table, method, limits, seal."""
    md = escaped_markdown
    said = said_of(report.answers[0], report.names)
    lines = [f"### {md(report.title)}", ""]
    if report.invented:
        lines += ["*Invented devices, clips and listeners: a demonstration.*", ""]
    lines += [f"**Question.** {md(question(report))}", "", f"**Result: {said.word}.** {md(said.sentence)}", ""]
    lines += [f"- {md(text)}" for text in said.beside]
    if report.results is not None:
        lines += ["", *_markdown_table(report)]
    lines += ["", f"**Method.** {md(_method_line(report))}", ""]
    lines += [f"**What this does not tell.** {md(' '.join(left_out(report)))}", ""]
    lines += [f"**Seal: {report.seal.grade}.** {md(seal_words(report)[0])}"]
    if report.seal.study_commitment:
        lines += [f"Commitment of the study: `{_hex(report.seal.study_commitment)}`"]
    made = ", ".join(f"{md(name)} {md(version)}" for name, version in report.versions.items())
    lines += ["", f"{made + '; ' if made else ''}report of {md(when(report.generated_at))}"]
    return "\n".join(lines) + "\n"


def _markdown_table(report: ReportInput) -> list[str]:
    results = report.results
    assert results is not None
    name = share_name(report.results)
    lines = [
        f"| who | right | {name} | {percent(results.pooled.level)} interval | p (one-sided, exact) |",
        "|---|---|---|---|---|",
    ]
    several = results.listeners if len(results.listeners) > 1 else ()
    for one in (*several, results.pooled):
        p = f"{p_words(one.p_value)}"
        if one.adjusted_p_value is not None:
            p += f", by Holm {p_words(one.adjusted_p_value)}"
        lines.append(
            f"| {escaped_markdown(one.who)} | {count_of(one.correct, one.trials)} | {percent(one.share)} "
            f"| {interval_words(one.share_interval)} | {escaped_markdown(p)} |"
        )
    return lines


def _hex(text: str) -> str:
    return "".join(character for character in text if character in "0123456789abcdefABCDEF")


def _method_line(report: ReportInput) -> str:
    protocol, rendering = report.protocol, report.rendering
    text = (
        f"{protocol.method_title}, {plural(protocol.trials, 'counted trial')} for each sitting, fixed beforehand, "
        f"{plural(len(report.clips), 'clip')}; the order and every answer key drawn independently and sealed "
        "before the "
        f"first trial."
    )
    if any(condition.from_measurement for condition in report.conditions):
        text += " Devices as rendered from measurement"
        text += f", heard through {clean(rendering.playback)}." if rendering.playback else "."
    return f"{text} Levels matched {_MATCHED.get(rendering.match, 'by ' + clean(rendering.match))}."


_MATCHED = {
    "heard": "by the loudness of what is heard (ITU-R BS.1770)",
    "file": "by the loudness of the files (ITU-R BS.1770)",
    "1khz": "at 1 kHz",
}


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
    )
    made.globals.update(nbsp=NBSP, dash=DASH, matched=_MATCHED, slot_of=_slot_of)
    return made


def _slot_of(trial: TrialFacts, name: str) -> str:
    return next((condition for slot, condition in trial.slots if slot == name), "")
