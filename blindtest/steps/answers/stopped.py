"""What became of a claim whose sittings end by a sealed stopping rule."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from blindtest.design import Block, Stopping
from blindtest.stats import StoppedChances, StoppedConclusion, conclude_stopped, stopped_chances
from blindtest.steps.answers.sitting import SittingAnswers
from blindtest.steps.stopping_rules import table_of_rule

__all__ = ["STOPPED_BY_SEVERAL", "StoppedAnswers", "rule_of", "stopped_answers"]

STOPPED_BY_SEVERAL = "stopped by several"
"""What a seal calls the analysis of more than one planned sitting; older seals put p values together, no more."""

POINTS = 21
"""Of the curves of what the plan can show."""


@dataclass(frozen=True, slots=True, kw_only=True)
class StoppedAnswers:
    """Whether a difference is heard, told by sittings that a rule ended."""

    conclusion: StoppedConclusion
    chances: StoppedChances
    """Of as many sittings as counted."""
    rule: Stopping
    """As sealed."""
    series: tuple[tuple[str, tuple[bool, ...]], ...]
    """Of each sitting its listener and the answers that count, right or wrong, in their order."""


def rule_of(claim: Mapping[str, Any], sittings: Sequence[SittingAnswers]) -> tuple[Block, Stopping] | None:
    """Return the block that answers a claim by a stopping rule, and the rule; None where its trials are fixed."""
    for sitting in sittings:
        for block in sitting.plan.protocol.blocks:
            if block.id in claim["blocks"] and block.stopping is not None:
                return block, block.stopping
    return None


def stopped_answers(
    claim: Mapping[str, Any],
    sittings: Sequence[SittingAnswers],
    alpha: float,
    block: Block,
    rule: Stopping,
    *,
    by_mean: bool = False,
) -> StoppedAnswers:
    """Return what the counted sittings say of a claim, a listener's answers in their order.

    by_mean : whether *negligible* must hold for the mean over sittings, as newer seals say of several
    """
    table, margin = table_of_rule(rule), float(rule.margin or claim["margin"])
    own = [
        (sitting.entry.listener, tuple(row["correct"] is True for row in sitting.of_claim(claim)))
        for sitting in sittings
        if sitting.planned_for(claim)
    ]
    return StoppedAnswers(
        conclusion=conclude_stopped(
            table, own, rule=rule.rule, method=block.method, margin=margin, alpha=alpha, by_mean=by_mean
        ),
        chances=stopped_chances(
            table,
            rule=rule.rule,
            method=block.method,
            margin=margin,
            alpha=alpha,
            listeners=len(own),
            points=POINTS,
            by_mean=by_mean,
        ),
        rule=rule,
        series=tuple(own),
    )
