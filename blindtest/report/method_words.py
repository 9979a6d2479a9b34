"""How a test was done, in words: methods, blocks, phases, statistics, the order of what is on record, corrections."""

from collections.abc import Sequence

from blindtest.report.claim_facts import BlockFacts, ClaimResult
from blindtest.report.claim_words import margin_words
from blindtest.report.correction_facts import CorrectionFacts
from blindtest.report.facts import ReportInput
from blindtest.report.failing_words import failing_words
from blindtest.report.heard_words import share_name
from blindtest.report.rating_words import PHASE_WORDS
from blindtest.report.stopped_words import stopped_statistics
from blindtest.report.timeline import Moment, before, timeline
from blindtest.report.unreliable_words import TOLD_UNRELIABLE, unreliable_statistics
from blindtest.report.words import clean, decibel, frequency_words, number, percent, plural

__all__ = [
    "block_words",
    "claim_rows",
    "correction_words",
    "method_line",
    "order_of_modes",
    "order_on_record",
    "phases",
    "sources",
    "statistics_words",
    "told",
]

_UNTOLD = "Nobody was told whether an answer was right before the last one was given, practice apart."
_TRACK = (
    "The trials of a track held one level of the grid each, beside the reference, at the same place in the music, and "
    "the listener said which sound was the different one, or which one X was; where the level stood was drawn fairly "
    "and independently for every trial."
)
_METHODS = {
    "abx": (
        "In each trial the listener could switch freely, at the same place in the music, between three sounds: A, B "
        "and X. A and B were the two things compared, in an order drawn anew for every trial; X was one of them, drawn "
        "by a fair and independent draw. The question was always the same: is X the same as A, or the same as B? Who "
        f"hears nothing is right half of the time. {_UNTOLD}"
    ),
    "triangle": (
        "In each trial the listener could switch freely, at the same place in the music, between three sounds, two of "
        "which were the same, and said which one was different. Which of the two things compared came twice, and where "
        "the other one stood, was drawn fairly and independently for every trial. Who hears nothing is right in one "
        f"third of trials. {_UNTOLD}"
    ),
    "duo-trio": (
        "In each trial the listener could switch freely, at the same place in the music, between a reference and two "
        "sounds, one of which was the reference again, and said which; where it stood was drawn fairly and "
        f"independently for every trial. Who hears nothing is right half of the time. {_UNTOLD}"
    ),
    "tetrad": (
        "In each trial the listener could switch freely, at the same place in the music, between four sounds, two of "
        "each of the things compared, and said which belong together; the places were drawn fairly and independently "
        f"for every trial. Who hears nothing is right in one third of trials. {_UNTOLD}"
    ),
    "same-different": (
        "In each trial the listener could switch freely, at the same place in the music, between two sounds, and said "
        "whether they were the same. Half of the pairs were, by a fair and independent draw for every trial, and "
        "either sound could come twice. Who hears nothing is right half of the time, however readily they say that "
        f"two sounds differ. {_UNTOLD}"
    ),
    "2afc": (
        "In each trial the listener could switch freely, at the same place in the music, between two sounds, and said "
        "which had more of the attribute named in the question. Which was which was drawn fairly and independently for "
        "every trial. Who hears nothing chooses the claimed one half of the time. Nobody was told which one it was."
    ),
    "3afc": (
        "In each trial the listener could switch freely, at the same place in the music, between three sounds, two of "
        "which were the same, and said which one had more of the attribute named in the question: the claimed one, "
        "which came once. Where it stood was drawn fairly and independently for every trial. Who hears nothing chooses "
        "it in one third of trials. Nobody was told which one it was."
    ),
    "staircase": (
        f"{_TRACK} So many right answers in a row as the protocol says made the next trial harder, one wrong answer "
        f"made it easier. {_UNTOLD}"
    ),
    "staircase-weighted": (
        f"{_TRACK} A right answer made the next trial harder by a small step, a wrong one easier by a step so many "
        f"times as large as the protocol says. {_UNTOLD}"
    ),
    "threshold-bayes": (
        f"{_TRACK} Each trial held the level whose answer would tell most about the listener's psychometric function, "
        f"after all answers before it. {_UNTOLD}"
    ),
    "adjustment": (
        "In each trial the listener set one sound themselves, a little or much more or less of it, as often as they "
        "liked, among renderings made ahead and switched at the same place in the music: until it equalled another "
        "sound that they could switch to, or until they liked it best, as the protocol says. No number and no scale "
        "told where it stood. Where it began, half of the times below the middle of the range and half above, and "
        "between which ends of the range it could be moved, was drawn for every trial; an end was told once a move had "
        "run into it. No answer is right."
    ),
    "preference": (
        "In each pair the listener could switch freely, at the same place in the music, between two sounds without "
        "names, and said which of the two they would rather listen to. Which came first was balanced over each clip "
        "and drawn. No answer is right."
    ),
    "stage-pair": (
        "In each pair the listener could switch freely, at the same place in the music, between two combinations of a "
        "chain's stages without names, which differed in one stage, and said which of the two they would rather "
        "listen to. Every such pair came up equally often, and which came first was drawn. No answer is right."
    ),
    "rating": (
        "On each page the listener could switch freely, at the same place in the music, between all conditions of a "
        "clip, in slots drawn anew for every page, and rated each on a scale from 0 (bad) to 100 (excellent), or "
        "between the two ends of the attribute that the protocol names. There was no reference, and no answer is right."
    ),
    "rating-single": (
        "In each trial the listener heard one condition of a clip and rated it on a scale from 0 (bad) to 100 "
        "(excellent), or between the two ends of the attribute that the protocol names; the order was drawn. There "
        "was no reference, and no answer is right."
    ),
    "free-listening": (
        "Each track ran on from its beginning to its end while the listener switched freely between two or three "
        "sounds without names. Which slot held what, and which one began, was drawn for every track. After a while the "
        "listener picked the slot that played the rest of the track alone, until it was over or they skipped it. No "
        "choice is right."
    ),
    "multi-stimulus": (
        "After ITU-R BS.1534-3. On each page the listener could switch freely, at the same place in the music, between "
        "the original, marked as such, and all renderings of a clip, the original and the anchors hidden among them in "
        "slots drawn anew for every page; each was rated from 0 (bad) to 100 (excellent), and at least one had to get "
        "100. It differs from the standard: all stimuli, anchors included, are made equally loud; the limits of the "
        "mid anchor's low-pass are those of the low one an octave higher, since the standard gives none; scales lie on "
        "their side, as long as the window lets them; listening room, level and the listeners' expertise are not "
        "checked."
    ),
    "small-impairment": (
        "After ITU-R BS.1116-3. In each trial the listener could switch freely, at the same place in the music, "
        "between A, the original, and B and C, one of which was the original again, by a fair and independent draw; "
        "both were graded from 1.0 (very annoying) to 5.0 (imperceptible), and at least one had to get 5.0. It differs "
        "from the standard: all stimuli are made equally loud; listening room, level and the listeners' expertise are "
        "not checked."
    ),
    "recognition": (
        "After blind blocks one of the conditions sounded, drawn by a fair and independent draw, and the listener said "
        "which one it was."
    ),
}


