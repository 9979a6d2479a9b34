"""Which stage is preferred: from pairs that differ in one stage to the preference for each, by what was sealed."""

from collections.abc import Mapping, Sequence
from typing import Any

from blindtest.errors import BlindtestError, Fault
from blindtest.report import StageFacts
from blindtest.stats import attribution_of_pairs, table_of
from blindtest.steps.answers.sitting import SittingAnswers
from blindtest.study import stage_pair_reach

__all__ = ["PAIRS", "stage_pair_answers"]

PAIRS = "stage-pair"
CHOSEN = 50.0
COLUMNS = ("listener", "clip", "stage", "value")
AGAINST = {"shown": (-CHOSEN,), "refuted": (CHOSEN,), "negligible": (CHOSEN, -CHOSEN)}
"""What an unanswered pair stands for where a conclusion is put to the test: a choice against it."""


def stage_pair_answers(
    claim: Mapping[str, Any], sittings: Sequence[SittingAnswers], record: Mapping[str, Any], alpha: float
) -> StageFacts:
    """Return what choices say about a stage of a sealed factorial.

    Raises
    ------
    BlindtestError
        Nobody has answered anything that counts, or too little.
    """
    sealed = record["factorials"][claim["device"]]
    combinations: Mapping[str, Mapping[str, bool]] = sealed["combinations"]
    stages = list(sealed["stages"])
    answered: list[dict[str, Any]] = []
    missing: list[dict[str, Any]] = []
    for sitting in sittings:
        if sitting.entry.state == "open" or sitting.locked:
            continue
        chosen = {int(row["trial"]): str(row["response"]) for row in sitting.of_claim(claim)}
        for number in sitting.planned_for(claim):
            trial = sitting.plan.trial(number)
            row = _pair(trial, combinations, chosen.get(number))
            row |= {"listener": sitting.entry.listener, "clip": trial.clip}
            (answered if number in chosen else missing).append(row)
    if not answered:
        raise BlindtestError(Fault(problem="nobody has compared anything that counts"))

    def found_in(rows: Sequence[Mapping[str, Any]]) -> Any:
        return attribution_of_pairs(
            table_of(rows, COLUMNS),
            stages=stages,
            combinations=len(combinations),
            margin=float(claim["margin"]),
            alpha=alpha,
        )

    result = found_in(answered)
    alone = result.stage(claim["stage"]).word
    counted = alone
    own = [row for row in missing if row["stage"] == claim["stage"]]
    for value in AGAINST.get(alone, ()) if own else ():
        if found_in([*answered, *({**row, "value": value} for row in own)]).stage(claim["stage"]).word != alone:
            counted = "open"
    blocks = [block for block in record["protocol"]["blocks"] if block["id"] in claim["blocks"]]
    return StageFacts(
        device=claim["device"],
        stage=claim["stage"],
        effect=claim["effect"],
        scale="preference",
        result=result,
        confounded=tuple(sealed["confounded"]),
        alike={},
        plan=stage_pair_reach(
            listeners=int(record["listeners"]),
            pairs=sum(int(one["trials"]) * int(one["sittings"]) for one in blocks) // len(stages),
            stages=len(stages),
            margin=float(claim["margin"]),
            directed=claim["effect"] != "either",
        ),
        unanswered=len(own),
        counted=counted if own else None,
        paired=True,
    )


def _pair(trial: Any, combinations: Mapping[str, Mapping[str, bool]], chosen: str | None) -> dict[str, Any]:
    """Return which stage differs in a pair, and what the choice is worth for it; 0 where there is none."""
    first, second = trial.drawn.slots
    on = {slot.name: combinations[slot.condition] for slot in (first, second)}
    (stage,) = (name for name, state in on[first.name].items() if state != on[second.name][name])
    value = 0.0 if chosen not in on else CHOSEN if on[str(chosen)][stage] else -CHOSEN
    return {"stage": stage, "value": value}
