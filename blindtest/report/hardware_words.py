"""Real units in words: which route, what the operator knew, how the units were matched, what nobody can verify."""

from statistics import median

from blindtest.report.hardware_facts import HardwareFacts
from blindtest.report.words import clean, number, plural

__all__ = ["hardware_left_out", "hardware_level", "switching_words", "unit_words"]

MATCH_DB = 0.1


def hardware_level(facts: HardwareFacts) -> tuple[str, ...]:
    """Return what a doubter asks first: how far apart the units were."""
    out = [
        "Real units were compared, fed with the same clip at the same level; what each made of it was matched by "
        "voltage."
    ]
    if facts.apart_db:
        parts = ", ".join(f"{number(db, 3)} dB at {_hz(hz)}" for hz, db in sorted(facts.apart_db.items()))
        how = f" ({clean(facts.measured_with)})" if facts.measured_with else ""
        trimmed = ", after the program's trims" if facts.trimmed else ""
        out.append(f"By the voltages that were entered{how} they were at most this far apart{trimmed}: {parts}.")
    else:
        out.append("No voltages were entered: how loud they were against each other is not known.")
    if facts.trimmed:
        trims = ", ".join(f"{clean(one.unit)} {number(one.trim_db, 2)} dB" for one in facts.units)
        out.append(f"Trims, one gain for all channels of a unit: {trims}.")
    if facts.accept_unmatched:
        out.insert(
            0,
            f"The units are not known to be matched within {MATCH_DB:g} dB at 100 Hz, 1 kHz and 10 kHz. This was "
            f"accepted beforehand, for this reason: {clean(facts.accept_unmatched)}. The louder of two equal sounds "
            "tends to win, so any difference found may be one of level.",
        )
    out.append("Voltages were entered by hand; nothing in the record proves them.")
    return tuple(out)


def _hz(frequency: int) -> str:
    return f"{frequency // 1000} kHz" if frequency >= 1000 else f"{frequency} Hz"


def switching_words(facts: HardwareFacts) -> tuple[str, ...]:
    """Return who switched the units, what they knew, and what is on record of it."""
    if facts.route == "outputs":
        return (
            "Each unit hung on outputs of its own of one sound device: "
            + "; ".join(f"{clean(one.unit)} on {_outputs(one.outputs)}" for one in facts.units)
            + f". Switched with: {clean(facts.switch)}. The program sent the programme to one of them at a time, with "
            "the same fades whichever it was (5 ms out, 5 ms in); nobody had to know which.",
            "That the units were connected as written can't be verified from the record.",
        )
    return (*_operator(facts), *_on_record(facts))


def _outputs(outputs: tuple[int, ...]) -> str:
    return ("output " if len(outputs) == 1 else "outputs ") + " and ".join(map(str, outputs))


def _operator(facts: HardwareFacts) -> tuple[str, ...]:
    knew = (
        "The operator knew which unit was connected: the test was blind for the listener, not double blind."
        if facts.operator_knows
        else "The operator read neutral names of connections and, by the study file, did not know which unit was "
        "behind which: the test was double blind as far as that holds."
    )
    where = {
        "another room": "The operator was in another room.",
        "behind a screen": "The operator was behind a screen in the listener's room.",
        "in sight": "The operator was in the listener's sight: what face, hands and haste may have told is not known.",
    }.get(facts.operator_place, "Where the operator was is not on record.")
    return (
        "An operator connected the units by a page of their own: "
        + "; ".join(f"{clean(one.unit)} at “{clean(one.connect)}”" for one in facts.units)
        + f". Switched with: {clean(facts.switch)}.",
        knew,
        where,
        "The operator's page showed connections only, never which sound of a trial was asked for and never an answer; "
        "the listener's page showed nothing of the operator's. Every connection began with everything open, also where "
        "the same unit followed, and its sound came after a time that did not depend on the unit.",
    )


def _on_record(facts: HardwareFacts) -> tuple[str, ...]:
    out = []
    if facts.connections:
        late = (
            f" {plural(facts.late, 'of them was', 'of them were')} not ready within the {facts.switch_s:g} s that each "
            "sound was waited for: then the listener waited as long again."
            if facts.late and facts.switch_s
            else ""
        )
        out.append(
            f"{plural(len(facts.connections), 'connection')} on record; the operator took "
            f"{number(median(facts.connections), 1)} s for half of them, at most {number(max(facts.connections), 1)} s."
            + late
        )
    if facts.mistakes:
        out.append(
            f"The operator reported {plural(facts.mistakes, 'wrong connection')}: trials not yet answered were offered "
            "again."
        )
    out.append(
        "Not to be verified from the record: that each connection was made as the page said, and that no sound of a "
        "switch, no look and no word told which it was. Memory for sound fades over such pauses: a small difference is "
        "missed more easily than with immediate switching."
    )
    return tuple(out)


def unit_words(unit: str, connect: str, outputs: tuple[int, ...]) -> str:
    """Return what a condition's chain says of its real unit."""
    place = f"connected at “{connect}”" if connect else f"on {_outputs(outputs)} of the sound device"
    return f"heard through the real unit {unit}, {place}"


def hardware_left_out(facts: HardwareFacts) -> str:
    """Return which route this was: nothing of the units was rendered."""
    how = "by an operator (an assisted sitting)" if facts.route == "operator" else "by the program, over outputs"
    return (
        f"Nothing was rendered: the real units were heard, switched {how}. The result holds for these specimens, as "
        "they were connected and loaded here."
    )