def _counted_methods(report: ReportInput) -> list[str]:
    blocks = [block.method for block in report.protocol.blocks if block.phase != "practice"]
    return list(dict.fromkeys(blocks or [report.protocol.method]))


def told(report: ReportInput) -> tuple[str, ...]:
    """Return what listeners did, a paragraph for each method."""
    protocol = report.protocol
    unreliable = any(block.phase == "unreliable" for block in protocol.blocks)
    return ((TOLD_UNRELIABLE,) if unreliable else ()) + tuple(
        _METHODS.get(
            method,
            f"Trials were run by the method {clean(protocol.method_title)}; somebody who hears nothing is right in "
            f"{percent(protocol.guess_rate)} of trials.",
        )
        for method in _counted_methods(report)
    )


def block_words(block: BlockFacts) -> str:
    """Return what a block of the protocol was."""
    phase = "with names that may be wrong" if block.phase == "unreliable" else clean(block.phase)
    text = f"{clean(block.id)}: {clean(block.method_title or block.method)}, {phase}"
    if block.trials is not None:
        text += f", {'at most ' if block.may_end_sooner else ''}{plural(block.trials, 'trial')} in a sitting"
    if block.controls:
        text += f", {plural(block.controls, 'control')} among them at drawn places, never counted"
    if block.repeats is not None:
        text += f", each clip {plural(block.repeats, 'time')}"
    if block.sittings > 1:
        text += f", in {plural(block.sittings, 'sitting')}, each on another day"
    if block.feedback:
        text += "; told at once whether it was right"
    if block.phase == "practice":
        text += "; never counted"
    return text


def sources(report: ReportInput) -> tuple[str, ...]:
    """Return where the methods come from, each once."""
    blocks = [block for block in report.protocol.blocks if block.source]
    return tuple(dict.fromkeys(f"{clean(b.method_title or b.method)}: {clean(b.source)}" for b in blocks))


