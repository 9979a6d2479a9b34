"""Everything a report says, gathered from the study, its stimuli and its record."""

import platform
import sys
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field, replace
from datetime import datetime
from importlib.metadata import PackageNotFoundError, version
from typing import TYPE_CHECKING, Any

import numpy as np

from blindtest import __version__
from blindtest.design import Block, PlannedTrial
from blindtest.methods import METHODS, Drawn, Outcome
from blindtest.render import Rendered
from blindtest.report import (
    AttributeFacts,
    AttributeListenerFacts,
    BlockFacts,
    ClaimFacts,
    ClaimResult,
    ClipFacts,
    ConditionFacts,
    CorrectionFacts,
    FilterCurve,
    FindingFacts,
    ImpressionFacts,
    LimitFacts,
    ListenedFacts,
    ListenedPlan,
    MatchLine,
    PlanFacts,
    PreferenceFacts,
    PreferencePlanFacts,
    PreferenceTruth,
    ProtocolFacts,
    RatedFacts,
    RatingFacts,
    RatingTruth,
    RecognitionFacts,
    RenderingFacts,
    ReportInput,
    ResponseCurve,
    Results,
    SealFacts,
    SittingFacts,
    StoppedFacts,
    SurvivalPlanFacts,
    Tested,
    ThresholdFacts,
    TrialFacts,
    Truth,
    UnitFacts,
    UnreliablePlan,
    UnreliableTruth,
)
from blindtest.session import FIRST_ATTEMPT
from blindtest.stats import DECISION_RULES, AttributeChances, Companion, Conclusion, SurvivalPower, survival_power
from blindtest.steps.answers import Answers, ClaimAnswers, HeardAnswers, SittingAnswers
from blindtest.steps.chains import chains
from blindtest.steps.controls import controls_words
from blindtest.steps.corrections import correction_in_chain, designed
from blindtest.steps.hardware import hardware_chain, hardware_facts
from blindtest.steps.listening import stimulus_samples
from blindtest.steps.playback import loopback_words, playback_words, played_by_device
from blindtest.steps.reseating import reseating_words
from blindtest.steps.sealing import STOPPING
from blindtest.steps.sitting_level import gains_of, level_of_study, played_words
from blindtest.steps.stopped_answers import trials_met
from blindtest.steps.unreliable_gathering import REFUTED_BY_SOUND, unreliable_facts, unreliable_plan_facts
from blindtest.steps.verification import Verified
from blindtest.study import (
    ScaleReach,
    StageReach,
    Study,
    Unit,
    compared,
    full_scale_spl,
    labels,
    read_origin,
    render_job,
    tested_clips,
    unit_averages,
    unit_response,
)

if TYPE_CHECKING:
    from blindtest.session.store import Store

__all__ = ["CAUTIONS", "Truths", "gathered"]

CAUTIONS = (
    "Before the first sound listeners were told to start low, to set their own volume during the level step, and then "
    "to leave it alone; the first play fades in.",
    "Long listening at high level damages hearing for good. Local rules and licensed practice come before anything "
    "said here.",
)
LOCKED_WORDS = (
    "its plan and answers lie under a helper's passphrase that was not given; all its trials count as unanswered"
)
PLAN_SEED = 20_260_304
AVERAGED = {"level": "in dB", "power": "by power"}
"""How seatings were averaged, in words."""
"""Of the simulation of what a plan can reach: fixed, so that the same plan is always told the same."""
_NAMED = ("worn", "labelled", "unreliable")
PACKAGES = ("numpy", "scipy", "soundfile", "soxr", "sqlalchemy", "starlette", "matplotlib")


