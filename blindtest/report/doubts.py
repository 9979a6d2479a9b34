"""What a doubter asks, answered from data: level, clips, knowledge, counting, controls, what could have been missed."""

from collections.abc import Sequence

from blindtest.report.control_words import control_words
from blindtest.report.facts import ReportInput
from blindtest.report.failing_words import failing_words
from blindtest.report.hardware_words import hardware_left_out, hardware_level, switching_words
from blindtest.report.method_words import order_on_record
from blindtest.report.missed_words import missed_words
from blindtest.report.panel_words import OWN_EQUIPMENT, consent_words
from blindtest.report.rating_words import recognition_words, worn_words
from blindtest.report.scale_words import unanswered_words
from blindtest.report.seal_words import seal_words, stamp_words
from blindtest.report.setting_words import cross_check
from blindtest.report.stopped_words import stopped_open
from blindtest.report.timeline import Moment, before, timeline
from blindtest.report.words import clean, decibel, frequency_words, number, percent, plural, short_names, when

__all__ = ["doubts", "left_out"]


def doubts(report: ReportInput) -> tuple[tuple[str, tuple[str, ...]], ...]:
    """Return (question, sentences that answer it) pairs, in the order in which doubts come up."""
    asked = (
        ("Was one of them simply louder?", hardware_level(report.hardware) if report.hardware else _level(report)),
        ("Is it more than putting the same unit on again?", tuple(clean(one) for one in report.reseating)),
        ("Who switched the real units, and what did they know?", _switching(report)),
        ("What played the sounds?", tuple(clean(words) for words in report.rendering.played)),
        ("Who chose the music, and when?", _clips(report)),
        ("What was known before anybody listened?", _known(report)),
        ("Was the claim made to fit the answers?", _claims(report)),
        ("Did listeners recognise what they heard?", _recognition(report)),
        ("Were bad runs left out?", _counting(report)),
        ("Could the listeners hear anything at all?", control_words(report)),
        ("What could have been missed?", missed_words(report)),
        ("What does rendering leave out?", _rendering(report)),
        ("What does the seal show here?", _seal(report)),
    )
    return tuple((question, sentences) for question, sentences in asked if sentences)


def _switching(report: ReportInput) -> tuple[str, ...]:
    return switching_words(report.hardware) if report.hardware else ()


_MEASURES = (
    ("by the file's loudness", "file_after"),
    ("A-weighted", "a_weighted_after"),
    ("by plain r.m.s.", "rms_after"),
)


def _pairs(report: ReportInput) -> list[tuple[str, str]]:
    """Return what is compared by any claim, the pair of the report first."""
    claimed = [(one.claim.device, one.claim.comparator) for one in report.answers]
    return list(dict.fromkeys([report.compared, *(pair for pair in claimed if all(pair))]))


def _level(report: ReportInput) -> tuple[str, ...]:
    lines = {(line.clip, line.condition): line for line in report.match}
    matched = {
        (a, b): [(lines[clip, a], lines[clip, b]) for clip, c in lines if c == a and (clip, b) in lines]
        for a, b in _pairs(report)
    }
    matched = {pair: rows for pair, rows in matched.items() if rows}
    if not matched:
        return ("No match table came with this report: whether levels were equal cannot be checked from it.",)
    name = {"heard": "the loudness of what is heard", "file": "the loudness of the files", "1khz": "the level at 1 kHz"}
    text = f"Levels were matched by {name.get(report.rendering.match, clean(report.rendering.match))}"
    if report.rendering.heard and report.rendering.match == "heard":
        text += f" (here: {clean(report.rendering.heard)})"
    worst = max(abs(x.heard_after - y.heard_after) for rows in matched.values() for x, y in rows)
    out = [
        f"{text}. Measured again on the written files, the heard loudness of "
        f"{'any two compared' if len(matched) > 1 else 'the two'} differs by at most {number(worst, 3)} LU on any clip."
    ]
    for (a, b), rows in matched.items():
        others = []
        for measure, field in _MEASURES:
            apart = [getattr(x, field) - getattr(y, field) for x, y in rows]
            others.append(f"{measure} {decibel(min(apart))} to {decibel(max(apart))} dB")
        first, second = short_names([report.name_of(a), report.name_of(b)])
        out.append(f"By other measures {first} was, relative to {second}, over the clips: {'; '.join(others)}.")
    claimed = [one.matched for one in report.of_kind("matched") if one.matched is not None]
    for settings in (*claimed, *report.settings):
        out += cross_check(settings.named(report.names))
    out.append(
        "Sounds that differ in spectrum have no single equal level, and “equally loud” is itself a model: who prefers "
        "another of these measures can read here how far it disagrees."
    )
    return tuple(out)


