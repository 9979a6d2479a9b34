"""Numbers and verdicts in words a reader understands.

House rules (claims): a claim ends as *shown*, *negligible* or *open* and in no other word; a p value never stands
alone, but beside the count, the estimate, its interval, what was tested and what could have been detected.
"""

import math
import re
from collections.abc import Sequence
from datetime import UTC, datetime

from blindtest.report.choice_facts import PlanFacts, Results, Tested
from blindtest.report.facts import ReportInput

__all__ = [
    "chance_words",
    "clean",
    "count_of",
    "decibel",
    "decisive",
    "escaped_markdown",
    "flattened",
    "frequency_words",
    "interval_words",
    "number",
    "p_words",
    "percent",
    "plural",
    "result_parts",
    "score_meaning",
    "share_name",
    "short_names",
    "when",
]

NBSP = "\u00a0"
MINUS = "\u2212"
DASH = "\u2013"

_CONTROLS = re.compile(r"[ \x00-\x1f\x7f-\x9f\u2028\u2029\ufffe\uffff\ud800-\udfff]+")
_DIRECTION = re.compile(r"[\u200e\u200f\u202a-\u202e\u2066-\u2069]")


def clean(text: object) -> str:
    """Return `text` on one line, without control characters and without marks that reorder what is read."""
    return flattened(str(text)).strip(" ")


def flattened(text: str) -> str:
    """Return `text` as `clean` does, but with blanks at its ends kept."""
    return _CONTROLS.sub(" ", _DIRECTION.sub("\ufffd", text))


_MARKUP = set("\\`*_{}[]#!~^$")
_ENTITIES = {character: f"&#{ord(character)};" for character in "<>&|@"}
_LINKS = re.compile(r"(?i)(://)|\bw(?=ww)")


def escaped_markdown(text: object) -> str:
    """Return `text` so that Markdown (CommonMark, and the dialects with tables and bare links) prints it as it is.

    For use within a line: marks that count only at the start of a line stay as they are.
    """
    out = "".join(
        _ENTITIES.get(character) or ("\\" + character if character in _MARKUP else character)
        for character in clean(text)
    )
    # A bare address becomes a link in some dialects.
    return _LINKS.sub(lambda found: ":\\/\\/" if found.group(1) else f"&#{ord(found.group())};", out)


def short_names(names: Sequence[str]) -> list[str]:
    """Return the names up to their first comma, where that still tells them apart."""
    short = [clean(name).partition(",")[0].strip() for name in names]
    told_apart = len(set(short)) == len(set(names)) and all(short)
    return short if told_apart else [clean(name) for name in names]


def number(value: float | None, digits: int = 2) -> str:
    """Return a number with a true minus sign, '∞' for infinity, a dash for what isn't there."""
    if value is None or math.isnan(value):
        return DASH
    if math.isinf(value):
        return "∞" if value > 0 else MINUS + "∞"
    text = f"{value:.{digits}f}"
    if float(text) == 0:
        text = text.lstrip("-")
    return text.replace("-", MINUS)


def decibel(value: float | None, digits: int = 2) -> str:
    """Return a level difference with its sign."""
    text = number(value, digits)
    return f"+{text}" if value is not None and value > 0 and float(f"{value:.{digits}f}") != 0 else text


def percent(value: float | None, digits: int = 0) -> str:
    """Return a share as a percentage; what only rounds to '0 %' or '100 %' gets a decimal, then a '<' or '>'."""
    if value is None or math.isnan(value):
        return DASH
    for places in (digits, digits + 1):
        text = f"{100 * value:.{places}f}"
        if not ((value < 1 and float(text) == 100) or (value > 0 and float(text) == 0)):
            return f"{number(100 * value, places)}{NBSP}%"
    least = 10.0 ** -(digits + 1)
    return f"< {least:g}{NBSP}%" if value < 0.5 else f"> {100 - least:g}{NBSP}%"


def interval_words(interval: tuple[float, float], digits: int = 0) -> str:
    """Return an interval of shares: '63 % to 94 %'."""
    return f"{percent(interval[0], digits)} to {percent(interval[1], digits)}"


