"""What becomes of a claim that one is rated above another, in ratings of one moment: by what was sealed, both ways.

Rules of post-screening stand in the seal in full, and are applied as they stand there: the word rests on the listeners
they keep, and everybody's result is told beside it.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from blindtest.errors import BlindtestError, Fault
from blindtest.methods import METHODS
from blindtest.report import ScaleFacts
from blindtest.stats import (
    Companion,
    MeanBelowZero,
    ShareOfItems,
    bs_1116_rules,
    bs_1534_rules,
    clips_as_a_sample,
    difference_grades,
    grades_of_pair,
    mean_difference_grades,
    scale_contrast,
    screen_listeners,
    summarise_conditions,
    survival_companions,
    table_of,
)
from blindtest.steps.answers.sitting import SittingAnswers
from blindtest.study import QUALITY, Study, compared_by_block, scale_reach

__all__ = ["ScaleAnswers", "scale_answers", "screening_record"]

SMALL_IMPAIRMENT = "small-impairment"
COLUMNS = ("listener", "sitting", "trial", "clip", "device", "rating")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ScaleAnswers:
    """Who is rated above whom."""

    facts: ScaleFacts
    ratings: Any
    """A DataFrame: listener, sitting, trial, clip, device, rating: every counted one of the claim's blocks."""
    companions: tuple[Companion, ...] = ()


def screening_record(study: Study) -> dict[str, list[dict[str, Any]]]:
    """Return the rules of post-screening as they are sealed, by the id of the block that asks for them."""
    mid = next((one.id for one in study.conditions if one.anchor == "mid"), "")
    conditions = compared_by_block(study)
    found: dict[str, list[dict[str, Any]]] = {}
    for block in study.protocol.blocks:
        if not block.numbers.get("screening") or not block.counted:
            continue
        rules: Sequence[ShareOfItems | MeanBelowZero] = bs_1116_rules()
        if block.method != SMALL_IMPAIRMENT:
            rules = [one for one in bs_1534_rules(reference=conditions[block.id][0], mid_anchor=mid) if one.condition]
        found[block.id] = [rule.to_dict() for rule in rules]
    return found


def _rule(sealed: Mapping[str, Any]) -> ShareOfItems | MeanBelowZero:
    held = {name: value for name, value in sealed.items() if name != "text"}
    return ShareOfItems(**held) if "condition" in held else MeanBelowZero(**held)


