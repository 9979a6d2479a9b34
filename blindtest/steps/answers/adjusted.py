"""What listeners set themselves: from rows of adjustments to a result, for a claim or as a cross-check beside it."""

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from blindtest.methods import METHODS
from blindtest.report import SettingsFacts
from blindtest.stats import settings_test
from blindtest.steps.answers.sitting import SittingAnswers

if TYPE_CHECKING:
    from blindtest.design import Block

__all__ = ["adjusted_beside", "adjusted_for"]

LOUDNESS = "loudness"


def adjusted_for(
    claim: Mapping[str, Any], sittings: Sequence[SittingAnswers], record: Mapping[str, Any], alpha: float
) -> SettingsFacts:
    """Return the settings that a sealed claim rests on."""
    return _facts(tuple(claim["blocks"]), tuple(claim["clips"]), sittings, record, alpha, claim)


def adjusted_beside(
    sittings: Sequence[SittingAnswers], record: Mapping[str, Any], alpha: float
) -> tuple[SettingsFacts, ...]:
    """Return the settings of blocks that no claim rests on, one for each way of setting something."""
    claimed = {name for claim in record["claims"] if claim["kind"] == "matched" for name in claim["blocks"]}
    alike: dict[tuple[str, ...], list[str]] = {}
    for sitting in sittings:
        for block in sitting.plan.protocol.blocks:
            if METHODS[block.method].answer_kind == "adjust" and block.counted and block.id not in claimed:
                compared = tuple(record["compared"][block.id])
                key = (_sets(block), _attribute(block), *compared)
                if block.id not in alike.setdefault(key, []):
                    alike[key].append(block.id)
    clips = tuple(dict.fromkeys(clip for sitting in sittings for clip in sitting.plan.clips))
    return tuple(_facts(tuple(blocks), clips, sittings, record, alpha, None) for blocks in alike.values())


def _sets(block: "Block") -> str:
    return str(block.numbers.get("sets", "equal"))


def _attribute(block: "Block") -> str:
    return str(block.numbers.get("attribute", LOUDNESS))


def _facts(
    blocks: tuple[str, ...],
    clips: tuple[str, ...],
    sittings: Sequence[SittingAnswers],
    record: Mapping[str, Any],
    alpha: float,
    claim: Mapping[str, Any] | None,
) -> SettingsFacts:
    block = next(one for sitting in sittings for one in sitting.plan.protocol.blocks if one.id in blocks)
    sealed = record["settings"][block.id]
    values: dict[str, float] = {name: float(value) for name, value in sealed["values"].items()}
    margin = None if claim is None or claim["margin"] is None else float(claim["margin"])
    against = record["compared"][block.id][0]
    found = [
        {**own, "listener": sitting.entry.listener} for sitting in sittings for own in _settings(sitting, blocks, clips)
    ]
    planned = sum(
        sitting.plan.place(number)[0].id in blocks and sitting.plan.trial(number).clip in clips
        for sitting in sittings
        for number in range(sitting.plan.length)
    )
    result, why = None, ""
    if found:
        heights = sorted(values.values())
        result = settings_test(
            [values[str(one["set"])] for one in found],
            [str(one["listener"]) for one in found],
            start=[values[str(one["start"])] for one in found],
            middle=(heights[(len(heights) - 1) // 2] + heights[len(heights) // 2]) / 2,
            margin=margin,
            at_end=[bool(one["end"]) for one in found],
            alpha=alpha,
        )
    else:
        why = "nobody has set anything"
    return SettingsFacts(
        blocks=blocks,
        sets=_sets(block),
        device=str(sealed["grid"]),
        against="" if against in values else str(against),
        attribute=_attribute(block),
        unit=str(sealed["unit"]),
        result=result,
        why_not=why,
        unanswered=planned - len(found),
        clips=len(clips),
        claimed=claim is not None,
    )


def _settings(sitting: SittingAnswers, blocks: tuple[str, ...], clips: tuple[str, ...]) -> list[dict[str, object]]:
    """Return what each trial's rows say together: set, start, moves, end."""
    trials: dict[int, dict[str, object]] = {}
    for row in sitting.of_blocks(blocks):
        if row["clip"] in clips:
            trials.setdefault(int(row["trial"]), {})[str(row["slot"])] = row["response"]
    return list(trials.values())
