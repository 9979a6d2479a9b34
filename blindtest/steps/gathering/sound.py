"""What was heard, gathered for the report: conditions, units, clips, curves, corrections, the match table."""

from dataclasses import asdict
from typing import TYPE_CHECKING, Any

import numpy as np

from blindtest.errors import BlindtestError
from blindtest.render import Rendered
from blindtest.report import (
    OWN_LEVEL,
    ClipFacts,
    ConditionFacts,
    CorrectionFacts,
    MatchLine,
    RenderingFacts,
    ResponseCurve,
    UnitFacts,
    typeset,
)
from blindtest.steps.answers.study import Answers
from blindtest.steps.corrections import correction_in_chain, designed
from blindtest.steps.hardware import hardware_chain
from blindtest.steps.panel.playback import panel_moves_words, panel_playback_notes, panel_playback_words
from blindtest.steps.playback import loopback_words, playback_words, played_by_device
from blindtest.steps.recordings import aligned_recordings
from blindtest.steps.second_rate import rates_heard
from blindtest.steps.sitting_level import gains_of, level_of_study, played_words
from blindtest.steps.stimulus_reading import stimulus_samples
from blindtest.study import (
    Study,
    Unit,
    compared,
    full_scale_spl,
    labels,
    loudspeaker_route,
    render_job,
    rooms_of,
    unit_averages,
    unit_response,
)

if TYPE_CHECKING:
    from blindtest.session.record import Record


__all__ = [
    "LOCKED_WORDS",
    "clip_facts",
    "condition_facts",
    "corrections",
    "device_of",
    "match_line",
    "playback_unit",
    "played",
    "rendering_facts",
    "response_curves",
    "unit_facts",
]

LOCKED_WORDS = (
    "its plan and answers lie under a helper's passphrase that was not given; all its trials count as unanswered"
)
AVERAGED = {"level": "in dB", "power": "by power"}
"""How seatings were averaged, in words."""


def device_of(study: Study, condition: str) -> str:
    """Return the unit whose response a condition applies; '' for none."""
    stages = next(one for one in study.conditions if one.id == condition).stages
    return next((stage.response for stage in stages if stage.response), "")


def playback_unit(study: Study) -> str:
    """Return the unit that is listened through; '' for none."""
    return study.playback.unit if study.playback else ""


def condition_facts(study: Study, name: str) -> ConditionFacts:
    """Return what a condition applies to the clip, stage by stage, in words."""
    condition = next(one for one in study.conditions if one.id == name)
    chain = []
    for stage in condition.stages:
        if stage.response is not None:
            unit = study.unit(stage.response)
            seating = (
                f"its seatings averaged {AVERAGED[unit.seating_mean]}"
                if stage.seating is None
                else f"seating {stage.seating} alone"
            )
            chain.append(f"the measured response of {unit.name}, {seating}, left and right alike")
        elif stage.gain_db is not None:
            chain.append(f"a deliberate level offset of {stage.gain_db:+g} dB after matching")
        elif stage.recording is not None:
            chain.append("an existing recording in place of the clip" + (", aligned in time" if stage.align else ""))
        elif (own := stage.correction) is not None:
            chain.append(correction_in_chain(study, own))
        elif stage.imbalance is not None:
            name_of_unit = study.unit(stage.imbalance).name
            chain.append(f"what left and right of {name_of_unit} differ by, half on each ear, seatings averaged")
        elif stage.binaural_response is not None:
            pair = study.unit(stage.binaural_response)
            place = f", {pair.position}" if pair.position else ""
            chain.append(f"both loudspeakers of {pair.name} at both ears, as measured with a head in the room{place}")
        elif stage.excess_phase is not None:
            unit = study.unit(stage.excess_phase)
            chain.append(
                f"the measured phase of {unit.name} beyond minimum phase, seatings and ears averaged, without its delay"
            )
        elif (bent := stage.harmonics) is not None:
            more = f", {bent.scale_db:+g} dB" if bent.scale_db else ""
            chain.append(
                f"the harmonics of {study.unit(bent.unit).name} as measured{more}, {bent.polarity} polarity, filters "
                f"{bent.filters} the nonlinearity, a full-scale sine at {bent.full_scale_db:g} dB of its table; "
                "intermodulation as the model predicts"
            )
        elif (source := stage.source_impedance) is not None:
            chain.append(f"a source of {source.ohm:g} ohm ahead of the impedance of {study.unit(source.unit).name}")
        elif stage.lowpass_hz is not None:
            chain.append(f"a low-pass at {stage.lowpass_hz:g} Hz (ITU-R BS.1534-3, 5.1)")
        elif stage.tilt_db_per_octave is not None:
            chain.append(f"a tilt of {stage.tilt_db_per_octave:+g} dB per octave")
        elif (hump := stage.hump) is not None:
            chain.append(f"a hump of {hump.gain_db:+g} dB at {hump.frequency_hz:g} Hz, Q {hump.q:g}")
        elif (shelf := stage.shelf) is not None:
            side = "below" if shelf.type == "low" else "above"
            chain.append(f"a shelf of {shelf.gain_db:+g} dB {side} {shelf.frequency_hz:g} Hz, Q {shelf.q:g}")
    device = device_of(study, name)
    chain += hardware_chain(study, name)
    return ConditionFacts(
        id=name,
        name=name if condition.decoy else labels(study)[name],
        chain=tuple(chain),
        from_measurement=bool(device) or any(stage.binaural_response for stage in condition.stages),
        anchor=condition.anchor or "",
        decoy=condition.decoy,
        label=condition.label,
    )