def _clips(report: ReportInput) -> tuple[str, ...]:
    if not report.clips:
        return ("The report came without facts about its clips.",)
    by: dict[tuple[str, str], list[str]] = {}
    for clip in report.clips:
        by.setdefault((clean(clip.chosen_by), clean(clip.chosen)), []).append(clean(clip.title or clip.id))
    out = []
    for (who, day), names in by.items():
        text = f"{', '.join(names)}: chosen by {who or 'somebody who is not named'}"
        out.append(text + (f" on {day}." if day else "; the day was not recorded."))
    chosen = [moment for moment in timeline(report) if moment.kind == "clip chosen"]
    said = next((moment for moment in timeline(report) if moment.kind == "impression"), None)
    if chosen and said is not None:
        out.append(_chosen_before(chosen, said))
    out.append("What was heard on these clips says nothing certain about other music.")
    return tuple(out)


def _chosen_before(chosen: Sequence[Moment], said: Moment) -> str:
    order = [before(one, said) for one in chosen]
    if all(order):
        return "All of them were chosen before the impression was put on record."
    if any(one is None for one in order):
        return "Some were chosen on the day of the impression; which came first is not recorded."
    return "Not all of them were chosen before the impression was put on record: music may have been picked to fit it."


def _known(report: ReportInput) -> tuple[str, ...]:
    out = list(order_on_record(report))
    for place, one in enumerate(report.impressions, start=1):
        which = "the impression" if len(report.impressions) == 1 else f"impression {place}"
        if not one.withheld:
            known = ", ".join(map(clean, one.known)) or "nothing was named"
            worn = f"; the unit had been worn for {clean(one.worn)}" if one.worn else ""
            out.append(f"Known when {which} was put on record: {known}{worn}.")
    if report.impressions:
        out.append("Who knows name, price or graph can hear them in the sound; that is why the test is blind.")
    return tuple(out)


def _claims(report: ReportInput) -> tuple[str, ...]:
    sealed = report.seal.sealed_at
    if report.seal.grade == "unsealed":
        out = ["Nothing was sealed: that claim, margin and analysis came before the answers rests on a word."]
    else:
        out = [
            "Claims, margins, analysis and the number of sittings were sealed"
            + (f" at {when(sealed)}, by the organiser's clock," if sealed is not None else "")
            + " before the first trial."
        ]
    roles = [one.claim.role for one in report.answers]
    if len(roles) > 1:
        out.append(
            f"{plural(len(roles), 'claim')}: {roles.count('primary')} primary, {roles.count('confirmatory')} further "
            f"confirmatory (corrected by Holm), {roles.count('exploratory')} exploratory; all of them are printed."
        )
    for one in report.answers:
        if failing := failing_words(one):
            which = "The claim" if len(roles) == 1 else f"The claim {clean(one.claim.id)}"
            out.append(f"{which} could fail: {failing}.")
    return tuple(out)


def _recognition(report: ReportInput) -> tuple[str, ...]:
    out = [
        recognition_words(one.rated.recognition[-1])
        for one in report.of_kind("rated")
        if one.rated is not None and one.rated.recognition
    ]
    out += [
        recognition_words(one.unreliable.recognition[-1])
        for one in report.of_kind("rated")
        if one.unreliable is not None and one.unreliable.recognition
    ]
    if report.recognition and not out:
        out = [clean(report.recognition)]
    if out:
        return tuple(dict.fromkeys(out))
    if report.of_kind("rated") or report.of_kind("preferred"):
        return (
            "It was not asked, or not answered: whether anybody knew by ear which one it was is not known from this "
            "test.",
        )
    return (
        "Whether listeners recognised a device was not asked; for the question whether any difference is heard, it "
        "need not be.",
    )


def _rendering(report: ReportInput) -> tuple[str, ...]:
    out = list(left_out(report)[:2])
    for one in report.of_kind("rated"):
        if one.rated is not None and one.rated.worn is not None:
            a, b = short_names([report.name_of(one.claim.device), report.name_of(one.claim.comparator)])
            out.append(worn_words(one.rated, a, b))
    return tuple(out)


def _seal(report: ReportInput) -> tuple[str, ...]:
    return (
        f"Found: {report.seal.grade}. {seal_words(report)[0]}",
        *stamp_words(report),
        "What it does not show stands under “Seal and register”.",
    )


