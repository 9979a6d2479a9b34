"""Stopping rules of a study: their tables, computed when the plan is sealed, and whether a claim can fail under them.

`design` follows a table, `stats` computes it; both meet here. The table stands in the study seal and in each sitting's
plan, so that nobody has to trust that the same numbers come out again.
"""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

from blindtest.design import Block, Claim, Protocol, Stopping, stopping_record
from blindtest.errors import BlindtestError, Fault
from blindtest.session import Sitting
from blindtest.stats import STOPPING_NAMES, StoppedChances, StopTable, stop_table, stopped_chances
from blindtest.steps.claim_lines import line_of_claim
from blindtest.study import RuledReach, Study, claim_blocks, primary_claim

__all__ = [
    "ALPHA",
    "check_rules",
    "rule_chances",
    "rule_fault",
    "rule_faults",
    "ruled",
    "ruled_block",
    "stopping_of_block",
    "stopping_words",
    "table_of_rule",
]

ALPHA = 0.05
"""Of every study seal."""
MOST_TRIED = 1000


def table_of_rule(stopping: Stopping) -> StopTable:
    """Return the table of a rule as `stats` reads it."""
    return StopTable(looks=stopping.looks, high=stopping.high, low=stopping.low)


def ruled_block(block: Block, *, alpha: float = ALPHA) -> Block:
    """Return a block with the table of its stopping rule computed; as it was where it has none."""
    rule = block.stopping
    if rule is None or block.margin is None:
        return block
    # Without a way to end low an early end could only mean that a difference was shown: the listener would know.
    beta = None if rule.rule == "e-process" else alpha if rule.beta is None else rule.beta
    table = stop_table(
        rule.rule,
        block.trials,
        method=block.method,
        margin=block.margin,
        alpha=alpha,
        beta=beta,
        looks=rule.asked_looks,
        spending=rule.spending or "obrien-fleming",  # type: ignore[arg-type]
    )
    return replace(
        block,
        stopping=replace(rule, margin=block.margin, alpha=alpha, looks=table.looks, high=table.high, low=table.low),
    )


def ruled(protocol: Protocol) -> Protocol:
    """Return a protocol with the tables of its stopping rules computed."""
    return replace(protocol, blocks=tuple(ruled_block(block) for block in protocol.blocks))


def stopping_of_block(block: Block) -> dict[str, Any]:
    """Return what the study seal holds of a block's rule; nothing where its number of trials is fixed."""
    with_table = ruled_block(block).stopping
    return {} if with_table is None else {"stopping": stopping_record(with_table)}


def rule_chances(study: Study) -> Mapping[str, StoppedChances]:
    """Return what each plan with a stopping rule can show and refute, by the claim's id."""
    claims = {claim.id: claim for claim in study.claims or (primary_claim(study),)}
    return {
        name: _chances(study, claims[name])
        for name, reach in study.reaches.items()
        if isinstance(reach, RuledReach) and name in claims
    }


def _block_of(study: Study, claim: Claim) -> Block:
    return next(block for block in claim_blocks(study, claim) if block.stopping is not None)


def _chances(study: Study, claim: Claim) -> StoppedChances:
    return _chances_of(_block_of(study, claim), study.listeners.planned)


def _chances_of(block: Block, listeners: int) -> StoppedChances:
    rule = ruled_block(block).stopping
    assert rule is not None
    assert rule.margin is not None
    return stopped_chances(
        table_of_rule(rule), rule=rule.rule, method=block.method, margin=rule.margin, alpha=ALPHA, listeners=listeners
    )


def rule_faults(study: Study) -> tuple[Fault, ...]:
    """Return where a claim cannot fail, or cannot be shown, under its stopping rule."""
    faults = []
    claims = {claim.id: claim for claim in study.claims or (primary_claim(study),)}
    for name, chances in rule_chances(study).items():
        if chances.can_fail and chances.chance_shown > 0:
            continue
        problem = (
            "the claim can't fail: a guesser ends as negligible with chance "
            f"{chances.chance_negligible:.2f} under this rule"
            if not chances.can_fail
            else "no ending of this rule would show a difference"
        )
        file, line, key = line_of_claim(study, name)
        faults.append(
            Fault(
                problem=problem,
                file=file,
                line=line,
                key=key,
                got=f"{chances.rule}, at most {chances.most} trials, margin {chances.margin:g}",
                allowed="a chance of .50 or more",
                remedy=_remedy(_block_of(study, claims[name]), study.listeners.planned),
            )
        )
    return tuple(faults)


def _remedy(block: Block, listeners: int) -> str:
    rule = block.stopping
    assert rule is not None
    if isinstance(rule.asked_looks, tuple):
        return "more trials and later looks, a smaller beta, or a larger margin"
    for trials in range(block.trials + 1, MOST_TRIED + 1, max(1, block.trials // 10)):
        chances = _chances_of(replace(block, trials=trials), listeners)
        if chances.can_fail and chances.chance_shown > 0:
            return f"trials = {trials} would do"
        if trials > 20 * block.trials:
            break
    return "a smaller beta, more trials or a larger margin"


def check_rules(study: Study) -> None:
    """Refuse to seal a study with a stopping rule under which a claim cannot fail.

    Raises
    ------
    BlindtestError
        See `rule_faults`.
    """
    if faults := rule_faults(study):
        raise BlindtestError.of(list(faults))


def rule_fault(sitting: Sitting, state: str) -> str | None:
    """Return what is wrong with where a sitting ended, '' if nothing is; None where its number of trials was fixed.

    The table is computed again from what the plan says of its rule.
    """
    block = sitting.plan.protocol.blocks[-1]
    rule = block.stopping
    if rule is None:
        return None
    asked = replace(rule, margin=None, alpha=None, looks=(), high=(), low=())
    again = ruled_block(replace(block, stopping=asked, margin=rule.margin), alpha=rule.alpha or ALPHA).stopping
    if again != rule:
        return "the sealed table is not the one that its rule and numbers give"
    # Killed between its last answer and its end it may have been called abandoned later: it ended there all the same.
    answered = len(sitting.answers)
    if state == "finished" and not sitting.ended_by_rule and answered < sitting.plan.length:
        return f"it is called finished after {answered} trials, where the rule goes on"
    return ""


def stopping_words(blocks: Sequence[Block], fixed: str) -> str:
    """Return by which rule the sittings end, in words; `fixed` where none may end early."""
    return (
        "; ".join(
            f"block {block.id} ends by a sealed {STOPPING_NAMES[block.stopping.rule]}, after {block.trials} trials "
            "that count at the latest"
            for block in blocks
            if block.stopping is not None
        )
        or fixed
    )