def corrections(study: Study, rendered: Rendered) -> tuple[CorrectionFacts, ...]:
    """Return every correction of the study as designed, at the rate of its first clip; its files at all rates."""
    made = designed(study, rendered.rates)
    first = next(iter(rendered.rates.values()), 0)
    return tuple(
        CorrectionFacts.of(
            one.correction,
            condition=one.condition,
            unit=one.unit,
            target=one.target,
            files=tuple(
                dict.fromkeys(name for other in made if other.condition == one.condition for name in other.file_names)
            ),
        )
        for one in made
        if one.correction.rate == first
    )


def rendering_facts(study: Study, rendered: Rendered, answers: Answers, store: "Record") -> RenderingFacts:
    """Return how conditions were made audible, and what played them."""
    filtered = any(device_of(study, one) for one in compared(study)) or bool(rooms_of(study))
    playback = study.unit(study.playback.unit).name if study.playback else ""
    field = ""
    if study.playback and study.unit(study.playback.unit).reference_point == "eardrum":
        field = study.playback.field_curve or "ISO 11904-1, diffuse field (an average of real ears, not this rig's own)"
    return RenderingFacts(
        over=study.rendering.over if filtered else "",
        route=loudspeaker_route(study),
        rooms=bool(rooms_of(study)),
        phase="minimum phase, each with a room's four impulse responses behind it"
        if rooms_of(study)
        else "minimum phase",
        playback=playback,
        field=field,
        max_boost_db=study.playback.max_boost_db if study.playback and filtered else None,
        trusted_band_hz=rendered.trusted_band_hz if filtered else None,
        taps=tuple(sorted({(curve.rate, curve.taps) for curve in rendered.filters.values() if curve.taps > 1})),
        match=study.rendering.match,
        heard=rendered.heard,
        ceiling_dbtp=study.rendering.ceiling_dbtp,
        rate_hz=study.rendering.rate_hz,
        player="device" if _all_by_device(study, store, answers) else "browser",
        played=_what_played(study, store, answers, rendered),
        notes=(*rates_heard(answers.sittings), *_playback_notes(study, store, answers)),
        recordings=_recordings(study, rendered),
        own_equipment=study.panel is not None,
    )


def _recordings(study: Study, rendered: Rendered) -> tuple[str, ...]:
    try:
        aligned = aligned_recordings(render_job(study), rendered)
    except BlindtestError:
        # A file is gone since it was rendered; what was heard is all there, and tells the rest.
        return ()
    return tuple(typeset(one.told) for one in aligned if one.told)


def _all_by_device(study: Study, store: "Record", answers: Answers) -> bool:
    routed = study.hardware is not None and study.hardware.route == "outputs"
    return routed or played_by_device(store, [one.entry.number for one in answers.sittings])