def p_words(p: float | None) -> str:
    """Return a probability with two significant digits, in powers of ten where it is tiny."""
    if p is None:
        return DASH
    if p == 0:
        return "0"
    if p < 1e-4:
        mantissa, exponent = f"{p:.1e}".split("e")
        return f"{mantissa} × 10{str(int(exponent)).translate(_SUPERSCRIPT)}"
    if p >= 0.995:
        text = f"{p:.4f}"
        return "1" if p >= 1 else text if float(text) < 1 else "> 0.9999"
    digits = max(2, 1 - math.floor(math.log10(p)))
    return f"{p:.{digits}f}"


_SUPERSCRIPT = str.maketrans("-0123456789", "⁻⁰¹²³⁴⁵⁶⁷⁸⁹")


def chance_words(p: float) -> str:
    """Return a probability as a frequency where it is small: '57 %', 'about 1 in 2 200'."""
    if p >= 0.1:
        return percent(p)
    rate = 1 / max(p, 1e-300)
    if rate > 1e9:
        return "less than 1 in a billion"
    if rate >= 100:
        scale = 10 ** (math.floor(math.log10(rate)) - 1)
        rate = round(rate / scale) * scale
    return f"about 1 in {round(rate):,}".replace(",", "\u202f")


def _in_tests(p: float) -> str:
    return f"in {chance_words(p)} {'of ' if p >= 0.1 else ''}such tests"


def frequency_words(hz: float) -> str:
    """Return a frequency with its unit."""
    if hz >= 1000:
        return f"{hz / 1000:g}{NBSP}kHz"
    return f"{hz:g}{NBSP}Hz"


def plural(count: int, one: str, many: str = "") -> str:
    """Return the count with its noun."""
    return f"{count}{NBSP}{one if count == 1 else many or one + 's'}"


def count_of(correct: int, trials: int) -> str:
    """Return '23 of 28'."""
    return f"{correct} of {trials}"


def when(moment: datetime | None) -> str:
    """Return a moment in UTC, to the second; a dash where there is none."""
    if moment is None:
        return DASH
    if moment.tzinfo is None:
        return moment.strftime("%Y-%m-%d %H:%M:%S")
    return moment.astimezone(UTC).strftime("%Y-%m-%d %H:%M:%S UTC")


def share_name(report: ReportInput) -> str:
    """Return what the score beyond guessing is called: it depends on how many listened."""
    results = report.results
    many = results is not None and len(results.listeners) > 1
    return "distinguishers" if many else "share of trials heard"


def decisive(results: Results) -> Tested:
    """Return the counting that the conclusion rests on: unanswered trials stand against it."""
    if results.conclusion == "negligible" and results.unanswered_as_right is not None:
        return results.unanswered_as_right
    if results.conclusion != "negligible" and results.unanswered_as_wrong is not None:
        return results.unanswered_as_wrong
    return results.pooled


def result_parts(report: ReportInput) -> tuple[str, str, tuple[str, ...]]:
    """Return the verdict's word, the result in one sentence, and sentences that must stand beside it."""
    results = report.results
    if results is None:
        return "open", "Nobody has finished a sitting yet, so nothing can be said.", (_plan_words(report.plan),)
    said = decisive(results)
    margin = report.protocol.margin
    a, b = short_names([report.name_of(condition) for condition in report.compared])
    score = (
        f"{count_of(said.correct, said.trials)} answers were right "
        f"({percent(said.proportion)}; guessing gives {percent(said.guess_rate)})"
    )
    heard = (
        f"an estimated {percent(said.share)} of trials were heard beyond guessing, "
        f"{percent(said.level)} interval {interval_words(said.share_interval)}"
    )
    if results.conclusion == "shown":
        sentence = f"A difference between {a} and {b} was shown: {score}; {heard}."
    elif results.conclusion == "negligible":
        sentence = (
            f"Any difference between {a} and {b} was negligible by the margin fixed beforehand "
            f"({percent(margin)} of trials heard): {score}; {heard}."
        )
    else:
        sentence = f"Whether {a} and {b} can be told apart stays open: {score}; {heard}."
    return results.conclusion, sentence, _beside(report, results)