def _counting(report: ReportInput) -> tuple[str, ...]:
    counted = report.counted_trials()
    answered = sum(trial.answered for trial in counted)
    states = {state: sum(s.state == state for s in report.sittings) for state in ("finished", "abandoned", "open")}
    planned = sum(sitting.planned for sitting in report.sittings)
    out = [
        f"In the register: {plural(len(report.sittings), 'sitting')}, of which {states['finished']} finished, "
        f"{states['abandoned']} abandoned, {states['open']} still open; {plural(planned, 'counted trial')} planned, "
        f"{answered} answered. Plans sealed in this folder: {report.seal.plans_sealed}; in folders it came from: "
        f"{report.seal.plans_before}."
    ]
    withdrawn = [sitting for sitting in report.sittings if sitting.withdrawn]
    if withdrawn:
        out.append(
            f"{sum(one.planned for one in withdrawn)} of these trials stood in {plural(len(withdrawn), 'sitting')} "
            "whose listeners had everything erased: they count neither way. What was answered there is gone."
        )
    if report.consent is not None:
        out += consent_words(report.consent)
    results = None if report.heard is None else report.heard.heard
    if results is None:
        return (*out, *_unanswered_choices(report))
    if results.unanswered == 0:
        out.append("No counted trial stayed unanswered, so there is nothing to count both ways.")
    elif results.unanswered_as_wrong is not None and results.unanswered_as_right is not None:
        wrong, right = results.unanswered_as_wrong, results.unanswered_as_right
        left_out = "; left out: nothing is left"
        if not results.nothing_answered:
            left_out = (
                f"; left out: {results.pooled.correct} of {results.pooled.trials} "
                f"({percent(results.pooled.proportion, 1)})"
            )
        out.append(
            f"{plural(results.unanswered, 'counted trial')} stayed unanswered. Counted as wrong: {wrong.correct} of "
            f"{wrong.trials} right ({percent(wrong.proportion, 1)}); counted as right: {right.correct} of "
            f"{right.trials} ({percent(right.proportion, 1)}){left_out}. The conclusion is drawn with them against it."
        )
    else:
        out.append(f"{plural(results.unanswered, 'counted trial')} stayed unanswered.")
    return (*out, *_unanswered_choices(report))


def _unanswered_choices(report: ReportInput) -> tuple[str, ...]:
    out = []
    out += [text for one in report.of_kind("heard") if one.stopped is not None for text in stopped_open(one.stopped)]
    for one in report.of_kind("preferred"):
        facts = one.preferred
        if facts is not None and facts.unanswered:
            out.append(
                f"{plural(facts.unanswered, 'counted pair')} stayed unanswered. Counted against the device: "
                f"{facts.against.wins} of {facts.against.decided}; for it: {facts.favouring.wins} of "
                f"{facts.favouring.decided}; left out: {facts.answered.wins} of {facts.answered.decided}. The "
                "conclusion is drawn with them against it."
            )
    for one in report.of_kind("attribute"):
        if one.scaled is not None and one.scaled.decisive.unanswered:
            out.append(unanswered_words(one.scaled.decisive))
        more = None if one.attribute is None else one.attribute.conclusion
        if more is not None and more.unanswered:
            out.append(
                f"{plural(more.unanswered, 'counted trial')} stayed unanswered. Counted as wrong: {more.correct} of "
                f"{more.trials + more.unanswered} right; as right: {more.correct + more.unanswered}; left out: "
                f"{more.correct} of {more.trials}. The conclusion is drawn with them against it."
            )
    return tuple(out)


def left_out(report: ReportInput) -> tuple[str, ...]:
    """Return what listeners could not have heard, because rendering leaves it out."""
    rendering = report.rendering
    measured = any(condition.from_measurement for condition in report.conditions)
    out = []
    if report.hardware is not None:
        out.append(hardware_left_out(report.hardware))
    elif measured:
        band = rendering.trusted_band_hz
        out.append("Devices are compared as rendered from measurement, not as worn or placed.")
        out.append(
            "Left out: movements of the head; the listener's own head, ears and ear canals; nonlinearity and noise; "
            "looks, and sound felt by the body."
            if rendering.rooms
            else "Left out: leakage on the listener's own head; differences between ears above about 8 to 10 kHz; "
            "nonlinearity "
            "(distortion), unless a condition names it; weight, touch, looks, and spatial cues that a "
            "magnitude response "
            "does not hold."
        )
        if band is not None:
            out.append(
                f"The measurements are trusted from {frequency_words(band[0])} to {frequency_words(band[1])}; "
                "outside that "
                "band all conditions share one curve, so nothing is claimed about it."
            )
        else:
            out.append("No trusted band was given for the measurements.")
    elif report.corrections:
        out.append(
            "No device was imitated; the correction was designed from measurements of the unit named, so it fits "
            "another specimen, or another place on the head, less well, and the comparison holds for these files."
        )
    else:
        out.append(
            "Nothing was rendered from measurement: the conditions are recordings or clips as they are, so the "
            "comparison "
            "holds for these files."
        )
    if rendering.own_equipment:
        out.append(OWN_EQUIPMENT)
    if rendering.player == "browser":
        out.append(
            "Stimuli were played by a web browser: what its sound system does after the page (mixing, resampling, "
            "enhancements) was the same for all stimuli but was not measured, and a listener set on cheating "
            "could have "
            "compared samples."
        )
    return tuple(out)
