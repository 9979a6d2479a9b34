"""What a doubter asks, answered from data: level, clips, counting, what could have been missed, what a seal shows."""

from blindtest.report.facts import ReportInput
from blindtest.report.words import clean, decibel, frequency_words, number, percent, plural, short_names, when

__all__ = ["doubts", "left_out", "seal_limits", "seal_words"]


def doubts(report: ReportInput) -> tuple[tuple[str, tuple[str, ...]], ...]:
    """Return (question, sentences that answer it) pairs, in the order in which doubts come up."""
    return (
        ("Was one of them simply louder?", _level(report)),
        ("Who chose the music, and when?", _clips(report)),
        ("Were bad runs left out?", _counting(report)),
        ("Could the listeners hear anything at all?", _controls(report)),
        ("What could have been missed?", _missed(report)),
    )


_MEASURES = (
    ("by the file's loudness", "file_after"),
    ("A-weighted", "a_weighted_after"),
    ("by plain r.m.s.", "rms_after"),
)


def _level(report: ReportInput) -> tuple[str, ...]:
    a, b = report.compared
    lines = {(line.clip, line.condition): line for line in report.match}
    pairs = [(lines[clip, a], lines[clip, b]) for clip, condition in lines if condition == a and (clip, b) in lines]
    if not pairs:
        return ("No match table came with this report: whether levels were equal cannot be checked from it.",)
    name = {"heard": "the loudness of what is heard", "file": "the loudness of the files", "1khz": "the level at 1 kHz"}
    text = f"Levels were matched by {name.get(report.rendering.match, clean(report.rendering.match))}"
    if report.rendering.heard and report.rendering.match == "heard":
        text += f" (here: {clean(report.rendering.heard)})"
    worst = max(abs(x.heard_after - y.heard_after) for x, y in pairs)
    first = (
        f"{text}. Measured again on the written files, the heard loudness of the two differs by at most "
        f"{number(worst, 3)} LU on any clip."
    )
    others = []
    for measure, field in _MEASURES:
        apart = [getattr(x, field) - getattr(y, field) for x, y in pairs]
        others.append(f"{measure} {decibel(min(apart))} to {decibel(max(apart))} dB")
    first_name, second_name = short_names([report.name_of(a), report.name_of(b)])
    second = (
        f"By other measures {first_name} was, relative to {second_name}, over the clips: "
        f"{'; '.join(others)}. Sounds that differ in spectrum have no single equal level, and “equally loud” "
        "is itself a "
        "model: who prefers another of these measures can read here how far it disagrees."
    )
    return first, second


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
    out.append("What was heard on these clips says nothing certain about other music.")
    return tuple(out)


def _counting(report: ReportInput) -> tuple[str, ...]:
    counted = report.counted_trials()
    answered = sum(trial.correct is not None for trial in counted)
    states = {state: sum(s.state == state for s in report.sittings) for state in ("finished", "abandoned", "open")}
    planned = sum(sitting.planned for sitting in report.sittings)
    out = [
        f"In the register: {plural(len(report.sittings), 'sitting')}, of which {states['finished']} finished, "
        f"{states['abandoned']} abandoned, {states['open']} still open; {plural(planned, 'counted trial')} planned, "
        f"{answered} answered. Plans sealed in this folder: {report.seal.plans_sealed}; in folders it came from: "
        f"{report.seal.plans_before}."
    ]
    results = report.results
    if results is None:
        return tuple(out)
    if results.unanswered == 0:
        out.append("No counted trial stayed unanswered, so there is nothing to count both ways.")
    elif results.unanswered_as_wrong is not None and results.unanswered_as_right is not None:
        wrong, right = results.unanswered_as_wrong, results.unanswered_as_right
        out.append(
            f"{plural(results.unanswered, 'counted trial')} stayed unanswered. Counted as wrong: {wrong.correct} of "
            f"{wrong.trials} right ({percent(wrong.proportion, 1)}); counted as right: {right.correct} of "
            f"{right.trials} "
            f"({percent(right.proportion, 1)}); left out: {results.pooled.correct} of {results.pooled.trials} "
            f"({percent(results.pooled.proportion, 1)}). The conclusion is drawn with them against it."
        )
    else:
        out.append(f"{plural(results.unanswered, 'counted trial')} stayed unanswered.")
    return tuple(out)