def scale_answers(
    claim: Mapping[str, Any], sittings: Sequence[SittingAnswers], record: Mapping[str, Any], alpha: float
) -> ScaleAnswers:
    """Return what blind ratings say about a sealed claim.

    Raises
    ------
    BlindtestError
        The ratings can't be made a table of.
    """
    blocks = [block for block in record["protocol"]["blocks"] if block["id"] in claim["blocks"]]
    method = METHODS[blocks[0]["method"]]
    grades = method.name == SMALL_IMPAIRMENT
    reference = record["compared"][blocks[0]["id"]][0] if method.reference else ""
    table = table_of([row for sitting in sittings for row in _rows(sitting, claim["blocks"])], COLUMNS)
    if table.empty:
        raise BlindtestError(Fault(problem="nobody has rated anything that counts"))
    values = table
    if grades:
        values = difference_grades(table, reference=reference, trial=("listener", "sitting", "trial", "clip"))
    rules = [_rule(one) for block in blocks[:1] for one in record.get("screening", {}).get(block["id"], ())]
    screening = screen_listeners(values.assign(item=values["clip"]), rules) if rules else None
    kept = values if screening is None else values[values["listener"].isin(screening.kept)]
    missing = _unanswered(claim, sittings, reference if grades else "")
    own: dict[str, Any] = {
        "device": claim["device"],
        "comparator": claim["comparator"],
        "margin": claim["margin"],
        "alpha": alpha,
        "direction": claim["direction"],
    }

    def contrast(rows: Any) -> Any:
        held = _claimed(rows, claim, reference, grades)
        names = set(rows["listener"]) | ({name for name, _ in missing} if rows is values else set())
        left = {key: count for key, count in missing.items() if key[0] in names}
        return scale_contrast(held, **own, unanswered=left, step=0.1 if grades else 1.0)

    def summary(rows: Any) -> Any:
        if grades:
            return mean_difference_grades(rows, level=1 - alpha)
        return summarise_conditions(rows, level=1 - alpha)

    screened = screening is not None and bool(screening.dropped)
    about_reference = reference in (claim["device"], claim["comparator"])
    on_kept = screened and not kept.empty and not about_reference
    rows = kept if on_kept else values
    held = _claimed(rows, claim, reference, grades)
    sample = None if claim["only_these_clips"] else clips_as_a_sample(held, **own)
    facts = ScaleFacts(
        method=method.name,
        attribute="" if claim["attribute"] == QUALITY else str(claim["attribute"]),
        reference=reference,
        everybody=contrast(values),
        kept=contrast(kept) if screened and not kept.empty else None,
        nobody_kept=screened and kept.empty and not about_reference,
        about_reference=about_reference,
        screening=screening,
        clips_too=sample,
        summary=None if grades else summary(rows),
        summary_of_all=None if grades or not on_kept else summary(values),
        grades=summary(rows) if grades else (),
        grades_of_all=summary(values) if grades and on_kept else (),
        plan=None
        if claim["margin"] is None
        else scale_reach(
            listeners=int(record["listeners"]),
            clips=len(claim["clips"]),
            repeats=sum(int(one["numbers"].get("repeats", 1)) * one["sittings"] for one in blocks),
            margin=float(claim["margin"]),
            direction=claim["direction"],
            grades=grades,
            both_objects=grades and reference not in (claim["device"], claim["comparator"]),
        ),
        alpha=alpha,
    )
    held = held.assign(mode="blind")
    looks = (
        () if grades else survival_companions(held, device=claim["device"], comparator=claim["comparator"], alpha=alpha)
    )
    return ScaleAnswers(facts=facts, ratings=table, companions=looks)


def _rows(sitting: SittingAnswers, blocks: Sequence[str]) -> list[dict[str, Any]]:
    """Return a row per rating, in the order in which they were given."""
    return [
        {
            "listener": sitting.entry.listener,
            "sitting": str(sitting.entry.number),
            "trial": str(row["trial"]),
            "clip": str(row["clip"]),
            "device": str(row["condition"]),
            "rating": float(row["response"]),
        }
        for row in sitting.of_blocks(blocks)
    ]


def _claimed(values: Any, claim: Mapping[str, Any], reference: str, grades: bool) -> Any:
    """Return listener, clip, device, rating of the two that are claimed about, on the claim's clips."""
    rows = values[values["clip"].isin(claim["clips"])]
    if grades:
        return grades_of_pair(rows, device=claim["device"], comparator=claim["comparator"], reference=reference)
    return rows[rows["device"].isin([claim["device"], claim["comparator"]])][["listener", "clip", "device", "rating"]]


def _unanswered(
    claim: Mapping[str, Any], sittings: Sequence[SittingAnswers], reference: str
) -> dict[tuple[str, str], int]:
    """Return how many planned pages with the pair nobody answered, by listener and clip.

    `reference`: the hidden reference where it is in every trial, beside one object; else ''.
    """
    found: dict[tuple[str, str, str], int] = {}
    pair = {claim["device"], claim["comparator"]} - {reference}
    for sitting in sittings:
        if sitting.entry.state == "open":
            continue
        answered = {int(row["trial"]) for row in sitting.of_claim(claim)}
        for number in sitting.planned_for(claim):
            if number in answered:
                continue
            trial = sitting.plan.trial(number)
            for name in pair & {slot.condition for slot in trial.drawn.slots if slot.role == "rated"}:
                key = (sitting.entry.listener, trial.clip, name)
                found[key] = found.get(key, 0) + 1
    # One at a time each of the two has trials of its own: what lacks more often is what the pair lacks.
    pages: dict[tuple[str, str], int] = {}
    for (listener, clip, _), count in found.items():
        pages[listener, clip] = max(count, pages.get((listener, clip), 0))
    return pages
