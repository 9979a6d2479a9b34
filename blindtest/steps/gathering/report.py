"""Everything a report says, gathered from the study, its stimuli and its record."""

from datetime import datetime
from typing import TYPE_CHECKING

from blindtest.methods import METHODS
from blindtest.render import Rendered
from blindtest.report import (
    BlockFacts,
    FilterCurve,
    ImpressionFacts,
    LimitFacts,
    ProtocolFacts,
    RatingFacts,
    ReportInput,
)
from blindtest.stats import DECISION_RULES
from blindtest.steps.answers.study import Answers
from blindtest.steps.answers.variant import agreements
from blindtest.steps.attendance import planned_listeners
from blindtest.steps.chains import chains
from blindtest.steps.controls import controls_words
from blindtest.steps.hardware import hardware_facts
from blindtest.steps.reseating import reseating_words
from blindtest.steps.sealed_analysis import STOPPING
from blindtest.steps.verification import Verified
from blindtest.study import (
    Study,
    compared,
    render_job,
    rooms_of,
    tested_clips,
)

if TYPE_CHECKING:
    from blindtest.session.record import Record
from blindtest.steps.gathering.claim import Truths, claim_facts, claim_result, counted_blocks, heard_plan, heard_results
from blindtest.steps.gathering.record import (
    NAMED,
    deviations_of,
    hashes_of,
    seal_facts,
    sitting_facts,
    trial_facts,
    versions,
)
from blindtest.steps.gathering.sound import (
    clip_facts,
    condition_facts,
    corrections,
    device_of,
    match_line,
    playback_unit,
    played,
    rendering_facts,
    response_curves,
    unit_facts,
)

__all__ = ["CAUTIONS", "Truths", "gathered"]

CAUTIONS = (
    "Before the first sound listeners were told to start low, to set their own volume during the level step, and then "
    "to leave it alone; the first play fades in.",
    "Long listening at high level damages hearing for good. Local rules and licensed practice come before anything "
    "said here.",
)


def gathered(
    study: Study,
    rendered: Rendered,
    store: "Record",
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
    used = list(
        dict.fromkeys([*(device_of(study, one) for one in compared(study)), *rooms_of(study), playback_unit(study)])
    )
    protocol = _protocol(study, answers)
    return ReportInput(
        title=study.title,
        generated_at=generated_at,
        reviewer=study.reviewer,
        conditions=tuple(condition_facts(study, condition.id) for condition in study.conditions),
        compared=_compared(study, answers),
        claim=claim_facts(answers.primary, answers.alpha),
        protocol=protocol,
        plan=heard_plan(answers),
        results=heard_results(answers),
        claims=tuple(claim_result(one, answers, truths) for one in answers.claims),
        impressions=tuple(ImpressionFacts.of(entry.hash, entry.row, entry.created) for entry in store.impressions()),
        ratings=_ratings(answers),
        controls=tuple(controls_words(answers.controls, answers.alpha)),
        settings=answers.settings,
        corrections=corrections(study, rendered),
        rendering=rendering_facts(study, rendered, answers, store),
        hardware=hardware_facts(study, store, [one.entry.number for one in answers.sittings]),
        units=tuple(unit_facts(study, units[name]) for name in used if name in units),
        clips=tuple(clip_facts(study, rendered, name, answers) for name in tested_clips(study)),
        responses=response_curves(study),
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
        match=tuple(match_line(row) for row in rendered.table if row.clip in tested_clips(study)),
        sittings=tuple(sitting_facts(store, one) for one in answers.sittings),
        trials=tuple(trial for one in answers.sittings if one.entry.state != "open" for trial in trial_facts(one)),
        seal=seal_facts(study, store, answers, verified),
        versions=versions(),
        hashes=hashes_of(answers),
        cautions=(CAUTIONS[0], played(study, rendered, store, answers), *CAUTIONS[1:]),
        deviations=deviations_of(store, answers),
        reseating=reseating_words(
            study,
            [(device_of(study, a), device_of(study, b)) for a, b in (compared(study)[:2], *_claimed(study))],
            rendered.trusted_band_hz,
        ),
        models=tuple(one.sentence for one in agreements(answers.claims)),
        recognition=_recognition_words(answers),
        truth=truths.heard,
        invented=invented,
    )


def _compared(study: Study, answers: Answers) -> tuple[str, str]:
    """Return what the primary claim compares; the largest level stands for a grid."""
    device, comparator = answers.primary.record["device"], answers.primary.record["comparator"]
    if device in study.factorials:
        return compared(study)
    return (study.grids[device][-1].id if device in study.grids else device), comparator


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


def _protocol(study: Study, answers: Answers) -> ProtocolFacts:
    record = answers.seal.record["protocol"]
    blocks = answers.primary.record["blocks"]
    main = next((block for block in record["blocks"] if block["id"] in blocks), record["blocks"][-1])
    method = METHODS[main["method"]]
    compared_in = answers.seal.record["compared"]
    counted = counted_blocks(study)
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
        listeners=planned_listeners(answers),
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
        order=str(record.get("order", "")) if any(b["phase"] in NAMED for b in record["blocks"]) else "",
    )


def _claimed(study: Study) -> list[tuple[str, str]]:
    known = {condition.id for condition in study.conditions}
    return [(one.device, one.comparator) for one in study.claims if {one.device, one.comparator} <= known]