def _controls(report: ReportInput) -> tuple[str, ...]:
    out = [clean(control) for control in report.controls] or [
        "This protocol held no control trials (a difference known to be audible, the same sound twice), so a "
        "score near guessing cannot be told from a listener or a chain that would have missed anything."
    ]
    out.append(
        clean(report.recognition)
        if report.recognition
        else "Whether listeners recognised a device was not asked; for the question whether any difference is "
        "heard, it need not be."
    )
    return tuple(out)


def _missed(report: ReportInput) -> tuple[str, ...]:
    plan, out = report.plan, []
    if plan is not None and plan.detectable is not None:
        share, chance = plan.detectable
        out.append(
            f"Differences heard on fewer than {percent(share)} of trials: the plan would have told them from "
            f"guessing with a chance of less than {percent(chance)}."
        )
    if report.results is not None:
        pooled = report.results.pooled
        out.append(
            f"With {percent(pooled.level)} confidence, the answers leave room for any share of trials heard from "
            f"{percent(pooled.share_interval[0], 1)} to {percent(pooled.share_interval[1], 1)}."
        )
    out.append("Differences that need longer listening, other programme, another level or other ears than these.")
    return tuple(out)


def left_out(report: ReportInput) -> tuple[str, ...]:
    """Return what listeners could not have heard, because rendering leaves it out."""
    rendering = report.rendering
    measured = any(condition.from_measurement for condition in report.conditions)
    out = []
    if measured:
        band = rendering.trusted_band_hz
        out.append("Devices are compared as rendered from measurement, not as worn or placed.")
        out.append(
            "Left out: leakage on the listener's own head; differences between ears above about 8 to 10 kHz; "
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
    else:
        out.append(
            "Nothing was rendered from measurement: the conditions are recordings or clips as they are, so the "
            "comparison "
            "holds for these files."
        )
    if rendering.player == "browser":
        out.append(
            "Stimuli were played by a web browser: what its sound system does after the page (mixing, resampling, "
            "enhancements) was the same for all stimuli but was not measured, and a listener set on cheating "
            "could have "
            "compared samples."
        )
    return tuple(out)


def seal_words(report: ReportInput) -> tuple[str, ...]:
    """Return what the seal shows here."""
    seal = report.seal
    words = {
        "consistent": (
            "Plans, answers and their chain agree with each other and with their commitments. Nothing outside "
            "this folder "
            "vouches for when they were made."
        ),
        "anchored": (
            "Plans, answers and chain agree, and their commitments were seen elsewhere before the first answer "
            "and after "
            "the last one: this plan existed before anybody listened, and the answers have not changed since."
        ),
        "witnessed": (
            "Plans, answers and chain agree, their commitments were seen elsewhere before and after, and "
            "somebody other "
            "than the listener held the plan."
        ),
        "broken": (
            "Verification found contradictions, listed below. Until they are explained, the result should not be "
            "relied on."
        ),
        "unsealed": "No seal was made: that the trials were drawn beforehand rests on the word of whoever ran them.",
    }
    out = [words[seal.grade]]
    if seal.sealed_at is not None:
        out.append(f"By the organiser's own clock the study was sealed at {when(seal.sealed_at)}.")
    out += [f"Seen elsewhere: {clean(place)}." for place in seal.published]
    return tuple(out)


def seal_limits(report: ReportInput) -> tuple[str, ...]:
    """Return what the seal does not show."""
    out = []
    if report.seal.grade in ("consistent", "unsealed", "broken"):
        out.append(
            "That the plan was not drawn again until one suited, and that no other sitting was held and left "
            "unmentioned: "
            "for that the commitments must be published elsewhere before anybody listens."
        )
    else:
        out.append("That no other study was sealed, run and left unmentioned elsewhere.")
    if report.seal.listener_could_read:
        out.append("The listener could have read the plan: it lay on a machine within reach.")
    out.append(
        "A seal stops accident and self-deception. A determined owner of the machine is stopped only by "
        "commitments seen "
        "elsewhere and a plan kept by somebody else."
    )
    return tuple(out)