def _beside(report: ReportInput, results: Results) -> tuple[str, ...]:
    margin, level = report.protocol.margin, report.protocol.alpha
    apart = results.unanswered_as_wrong or results.pooled
    out = [
        f"Tested against guessing: {apart.correct} or more right of {apart.trials} would come by guessing alone "
        f"{_in_tests(apart.p_value)} (exact one-sided binomial test, p = {p_words(apart.p_value)}; "
        f"one-sided {percent(1 - level)} lower limit of the proportion right {percent(apart.lower_limit, 1)})."
    ]
    alike = results.unanswered_as_right or results.pooled
    if alike.similarity_p_value is not None and margin is not None:
        upper = ""
        if alike.upper_limit is not None:
            upper = (
                f"; one-sided {percent(1 - level)} upper limit of the proportion right {percent(alike.upper_limit, 1)}"
            )
        out.append(
            f"Tested against the margin: if {percent(margin)} of trials had been heard, {alike.correct} or "
            "fewer right "
            f"of {alike.trials} would come {_in_tests(alike.similarity_p_value)} "
            f"(exact one-sided similarity test, p = {p_words(alike.similarity_p_value)}{upper})."
        )
    if results.conclusion == "negligible" and apart.p_value <= level:
        out.append("It was heard more often than by guessing, yet less than what was declared to matter.")
    out.append(_plan_words(report.plan))
    if results.unanswered:
        out.append(
            f"{plural(results.unanswered, 'planned trial')} stayed unanswered; they are counted against "
            "the conclusion, and shown both ways below."
        )
    return tuple(out)


def _plan_words(plan: PlanFacts | None) -> str:
    """Return what the plan could have detected."""
    if plan is None:
        return "No plan came with this report, so what it could have detected is not known."
    text = f"The plan: {plural(plan.trials, 'trial')}, tested at the {percent(plan.alpha)} level; "
    least, most = plan.critical_number, plan.similarity_critical_number
    text += "no score tells it from guessing" if least is None else f"{least} or more right tell it from guessing"
    if plan.margin is not None:
        text += ", no score makes it negligible" if most is None else f", {most} or fewer make it negligible"
    if least is not None and most is not None and most >= least:
        text += " (where both hold, the word is negligible)"
    text += "."
    if plan.chance_shown_at_margin is not None:
        text += (
            f" A difference as large as the margin would have been shown with a chance of "
            f"{percent(plan.chance_shown_at_margin)}"
        )
        if plan.chance_negligible_if_guessing is not None:
            text += (
                f", and a listener who only guesses would have ended as negligible with a chance of "
                f"{percent(plan.chance_negligible_if_guessing)}"
            )
        text += "."
    if plan.detectable is not None:
        share, chance = plan.detectable
        text += (
            f" With a chance of {percent(chance)} or more it could have told from guessing a difference "
            f"heard on {percent(share)} of trials or more; smaller ones it would often have missed."
        )
    return text


def score_meaning(report: ReportInput) -> tuple[str, ...]:
    """Return what the score means beyond guessing, in paragraphs."""
    rate = report.protocol.guess_rate
    first = (
        f"Even somebody who hears nothing is right in {percent(rate)} of trials. Taking that share out "
        "(Abbott's formula: right answers beyond guessing, divided by the room beyond guessing) leaves "
    )
    if share_name(report) == "distinguishers":
        first += (
            "the distinguishers: if every listener either always hears the difference or never does, this is "
            "the share "
            "of listeners who do. Where listeners are in between, read it as the share of trials heard, over this "
            "panel. Answers of one listener are alike, so the interval of all answers together tests whether anybody "
            "hears it; it is too narrow as a statement about other listeners."
        )
    else:
        first += (
            "the share of trials heard: if this listener on some trials hears the difference and on all others "
            "guesses, "
            "this is the share on which it was heard. It holds for this listener and these clips."
        )
    second = (
        "d′ is the distance between the two sounds in the listener's perception, in units of its own scatter. "
        "It needs "
        f"a model of how a decision is made; here that of {report.protocol.method_title} by "
        f"{report.protocol.decision_model}. Another model gives another d′ from the same answers, so the two "
        "should not be compared."
    )
    return first, second
