"""What becomes of a claim about how much it takes to be heard."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from blindtest.errors import BlindtestError, Fault
from blindtest.methods import guess_rate, settles_at
from blindtest.stats import ThresholdConclusion, conclude_threshold, table_of
from blindtest.steps.answers.sitting import SittingAnswers

__all__ = ["ThresholdAnswers", "threshold_answers"]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ThresholdAnswers:
    """How much it takes to be heard."""

    conclusion: ThresholdConclusion
    trials: Any
    """A DataFrame: listener, sitting, block, track, clip, level, correct; in the order in which they were answered."""
    unanswered: int
    task: str
    methods: tuple[str, ...]


def threshold_answers(
    claim: Mapping[str, Any], sittings: Sequence[SittingAnswers], record: Mapping[str, Any], alpha: float
) -> ThresholdAnswers:
    """Return what the answers to a sealed claim say; `record`: the study seal's, with the grid of levels.

    Raises
    ------
    BlindtestError
        Tasks of several kinds together, or nobody has answered.
    """
    blocks = [block for block in record["protocol"]["blocks"] if block["id"] in claim["blocks"]]
    tasks = sorted({str(block["numbers"]["task"]) for block in blocks})
    if len(tasks) != 1:
        raise BlindtestError(Fault(problem=f"several tasks together: {', '.join(tasks)}"))
    levels = record["grids"][claim["device"]]
    rows = [
        {
            "listener": row["listener"],
            "sitting": row["sitting"],
            "block": row["block"],
            "track": f"{row['block']}, sitting {row['sitting']}",
            "clip": row["clip"],
            "level": _level_in(row, levels),
            "correct": row["correct"],
        }
        for sitting in sittings
        for row in sitting.of_claim(claim)
    ]
    if not rows:
        raise BlindtestError(Fault(problem="nobody has answered a trial that counts"))
    table = table_of(rows, ("listener", "sitting", "block", "track", "clip", "level", "correct"))
    targets = {settles_at(block["method"], block["numbers"]) for block in blocks}
    conclusion = conclude_threshold(
        table,
        guess=guess_rate(blocks[0]["numbers"]),
        margin=float(claim["margin"]),
        alpha=alpha,
        staircases=None not in targets,
        target=next(iter(targets)) if len(targets) == 1 else None,
    )
    return ThresholdAnswers(
        conclusion=conclusion,
        trials=table,
        unanswered=sum(sitting.unanswered_for(claim) for sitting in sittings),
        task=tasks[0],
        methods=tuple(dict.fromkeys(block["method"] for block in blocks)),
    )


def _level_in(row: Mapping[str, Any], levels: Mapping[str, float]) -> float:
    """Return the level that a trial held: one of its sounds, the others being the reference."""
    sounding = [pair.split("=", 1)[1] for pair in str(row["order"]).split("|")]
    return next(float(levels[name]) for name in sounding if name in levels)
