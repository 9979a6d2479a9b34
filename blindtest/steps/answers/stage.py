"""Which stage is heard: from ratings of all combinations to the effect of each stage, by what was sealed."""

from collections.abc import Mapping, Sequence
from typing import Any

from blindtest.design import effect_name
from blindtest.errors import BlindtestError, Fault
from blindtest.report import StageFacts
from blindtest.stats import attribution, table_of
from blindtest.stats.unanswered_pages import against, with_missing
from blindtest.steps.answers.sitting import SittingAnswers
from blindtest.steps.answers.stage_pair import PAIRS, stage_pair_answers
from blindtest.study import QUALITY, Study, alias_words, factorial_in, stage_reach

__all__ = ["factorials_record", "stage_answers"]

LEFT_OUT = "unanswered pages are left out"
"""Of the analysis of studies that were sealed while that was the rule: theirs stays so."""


def factorials_record(study: Study) -> dict[str, dict[str, Any]]:
    """Return what is sealed of each factorial: its stages, what is on in each combination, what can't be told apart."""
    found = {}
    for name, own in study.factorials.items():
        made = factorial_in(own)
        found[name] = {
            "stages": list(made.factors),
            "fraction": made.fraction,
            "resolution": made.resolution_words,
            "combinations": {one.id: dict(one.switches) for one in own},
            "products": [[effect_name(one) for one in group] for group in made.pairs],
            "confounded": list(made.confounded),
            "words": alias_words(name, made),
        }
    return found


def stage_answers(
    claim: Mapping[str, Any], sittings: Sequence[SittingAnswers], record: Mapping[str, Any], alpha: float
) -> StageFacts:
    """Return what blind ratings say about a stage of a sealed factorial.

    Raises
    ------
    BlindtestError
        Nobody has rated anything that counts, or the ratings can't tell the stages apart.
    """
    blocks = [block for block in record["protocol"]["blocks"] if block["id"] in claim["blocks"]]
    if blocks and blocks[0]["method"] == PAIRS:
        return stage_pair_answers(claim, sittings, record, alpha)
    sealed = record["factorials"][claim["device"]]
    combinations: Mapping[str, Mapping[str, bool]] = sealed["combinations"]
    stages = list(sealed["stages"])
    columns = {name: f"stage {place}" for place, name in enumerate(stages)}
    rows = [
        {
            "listener": sitting.entry.listener,
            "sitting": str(sitting.entry.number),
            "clip": str(row["clip"]),
            "rating": float(row["response"]),
            **{columns[name]: "on" if on else "off" for name, on in combinations[row["condition"]].items()},
        }
        for sitting in sittings
        for row in sitting.of_claim(claim)
        if row["condition"] in combinations
    ]
    if not rows:
        raise BlindtestError(Fault(problem="nobody has rated anything that counts"))
    table = table_of(rows, ("listener", "sitting", "clip", "rating", *columns.values()))
    table = table.rename(columns={column: name for name, column in columns.items()})
    products = [tuple(group[0].split(" x ")) for group in sealed["products"]]

    def found_in(held: Any) -> Any:
        return attribution(
            held,
            stages=stages,
            margin=float(claim["margin"]),
            alpha=alpha,
            interactions=[(first, second) for first, second in products],
            only_these_clips=True if claim["only_these_clips"] else None,
        )

    result = found_in(table)
    missing = [] if LEFT_OUT in record["analysis"].get("stage", "") else _missing(claim, sittings, combinations)
    alone = result.stage(claim["stage"]).word
    counted = alone
    if missing and alone != "open":
        for effect in against(alone, float(claim["margin"])):
            held = with_missing(table, missing, stage=claim["stage"], effect=effect)
            if found_in(held).stage(claim["stage"]).word != alone:
                counted = "open"
                break
    plan = stage_reach(
        listeners=int(record["listeners"]),
        clips=len(claim["clips"]),
        repeats=sum(int(one["numbers"].get("repeats", 1)) * one["sittings"] for one in blocks),
        combinations=len(combinations),
        stages=len(stages),
        products=len(products),
        margin=float(claim["margin"]),
        directed=claim["effect"] != "either",
        only_these_clips=bool(claim["only_these_clips"]),
    )
    asked = str(blocks[0]["numbers"].get("attribute", QUALITY))
    return StageFacts(
        device=claim["device"],
        stage=claim["stage"],
        effect=claim["effect"],
        scale="overall quality" if asked == QUALITY else asked,
        result=result,
        confounded=tuple(sealed["confounded"]),
        alike={group[0]: tuple(group[1:]) for group in sealed["products"] if len(group) > 1},
        plan=plan,
        unanswered=sum(sitting.unanswered_for(claim) for sitting in sittings),
        counted=counted if missing else None,
    )


def _missing(
    claim: Mapping[str, Any], sittings: Sequence[SittingAnswers], combinations: Mapping[str, Mapping[str, bool]]
) -> list[dict[str, Any]]:
    """Return a row for each combination on each planned page that nobody answered, without a rating."""
    rows = []
    for sitting in sittings:
        if sitting.entry.state == "open" or sitting.locked:
            continue
        answered = {int(row["trial"]) for row in sitting.of_claim(claim)}
        for number in sitting.planned_for(claim):
            if number in answered:
                continue
            trial = sitting.plan.trial(number)
            rows += [
                {
                    "listener": sitting.entry.listener,
                    "sitting": str(sitting.entry.number),
                    "clip": trial.clip,
                    **{name: "on" if on else "off" for name, on in combinations[slot.condition].items()},
                }
                for slot in trial.drawn.slots
                if slot.condition in combinations
            ]
    return rows
