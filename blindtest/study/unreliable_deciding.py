"""Whether a study's claim can fail where names may be wrong, and what its order of phases says."""

from collections.abc import Sequence

from blindtest.design import Block, Protocol
from blindtest.study.findings import Findings
from blindtest.study.lines import Place
from blindtest.study.unreliable_checks import ORDER
from blindtest.study.unreliable_reach import (
    UnreliableReach,
    unreliable_listeners_needed,
    unreliable_reach,
    unreliable_repeats_needed,
)

__all__ = ["check_order", "say_unreliable"]


def check_order(order: str, protocol: Protocol, found: Findings) -> None:
    """Complain about an order of phases where there is none, or about unreliable labels where no block has them."""
    unreliable = any(block.phase == "unreliable" for block in protocol.blocks)
    if unreliable and order != ORDER:
        found.fault(
            ("protocol", "order"),
            "where names may be wrong there is one phase, and no order",
            got=order,
            allowed=ORDER,
            remedy="take the key out",
        )
    elif not unreliable:
        found.fault(
            ("protocol", "order"),
            f"the protocol {protocol.name} has no block whose names may be wrong",
            got=order,
            allowed="blind-first, labelled-first or crossed, where names are shown",
            remedy="write use = 'unreliable-labels'",
        )


def say_unreliable(
    blocks: Sequence[Block],
    clips: int,
    only_these_clips: bool,
    margin: float,
    planned: int,
    place: Place,
    found: Findings,
) -> UnreliableReach:
    """Return what the plan can refute; say so, or complain where it can't."""
    own = [block for block in blocks if block.phase == "unreliable"]
    sittings = max(block.sittings for block in own)
    ratings = sum(clips * int(block.numbers.get("repeats", 0)) for block in own)
    sample = not only_these_clips
    plan = unreliable_reach(
        listeners=planned, sittings=sittings, ratings=ratings, margin=margin, clips=clips, sample=sample
    )
    if plan.can_fail:
        found.note(place, plan.sentence)
        return plan
    ways = []
    panel = unreliable_listeners_needed(sittings=sittings, ratings=ratings, margin=margin, clips=clips, sample=sample)
    repeats = unreliable_repeats_needed(listeners=planned, sittings=sittings, margin=margin, clips=clips, sample=sample)
    if panel:
        ways.append(f"{panel} listeners are the fewest that could: write planned = {panel} under [listeners]")
    if repeats:
        ways.append(f"write {own[0].id}.repeats = {repeats} under [protocol.changes]")
    ways.append("or a larger margin, or more clips")
    reached = (
        "a plan like this can reach no conclusion at all"
        if plan.chance_negligible == 0
        else f"a sound that is worth nothing would end as 'negligible' with chance {plan.chance_negligible:.2f} only"
    )
    found.fault(
        place,
        f"the claim can't fail: {reached} ({plan.assumption})",
        got=plan.plan,
        allowed="a chance of .50 or more",
        remedy="; ".join(ways),
    )
    return plan