def claim_rows(report: ReportInput) -> tuple[tuple[str, str], ...]:
    """Return margin and statistics of each claim as (label, words); what is the same for several stands once."""
    several = len(report.answers) > 1
    out = []
    for one in report.answers:
        margin = margin_words(one.claim)
        if one.claim.margin is not None:
            margin += ": the smallest that would matter, fixed beforehand"
        if failing := failing_words(one):
            margin += f"; {failing}"
        kind = f"{clean(one.claim.kind).capitalize()}: " if several else ""
        out += [(f"{kind}margin".capitalize(), margin), (f"{kind}statistics".capitalize(), statistics_words(one))]
    return tuple(dict.fromkeys(out))


def phases(report: ReportInput) -> tuple[tuple[str, str], ...]:
    """Return the phases and what each was; () where nothing was rated with names shown or as worn."""
    held = {block.phase for block in report.protocol.blocks} | {rating.mode for rating in report.ratings}
    if not held & {"labelled", "worn"}:
        return ()
    return tuple((phase, PHASE_WORDS[phase]) for phase in ("worn", "labelled", "blind") if phase in held)


def order_of_modes(order: str) -> str:
    """Return which of the two modes came first, and why that matters."""
    return {
        "blind-first": (
            "Every listener was blind first: after hearing with names, a device could be known by its sound."
        ),
        "labelled-first": ("Every listener had the names first: blind, a device could then be known by its sound."),
        "crossed": "By plan half of the listeners were blind first, and half had the names first.",
    }.get(order, "")


def statistics_words(result: ClaimResult) -> str:
    """Return which tests the claim was put to, at which level."""
    alpha = percent(result.alpha)
    if result.claim.kind == "preferred":
        sides = "one-sided, in the direction sealed" if _one_sided(result) else "two-sided"
        return (
            f"tested at the {alpha} level, {sides}: exact sign test against one half, trials without a preference "
            "apart; Clopper and Pearson's limits, held against the margin; Bradley and Terry's model with Davidson's "
            "ties and an effect of order beside it"
        )
    if result.claim.scale:
        return (
            f"tested at the {alpha} level: one mean difference for each listener (each clip, or page, of a single "
            "one), Student's t limits, held against the margin; rules of screening as sealed, everybody's beside it; "
            "medians and quartiles; a mixed model with clips as a sample, and a permutation test of medians"
        )
    if result.claim.kind == "attribute":
        concluded = None if result.attribute is None else result.attribute.conclusion
        claimed = concluded is not None and concluded.direction == "claimed"
        sides = "one-sided, in the direction sealed" if claimed else "two-sided"
        return (
            f"tested at the {alpha} level, {sides}: exact binomial test against guessing; Clopper and Pearson's "
            "limits, carried over to d\u2032 along the attribute and held against the margin; Holm's correction over "
            "several listeners"
        )
    if result.claim.kind == "stage":
        return (
            f"tested at the {alpha} level over all stages (Holm): effects of the stages of a factorial by a linear "
            "mixed model, random parts of their own over listeners and clips, t limits against the margin; "
            "products of two beside them"
        )
    if result.claim.kind == "matched":
        return (
            f"two one-sided t tests of the mean setting against the margin, each at {alpha} (listeners' means for "
            "several, single settings for one); settings begun above held against settings begun below, and the "
            "scatter within listeners, beside it"
        )
    if result.claim.kind == "threshold":
        return (
            f"each limit one-sided at {alpha}: a logistic psychometric function by maximum likelihood, guess rate "
            "fixed by the task, lapses up to 6 %; profile likelihood for one listener, Student's t over listeners' "
            "thresholds for several; averages of late reversals beside it"
        )
    if result.claim.unreliable:
        return unreliable_statistics(alpha)
    if result.claim.kind == "rated":
        return (
            f"wrong in at most {alpha} of such studies: a partition into four states, each rejected by one-sided t "
            "limits of one effect for each listener, or for each sitting of a single listener; repeated on "
            "anchor-scaled effects and on signs; a mixed model beside it; recognition by an exact binomial test"
        )
    if result.stopped is not None:
        return stopped_statistics(result.stopped)
    heard = result.heard
    text = (
        f"tested at the {alpha} level, one-sided: exact binomial test against guessing with its one-sided limit; "
        "Clopper and Pearson's two-sided interval; the same limits carried over to the "
        f"{share_name(heard)} (Abbott) and to d′"
    )
    if result.claim.margin is not None:
        text += "; exact similarity test against the margin"
    if heard is not None and len(heard.listeners) > 1:
        text += "; Holm's correction over the listeners"
    return text


