"""The report as a Markdown block to paste beside a review.

Made from a `ReportInput` alone: the same input gives the same bytes. Every text of a user's is escaped.
"""

from blindtest.report.attribute_words import d_span, d_words
from blindtest.report.choice_facts import Tested
from blindtest.report.claim_facts import ClaimResult
from blindtest.report.claim_words import claimed, said_of
from blindtest.report.deviations import deviations_of
from blindtest.report.doubts import left_out
from blindtest.report.facts import ReportInput
from blindtest.report.heard_words import share_name
from blindtest.report.match_words import matched_words
from blindtest.report.method_words import method_line, order_on_record
from blindtest.report.preference_facts import Preferred
from blindtest.report.question import question
from blindtest.report.rating_words import kept_words, points, span
from blindtest.report.scale_facts import ScaleFacts
from blindtest.report.scale_words import contrast_span
from blindtest.report.screening_words import played_on_words
from blindtest.report.seal_words import seal_words
from blindtest.report.stage_words import stage_rows
from blindtest.report.stopped_words import stopped_rows
from blindtest.report.words import DASH, count_of, escaped_markdown, interval_words, p_words, percent, short_names, when

__all__ = ["markdown"]


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
    lines += [f"**Method.** {md(method_line(report))} Levels matched {md(matched_words(report))}.", ""]
    if report.rendering.recordings:
        lines += [f"**Recordings.** {md(' '.join(report.rendering.recordings))}", ""]
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
    differs = deviations_of(report, one)
    if differs:
        standard = "BS.1116-3" if one.scaled is not None and one.scaled.in_grades else "BS.1534-3"
        lines.append(f"- After ITU-R {standard}; it differs: {md('; '.join(differs))}.")
    table = _markdown_table(one, *short_names([report.name_of(one.claim.device), report.name_of(one.claim.comparator)]))
    return [*lines, "", *table, ""] if table else [*lines, ""]


def _markdown_table(one: ClaimResult, a: str, b: str) -> list[str]:
    md = escaped_markdown
    if one.heard is not None and one.heard.nothing_answered:
        return []
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
        head, rows = [name[:1].lower() + name[1:] for name in names], [[md(cell) for cell in row] for row in cells]
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
        head, rows = [name[:1].lower() + name[1:] for name in names], [[md(cell) for cell in row] for row in cells]
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