def gathered(
    study: Study,
    rendered: Rendered,
    store: "Store",
    answers: Answers,
    verified: Verified,
    *,
    generated_at: datetime,
    truths: "Truths | None" = None,
    invented: bool = False,
) -> ReportInput:
    """Return all that the report of `study` says."""
    truths = truths or Truths()
    units = {unit.id: unit for unit in study.units}
    used = list(dict.fromkeys([*(_device_of(study, one) for one in compared(study)), _playback_unit(study)]))
    protocol = _protocol(study, answers)
    return ReportInput(
        title=study.title,
        generated_at=generated_at,
        reviewer=study.reviewer,
        conditions=tuple(_condition(study, condition.id) for condition in study.conditions),
        compared=_compared(study, answers),
        claim=_claim(answers.primary, answers.alpha),
        protocol=protocol,
        plan=_heard_plan(answers),
        results=_heard_results(answers),
        claims=tuple(_claim_result(one, answers, truths) for one in answers.claims),
        impressions=tuple(ImpressionFacts.of(entry.hash, entry.row, entry.created) for entry in store.impressions()),
        ratings=_ratings(answers),
        controls=tuple(controls_words(answers.controls, answers.alpha)),
        settings=answers.settings,
        corrections=corrections(study, rendered),
        rendering=_rendering(study, rendered, answers, store),
        hardware=hardware_facts(study, store, [one.entry.number for one in answers.sittings]),
        units=tuple(_unit(study, units[name]) for name in used if name in units),
        clips=tuple(_clip(study, rendered, name, answers) for name in tested_clips(study)),
        responses=_responses(study),
        filters=tuple(
            FilterCurve(condition=name, frequency=curve.frequency, magnitude_db=curve.magnitude_db)
            for name, curve in rendered.filters.items()
            if name in compared(study)
        ),
        chains=chains(study, render_job(study), rendered),
        limits=tuple(
            LimitFacts(
                where="the shared playback inverse",
                low_hz=limit.low_hz,
                high_hz=limit.high_hz,
                worst_db=limit.worst_db,
                limit=f"boost limited to {study.playback.max_boost_db:g} dB" if study.playback else "",
            )
            for limit in rendered.limits
        ),
        match=tuple(_match_line(row) for row in rendered.table if row.clip in tested_clips(study)),
        sittings=tuple(_sitting(store, one) for one in answers.sittings),
        trials=tuple(trial for one in answers.sittings if one.entry.state != "open" for trial in _trials(one)),
        seal=_seal(study, store, answers, verified),
        versions=_versions(),
        hashes=_hashes(answers),
        cautions=(CAUTIONS[0], _played(study, rendered, store, answers), *CAUTIONS[1:]),
        deviations=_deviations(store, answers),
        reseating=reseating_words(
            study,
            [(_device_of(study, a), _device_of(study, b)) for a, b in (compared(study)[:2], *_claimed(study))],
            rendered.trusted_band_hz,
        ),
        recognition=_recognition_words(answers),
        truth=truths.heard,
        invented=invented,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Truths:
    """What simulated listeners were made to be; demonstrations only."""

    heard: tuple[Truth, ...] = ()
    preferred: tuple[PreferenceTruth, ...] = ()
    rated: Mapping[str, tuple[RatingTruth, ...]] = field(default_factory=dict)
    """By claim."""
    unreliable: Mapping[str, UnreliableTruth] = field(default_factory=dict)
    """By claim."""


def _compared(study: Study, answers: Answers) -> tuple[str, str]:
    """Return what the primary claim compares; the largest level stands for a grid."""
    device, comparator = answers.primary.record["device"], answers.primary.record["comparator"]
    if device in study.factorials:
        return compared(study)
    return (study.grids[device][-1].id if device in study.grids else device), comparator


def _device_of(study: Study, condition: str) -> str:
    stages = next(one for one in study.conditions if one.id == condition).stages
    return next((stage.response for stage in stages if stage.response), "")


def _playback_unit(study: Study) -> str:
    return study.playback.unit if study.playback else ""


def _condition(study: Study, name: str) -> ConditionFacts:
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
    device = _device_of(study, name)
    chain += hardware_chain(study, name)
    return ConditionFacts(
        id=name,
        name=name if condition.decoy else labels(study)[name],
        chain=tuple(chain),
        from_measurement=bool(device),
        anchor=condition.anchor or "",
        decoy=condition.decoy,
        label=condition.label,
    )


_REFUTED_BY = {
    "heard": "showing, at a risk of error of {alpha:g}, that less than {share:g} % of trials are heard beyond guessing",
    "preferred": (
        "showing, at a risk of error of {alpha:g}, that the other one is preferred, or that the preference lies within "
        "50 % -+ {share:g} %"
    ),
    "attribute": (
        "showing, at a risk of error of {alpha:g}, that the other one has more of it, or that d\u2032 lies within "
        "-{margin:g} ... {margin:g}"
    ),
    "scale": (
        "showing, at a risk of error of {alpha:g}, that the other one is rated above it, or that the difference lies "
        "within -{margin:g} ... {margin:g}"
    ),
    "threshold": "showing, at a risk of error of {alpha:g}, that the threshold lies above a level of {margin:g}",
    "keeps listening": (
        "showing, at a risk of error of {alpha:g}, that the other one is chosen more often, or that the probability of "
        "a choice lies within 50 % -+ {share:g} %"
    ),
    "stage": (
        "showing, at a risk of error of {alpha:g} over all stages, that its effect lies within "
        "-{margin:g} ... {margin:g}{other}"
    ),
    "matched": "showing, at a risk of error of {alpha:g}, that the mean setting lies beyond {margin:g} from the match",
    "rated": "showing, at a risk of error of {alpha:g}, that the blind effect is smaller than {margin:g} points",
}


def _claim(one: ClaimAnswers, alpha: float) -> ClaimFacts:
    record = one.record
    margin = None if record["margin"] is None else float(record["margin"])
    refuted_by = ""
    if margin is not None:
        kind = "scale" if record.get("scale") else record["kind"]
        by = REFUTED_BY_SOUND if one.unreliable_labels else _REFUTED_BY[kind]
        refuted_by = by.format(
            alpha=alpha,
            share=100 * margin,
            margin=margin,
            other=", or the other way round" if record.get("effect", "either") != "either" else "",
        )
    return ClaimFacts(
        id=record["id"],
        kind=record["kind"],
        quote=record["quote"],
        device=record["device"],
        comparator=record["comparator"],
        attribute=str(record.get("attribute", "")),
        scale=str(record.get("scale", "")),
        unit=one.scaled.facts.unit if one.scaled is not None else "points",
        clips=tuple(record["clips"]),
        margin=margin,
        kept=float(record["kept"]) if record["kind"] == "rated" and not one.unreliable_labels else None,
        unreliable=one.unreliable_labels,
        primary=bool(record["primary"]),
        stage=str(record.get("stage", "")),
        effect=str(record.get("effect", "")),
        refuted_by=refuted_by,
        impression=record["impression"],
    )


def _heard(answers: Answers) -> ClaimAnswers | None:
    return next((one for one in answers.claims if one.record["kind"] == "heard"), None)


def _heard_plan(answers: Answers) -> PlanFacts | None:
    one = _heard(answers)
    if one is None:
        return None
    if one.stopped is not None:
        # Its numbers of trials are none that was fixed: `StoppedFacts` says what that plan could show.
        return None
    blocks = [block for block in answers.seal.record["protocol"]["blocks"] if block["id"] in one.record["blocks"]]
    return PlanFacts.of(
        one.planned or sum(block["trials"] for block in blocks),
        method=blocks[0]["method"],
        margin=one.record["margin"],
        alpha=answers.alpha,
    )


def _heard_results(answers: Answers) -> Results | None:
    one = _heard(answers)
    return None if one is None or one.heard is None else _results(one.heard)


def _claim_result(one: ClaimAnswers, answers: Answers, truths: "Truths") -> ClaimResult:
    plan: (
        PlanFacts
        | PreferencePlanFacts
        | AttributeChances
        | ScaleReach
        | StageReach
        | ListenedPlan
        | SurvivalPlanFacts
        | UnreliablePlan
        | None
    ) = None
    preferred, attribute, listened, rated = None, None, None, None
    record = one.record
    chance: float | None = None
    if record["kind"] == "heard":
        plan = _heard_plan(answers)
        chance = plan.chance_negligible_if_guessing if plan else None
    if one.preferred is not None:
        plan = PreferencePlanFacts.of(
            one.planned, margin=record["margin"], alpha=answers.alpha, direction=record["direction"]
        )
        chance = one.preferred.chances.chance_to_fail
        preferred = PreferenceFacts.of(
            one.preferred.conclusion,
            device=record["device"],
            comparator=record["comparator"],
            table=one.preferred.comparisons,
            strengths=one.preferred.strengths,
            why_no_strengths=one.preferred.why_no_strengths,
            truth=truths.preferred,
        )
    if one.attribute is not None:
        plan = one.attribute.chances
        chance = plan.chance_to_fail if plan else None
        attribute = AttributeFacts(
            conclusion=one.attribute.conclusion,
            listeners=tuple(
                AttributeListenerFacts(
                    who=own.listener, conclusion=own.conclusion, adjusted_p_value=own.adjusted_p_value
                )
                for own in one.attribute.listeners
            ),
        )
    scaled = None if one.scaled is None else one.scaled.facts
    if scaled is not None:
        plan = scaled.plan
        chance = scaled.plan.chance_to_fail if scaled.plan else None
    if one.staged is not None:
        plan = one.staged.plan
        chance = plan.chance_to_fail if plan else None
    if one.listened is not None:
        plan = one.listened.chances
        chance = plan.chance_to_fail if plan else None
        listened = ListenedFacts(
            choice=one.listened.choice,
            dwell=one.listened.dwell,
            skips=one.listened.skips,
            why_no_dwell=one.listened.why_no_dwell,
            why_no_skips=one.listened.why_no_skips,
        )
    if one.rated is not None:
        power = _planned_power(record, answers)
        plan = SurvivalPlanFacts.of(power)
        chance = power.chance_to_vanish
        rated = RatedFacts.of(
            one.rated.result,
            table=one.rated.ratings,
            recognition=tuple(RecognitionFacts.of(who, found) for who, found in one.rated.recognition),
            order=str(answers.seal.record["protocol"].get("order", "")),
            truth=truths.rated.get(record["id"], ()),
        )
    stopped = None
    if one.stopped is not None:
        rule = one.stopped.rule
        stopped = StoppedFacts(
            conclusion=one.stopped.conclusion,
            chances=one.stopped.chances,
            looks=rule.looks,
            high=rule.high,
            low=rule.low,
            series=one.stopped.series,
        )
        chance = one.stopped.chances.chance_negligible
    if one.unreliable_labels:
        plan = unreliable_plan_facts(record, answers.seal.record)
        chance = plan.chance_to_fail
    threshold = None
    if one.threshold is not None:
        threshold = ThresholdFacts(
            conclusion=one.threshold.conclusion,
            unanswered=one.threshold.unanswered,
            clips=len(record["clips"]),
            trials=one.threshold.trials,
        )
    return ClaimResult(
        claim=_claim(one, answers.alpha),
        threshold=threshold,
        stopped=stopped,
        matched=one.matched,
        staged=one.staged,
        heard=_results(one.heard) if one.heard is not None else None,
        preferred=preferred,
        attribute=attribute,
        scaled=scaled,
        listened=listened,
        rated=rated,
        unreliable=unreliable_facts(one.unreliable, truths.unreliable.get(record["id"])),
        plan=plan,
        alpha=answers.alpha,
        p_value=one.p_value,
        adjusted_p_value=one.adjusted_p_value,
        why_not=one.why_not,
        chance_to_fail=chance,
        companions=_companions(one),
    )


def _companions(one: ClaimAnswers) -> tuple[Companion, ...]:
    ended = one.heard or one.preferred or one.attribute or one.scaled or one.listened or one.rated
    return ended.companions if ended is not None else ()


def _planned_power(record: Mapping[str, Any], answers: Answers) -> SurvivalPower:
    """Return which verdicts the sealed plan could reach: from its numbers alone, not from what was found."""
    blocks = [one for one in answers.seal.record["protocol"]["blocks"] if one["id"] in record["blocks"]]
    named = next((one for one in blocks if one["phase"] == "labelled"), None)
    blind = next((one for one in blocks if one["phase"] == "blind"), None)
    clips, listeners = len(record["clips"]), int(answers.seal.record["listeners"])
    pages = min((one["trials"] for one in (named, blind) if one is not None), default=clips)
    margin, kept = float(record["margin"]), float(record["kept"])
    top = max(20.0, 2.5 * margin)
    return survival_power(
        listeners=listeners,
        sittings=(named["sittings"] if named else 1, blind["sittings"] if blind else 1),
        clips=clips,
        repeats=max(1, pages // max(1, clips)),
        only_these_clips=True if record.get("only_these_clips") else None,
        labelled=top,
        blind=[float(effect) for effect in np.linspace(-top, top, 17)],
        margin=margin,
        kept=kept,
        alpha=answers.alpha,
        rng=np.random.default_rng(PLAN_SEED),
        studies=2000,
    )


def _ratings(answers: Answers) -> tuple[RatingFacts, ...]:
    found = next((one.rated for one in answers.claims if one.rated is not None), None)
    if found is None:
        return ()
    return tuple(
        RatingFacts(
            listener=str(row["listener"]),
            sitting=int(row["sitting"]),
            mode=row["mode"],
            clip=str(row["clip"]),
            condition=str(row["device"]),
            rating=float(row["rating"]),
        )
        for row in found.ratings.to_dict("records")
    )


def _recognition_words(answers: Answers) -> str:
    found = next((one.rated.recognition for one in answers.claims if one.rated is not None), ())
    return " ".join(f"{who}: {result.sentence}" for who, result in found[-1:])


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


def _counted_blocks(study: Study) -> tuple[Block, ...]:
    return tuple(block for block in study.protocol.blocks if block.counted)


def _protocol(study: Study, answers: Answers) -> ProtocolFacts:
    record = answers.seal.record["protocol"]
    blocks = answers.primary.record["blocks"]
    main = next((block for block in record["blocks"] if block["id"] in blocks), record["blocks"][-1])
    method = METHODS[main["method"]]
    compared_in = answers.seal.record["compared"]
    counted = _counted_blocks(study)
    return ProtocolFacts(
        name=study.protocol.name,
        title=study.protocol.title,
        source=study.protocol.source,
        method=method.name,
        method_title=method.title,
        decision_model=DECISION_RULES[method.name].model if method.name in DECISION_RULES else "",
        guess_rate=method.guess_rate or 0.0,
        trials=sum(block["trials"] for block in record["blocks"] if block["id"] in blocks),
        practice=sum(block.trials for block in study.protocol.blocks if not block.counted),
        sittings=int(answers.seal.record["sittings_per_listener"]),
        listeners=len({one.entry.listener for one in answers.sittings}),
        alpha=answers.alpha,
        margin=answers.margin,
        deadline_days=study.protocol.deadline_days,
        break_after=next((block.break_after for block in counted), None),
        stopping=str(answers.seal.record.get("stopping", STOPPING)),
        blocks=tuple(
            BlockFacts(
                id=block["id"],
                phase=block["phase"],
                method=block["method"],
                method_title=METHODS[block["method"]].title,
                source=METHODS[block["method"]].source,
                trials=block["trials"],
                sittings=block.get("sittings", 1),
                feedback=block["feedback"],
                controls=block["trials"] // block["controls"]["every"] if block.get("controls") else 0,
                may_end_sooner="stopping" in block,
                conditions=tuple(compared_in.get(block["id"], ())),
            )
            for block in record["blocks"]
        ),
        order=str(record.get("order", "")) if any(b["phase"] in _NAMED for b in record["blocks"]) else "",
    )


def _results(heard: HeardAnswers) -> Results:
    base = Results.of(heard.conclusion)
    return replace(
        base,
        listeners=tuple(
            _tested(one.listener, one.conclusion, one.adjusted_p_value) for one in heard.listeners if one.trials
        ),
    )


def _tested(who: str, concluded: Conclusion, adjusted: float | None) -> Tested:
    answered = concluded.answered or concluded.difference
    similar = concluded.answered_similarity or concluded.similarity
    return Tested.of(
        who,
        answered,
        conclusion=concluded.word,
        adjusted_p_value=adjusted,
        similarity_p_value=similar.p_value if similar else None,
    )


def _rendering(study: Study, rendered: Rendered, answers: Answers, store: "Store") -> RenderingFacts:
    filtered = any(_device_of(study, one) for one in compared(study))
    playback = study.unit(study.playback.unit).name if study.playback else ""
    field = ""
    if study.playback and study.unit(study.playback.unit).reference_point == "eardrum":
        field = study.playback.field_curve or "ISO 11904-1, diffuse field (an average of real ears, not this rig's own)"
    return RenderingFacts(
        over=study.rendering.over if filtered else "",
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
        played=_what_played(store, answers, rendered),
        notes=_playback_notes(store, answers),
    )


def _all_by_device(study: Study, store: "Store", answers: Answers) -> bool:
    routed = study.hardware is not None and study.hardware.route == "outputs"
    return routed or played_by_device(store, [one.entry.number for one in answers.sittings])


def _what_played(store: "Store", answers: Answers, rendered: Rendered) -> tuple[str, ...]:
    said = [words for one in answers.sittings for words in playback_words(store, one.entry.number)]
    return (*said, *loopback_words(store, rendered)) if said else ()


def _playback_notes(store: "Store", answers: Answers) -> tuple[str, ...]:
    notes = []
    for one in answers.sittings:
        kinds = sorted({str(e["kind"]) for e in store.events(one.entry.number) if e.get("event") == "faulted"})
        if kinds:
            notes.append(f"sitting {one.entry.number}: playback reported {', '.join(kinds)}")
    return tuple(notes)


def _unit(study: Study, unit: Unit) -> UnitFacts:
    averages = unit_averages(study, unit).values()
    return UnitFacts(
        id=unit.id,
        name=unit.name,
        kind=unit.kind,
        serial_suffix=unit.serial_suffix,
        revision=unit.revision,
        rig=unit.rig,
        measured=unit.measured.isoformat() if unit.measured else "",
        level=unit.level,
        reference_point=unit.reference_point,
        seatings=min(average.seatings for average in averages),
        trusted_band_hz=unit.trusted_band_hz,
        remarks=tuple(dict.fromkeys(remark for average in averages for remark in average.response.remarks)),
    )


def _clip(study: Study, rendered: Rendered, name: str, answers: Answers) -> ClipFacts:
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


def _responses(study: Study) -> tuple[ResponseCurve, ...]:
    curves = []
    for condition in compared(study):
        device = _device_of(study, condition)
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


def _match_line(row: Any) -> MatchLine:
    held = {name: value for name, value in asdict(row).items() if name in MatchLine.__dataclass_fields__}
    return MatchLine(**held)


def _played(study: Study, rendered: Rendered, store: "Store", answers: Answers) -> str:
    """Return at which level the sittings played, in words."""
    level = None
    if full_scale_spl(study) is not None:
        level = level_of_study(study, render_job(study), rendered, stimulus_samples)
    return played_words(level, gains_of(store, [one.entry.number for one in answers.sittings]))


def _claimed(study: Study) -> list[tuple[str, str]]:
    known = {condition.id for condition in study.conditions}
    return [(one.device, one.comparator) for one in study.claims if {one.device, one.comparator} <= known]


def _sitting(store: "Store", one: SittingAnswers) -> SittingFacts:
    entry = one.entry
    over = entry.state != "open"
    reason = entry.reason
    if one.beyond_plan:
        reason = "; ".join(part for part in (reason, "beyond the plan: reported, not counted") if part)
    if one.locked:
        reason = "; ".join(part for part in (reason, LOCKED_WORDS) if part)
    return SittingFacts(
        number=entry.number,
        listener=entry.listener,
        state=entry.state,
        reason=reason,
        began=entry.created,
        ended=entry.ended,
        planned=one.counted_planned,
        answered=one.counted_answered,
        phase=_phase_of(one),
        commitment=entry.commitment,
        nonce=one.plan.nonce.hex() if over and not one.locked else None,
        public=store.public(entry.commitment),
        chain_head=entry.head,
    )


def _phase_of(one: SittingAnswers) -> str:
    scheduled = one.plan.record.get("scheduled") or {}
    series = scheduled.get("runs", 1) > 1 or scheduled.get("phase", "blind") != "blind"
    return str(scheduled["name"]) if series else ""


def _trials(one: SittingAnswers) -> list[TrialFacts]:
    answered: dict[int, list[Mapping[str, Any]]] = {}
    for row in one.rows:
        answered.setdefault(int(row["trial"]), []).append(row)
    # A withdrawn sitting shows no trials at all; an abandoned one also those that nobody answered.
    shown = one.entry.forgotten is None and not one.locked
    numbers = range(trials_met(one.plan, one.rows)) if shown else ()
    trials = []
    earlier: dict[str, list[Outcome]] = {}
    for number in numbers:
        block, within = one.plan.place(number)
        before = earlier.setdefault(block.id, [])
        rows = answered.get(number, [])
        planned = one.plan.trial(number, before)
        if one.plan.method(block).adaptive and len(before) < within:
            # What a trial would have held that follows from answers nobody gave is not known.
            planned = replace(planned, drawn=Drawn(slots=()))
        elif rows:
            values = {str(row["slot"]): row["response"] for row in rows}
            before.append(Outcome(drawn=planned.drawn, answer=values, correct=rows[0]["correct"]))
        trials.append(_trial(one, planned, rows))
    return trials


def _trial(one: SittingAnswers, planned: PlannedTrial, rows: Sequence[Mapping[str, Any]]) -> TrialFacts:
    row = rows[0] if rows else None
    rated = METHODS[planned.method].answer_kind == "rate"
    said = next((each for each in rows if each["slot"] == "set"), row)
    answer = None if said is None else "rated" if rated else str(said["response"])
    return TrialFacts(
        listener=one.entry.listener,
        sitting=one.entry.number,
        trial=planned.number + 1,
        attempt=int(row["attempt"]) - FIRST_ATTEMPT if row else 0,
        phase=planned.phase,
        clip=planned.clip,
        slots=tuple((slot.name, slot.condition) for slot in planned.drawn.slots),
        right=", ".join(str(value) for value in (planned.drawn.right or {}).values()),
        answer=answer,
        correct=row["correct"] if row else None,
        method=planned.method,
        block=planned.block,
        ratings=tuple((str(each["slot"]), float(each["response"])) for each in rows) if rated else (),
        answered_at=datetime.fromisoformat(row["answered_at"]) if row else None,
        time_taken_s=float(row["time_taken_s"]) if row else None,
        switches=int(row["switches"]) if row else None,
        confidence=row["confidence"] if row else None,
        faults=tuple(kind for kind in str(row["faults"]).split("|") if kind) if row else (),
    )


def _seal(study: Study, store: "Store", answers: Answers, verified: Verified) -> SealFacts:
    over = all(one.entry.state != "open" for one in answers.sittings)
    origin = read_origin(study.folder)
    return SealFacts(
        study_commitment=answers.seal.commitment,
        study_nonce=store.sealed(answers.seal.commitment).nonce.hex() if over else None,
        sealed_at=answers.seal.created,
        grade=verified.grade,
        published=tuple(f"{one} was given as seen elsewhere" for one in verified.published),
        listener_could_read=not all("helper" in one.plan.record for one in answers.sittings),
        findings=tuple(FindingFacts(ok=f.ok, what=f.what, detail=f.detail) for f in verified.findings),
        plans_sealed=len(store.sittings()),
        plans_before=origin.plans_sealed if origin else 0,
    )


def _versions() -> dict[str, str]:
    found = {"blindtest": __version__, "Python": platform.python_version(), "platform": sys.platform}
    for package in PACKAGES:
        try:
            found[package] = version(package)
        except PackageNotFoundError:
            continue
    return found


def _hashes(answers: Answers) -> dict[str, str]:
    record = answers.seal.record
    hashes = {f"file {name}": digest for name, digest in record["files"].items()}
    for clip, conditions in record["stimuli"].items():
        hashes |= {f"stimulus {clip}, {condition}": digest for condition, digest in conditions.items()}
    return hashes


def _deviations(store: "Store", answers: Answers) -> tuple[str, ...]:
    found = [f"{one.what}, because: {one.reason}" for one in store.overrides()]
    if answers.withheld:
        found.append(f"{answers.withheld} sittings were withdrawn by their listeners and are not counted")
    beyond = sum(one.beyond_plan for one in answers.sittings)
    if beyond:
        found.append(f"{beyond} sittings were made beyond the plan; they are reported and not counted")
    found += [f"sitting {one.entry.number}: {LOCKED_WORDS}" for one in answers.sittings if one.locked]
    elsewhere = len(store.sittings()) - len(answers.sittings)
    if elsewhere:
        found.append(f"{elsewhere} sittings of this folder stand under other seals: the study was changed in between")
    return tuple(found)