def _one_sided(result: ClaimResult) -> bool:
    return result.preferred is not None and result.preferred.direction == "claimed"


def method_line(report: ReportInput) -> str:
    """Return the method in a few sentences, for the block beside a review."""
    protocol, rendering = report.protocol, report.rendering
    blocks = [block for block in protocol.blocks if block.phase != "practice"]
    if blocks:
        text = "; ".join(block_words(block) for block in blocks) + f"; {plural(len(report.clips), 'clip')}"
    else:
        text = (
            f"{protocol.method_title}, {plural(protocol.trials, 'counted trial')} for each sitting, fixed beforehand, "
            f"{plural(len(report.clips), 'clip')}"
        )
    text += "; the order and every answer key drawn independently and sealed before the first trial."
    if any(condition.from_measurement for condition in report.conditions):
        text += " Devices as rendered from measurement"
        text += f", heard through {clean(rendering.playback)}." if rendering.playback else "."
    return text


def order_on_record(report: ReportInput) -> tuple[str, ...]:
    """Return, for each impression, whether it came before the measurement, the seal and the first sitting."""
    moments = timeline(report)
    out = []
    for number_, impression in enumerate(report.impressions, start=1):
        own = next((m for m in moments if m.hash == impression.hash), None)
        if own is None:
            continue
        name = "The impression" if len(report.impressions) == 1 else f"Impression {number_}"
        parts = [
            _relation(own, _first(moments, "measurement", impression.unit), "the unit was measured"),
            _relation(own, _first(moments, "graph seen"), "a graph was seen"),
            _relation(own, _first(moments, "seal"), "the study was sealed"),
            _relation(own, _first(moments, "sitting"), "the first sitting began"),
        ]
        said = [part for part in parts if part]
        if said:
            out.append(f"{name} was put on record {'; '.join(said)}.")
        if impression.files:
            out.append(
                f"{plural(len(impression.files), 'measurement file')} lay in the folder at that moment, so a graph "
                "could have been seen before it was said."
            )
    return tuple(out)


def _first(moments: Sequence[Moment], kind: str, unit: str = "") -> Moment | None:
    of_kind = [m for m in moments if m.kind == kind]
    return next((m for m in of_kind if clean(unit) and m.what.startswith(clean(unit))), of_kind[0] if of_kind else None)


def _relation(own: Moment, other: Moment | None, what: str) -> str:
    if other is None:
        return ""
    earlier = before(own, other)
    if earlier is None:
        return f"on the day on which {what} (which came first is not recorded)"
    return f"{'before' if earlier else 'after'} {what}"


def correction_words(one: CorrectionFacts) -> str:
    """Return what a correction does, what it needs and what it leaves."""
    text = f"The filter ({clean(one.phase)}"
    if one.sections is not None:
        count = len(one.sections)
        text += f", {count} second-order section{'' if count == 1 else 's'} after the Audio EQ Cookbook"
        text += f", at {frequency_words(one.rate_hz)}" if one.rate_hz else ""
    elif one.taps and one.rate_hz:
        text += f", {one.taps} taps at {frequency_words(one.rate_hz)}"
    text += ") brings the measured response towards "
    text += clean(one.target) if one.target else "the target"
    return text + (
        f", from {frequency_words(round(one.band_hz[0]))} to {frequency_words(round(one.band_hz[1]))}, levels aligned "
        f"from {frequency_words(one.align_hz[0])} to {frequency_words(one.align_hz[1])}"
        + ("" if one.max_boost_db is None else f", with a boost of at most {number(one.max_boost_db, 1)} dB")
        + f". The error {'falls' if one.rms_error_db < one.rms_before_db else 'goes'} from "
        f"{number(one.rms_before_db)} to {number(one.rms_error_db)} dB r.m.s.; "
        f"the largest that is left is {decibel(one.worst_error_db, 1)} dB at "
        f"{frequency_words(round(one.worst_error_hz))}. The programme has to be lowered by "
        f"{number(one.headroom_db, 1)} dB before it (headroom)."
        + "".join(
            f" It was switched off from {frequency_words(low)} to {frequency_words(high)}."
            for low, high in one.without_hz
        )
        + "".join(
            f" From {frequency_words(round(low))} to {frequency_words(round(high))} the seatings lie up to "
            f"{number(worst, 1)} dB apart (standard deviation): the measurement is too uncertain there to be corrected."
            for low, high, worst in one.uncertain
        )
    )