def _what_played(study: Study, store: "Record", answers: Answers, rendered: Rendered) -> tuple[str, ...]:
    if study.panel is not None:
        own = {one.entry.number: rate for one in answers.sittings if (rate := one.plan.record.get("rate_hz"))}
        words = panel_playback_words(store, _numbers(answers), sorted({s.rate for s in rendered.stimuli}), own)
        return (*words, *panel_moves_words(store))
    said = [words for one in answers.sittings for words in playback_words(store, one.entry.number)]
    return (*said, *loopback_words(store, rendered)) if said else ()


def _numbers(answers: Answers) -> list[int]:
    return [one.entry.number for one in answers.sittings]


def _playback_notes(study: Study, store: "Record", answers: Answers) -> tuple[str, ...]:
    if study.panel is not None:
        return panel_playback_notes(store, _numbers(answers))
    notes = []
    for one in answers.sittings:
        kinds = sorted({str(e["kind"]) for e in store.events(one.entry.number) if e.get("event") == "faulted"})
        if kinds:
            notes.append(f"sitting {one.entry.number}: playback reported {', '.join(kinds)}")
    return tuple(notes)


def unit_facts(study: Study, unit: Unit) -> UnitFacts:
    """Return what is known of a measured unit."""
    averages = unit_averages(study, unit).values()
    at_ears = unit.binaural if unit.id in rooms_of(study) else None
    return UnitFacts(
        id=unit.id,
        name=unit.name,
        kind=unit.kind,
        serial_suffix=unit.serial_suffix,
        revision=unit.revision,
        rig=unit.rig if at_ears is None else at_ears.rig,
        measured=unit.measured.isoformat() if unit.measured else "",
        level=unit.level,
        reference_point=unit.reference_point if at_ears is None else at_ears.reference_point,
        seatings=min((average.seatings for average in averages), default=None),
        trusted_band_hz=unit.trusted_band_hz,
        remarks=tuple(dict.fromkeys(remark for average in averages for remark in average.response.remarks)),
    )


def clip_facts(study: Study, rendered: Rendered, name: str, answers: Answers) -> ClipFacts:
    """Return what is known of a clip, and how loud it plays."""
    clip = study.clip(name)
    loudness = [one.loudness for one in rendered.stimuli if one.clip == name]
    return ClipFacts(
        id=clip.id,
        title=clip.title,
        file=clip.file,
        in_s=clip.in_s,
        out_s=clip.out_s,
        chosen_by=clip.chosen_by,
        chosen=clip.chosen.isoformat() if clip.chosen else "",
        licence=clip.licence,
        sha256=str(answers.seal.record["files"].get(clip.file, "")),
        rate_hz=rendered.rates.get(name),
        loudness_lufs=round(sum(loudness) / len(loudness), 2) if loudness else None,
    )


def response_curves(study: Study) -> tuple[ResponseCurve, ...]:
    """Return the measured responses of the units compared, with the spread over seatings."""
    curves = []
    for condition in compared(study):
        device = device_of(study, condition)
        if not device:
            continue
        unit = study.unit(device)
        response, averages = unit_response(study, unit), unit_averages(study, unit).values()
        seatings = min(average.seatings for average in averages)
        spread = None
        if seatings > 1:
            spread = np.mean(
                [np.interp(response.frequency, a.response.frequency, a.spread.mean(axis=1)) for a in averages], axis=0
            )
        curves.append(
            ResponseCurve(
                name=unit.name,
                frequency=response.frequency,
                level_db=response.magnitude[:, 0],
                spread_db=spread,
                seatings=seatings,
            )
        )
    return tuple(curves)


def match_line(row: Any) -> MatchLine:
    """Return a row of the match table as the report holds it."""
    held = {name: value for name, value in asdict(row).items() if name in MatchLine.__dataclass_fields__}
    return MatchLine(**held)


def played(study: Study, rendered: Rendered, store: "Record", answers: Answers) -> str:
    """Return at which level the sittings played, in words."""
    if study.panel is not None:
        return OWN_LEVEL
    level = None
    if full_scale_spl(study) is not None:
        level = level_of_study(study, render_job(study), rendered, stimulus_samples)
    return played_words(level, gains_of(store, [one.entry.number for one in answers.sittings]))
