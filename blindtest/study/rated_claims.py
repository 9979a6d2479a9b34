"""Claims about what is rated blind: which scale each is about, and what its plan can show and refute.

An attribute that is asked for by choice (2-AFC, 3-AFC) holds one pair of conditions in a study, since the pair is what
is heard. Where it is rated, every page holds everything, and any number of pairs and attributes can be claimed of it.
"""

from collections.abc import Mapping, Sequence
from typing import Any

from blindtest.design import METHODS, Block, Protocol
from blindtest.errors import did_you_mean
from blindtest.study.comparing import QUALITY, asked_of, attribute_blocks
from blindtest.study.entries import entries
from blindtest.study.findings import Findings
from blindtest.study.lines import Place
from blindtest.study.reading import Tables
from blindtest.study.scale_reach import ScaleReach, panel_needed, scale_reach
from blindtest.study.variants import variant_claims

__all__ = ["check_attributes", "is_rated", "say_scale", "scale_name"]

MULTI_STIMULUS, SMALL_IMPAIRMENT = "multi-stimulus", "small-impairment"


def is_rated(blocks: Sequence[Block]) -> bool:
    """Return whether these blocks rate."""
    return bool(blocks) and METHODS[blocks[0].method].answer_kind == "rate"


def check_attributes(tables: Mapping[int, Tables], data: Tables, protocol: Protocol, found: Findings) -> None:
    """Complain about claims of an attribute that the protocol doesn't ask for, or that stand twice."""
    added = variant_claims(data)
    own = {
        index: claim
        for index, claim in tables.items()
        if claim.get("kind") == "attribute" and claim.get("id") not in added
    }
    blocks = attribute_blocks(protocol.blocks)
    asked = list(dict.fromkeys(asked_of(block) for block in blocks))
    first: dict[tuple[object, ...], int] = {}
    for index, claim in own.items():
        named = claim.get("attribute")
        if blocks and named is not None and named not in asked:
            found.fault(
                ("claim", index, "attribute"),
                "no block of the protocol asks for it",
                got=named,
                allowed=", ".join(asked),
                remedy=did_you_mean(named, asked),
            )
        elif named is None and len(asked) > 1 and not found.is_touched("claim", index, "attribute"):
            found.fault(
                ("claim", index),
                "which attribute? the protocol asks for several",
                allowed=", ".join(asked),
                remedy=f"write attribute = '{asked[0]}'",
            )
        rated = is_rated([block for block in blocks if named in (None, asked_of(block))])
        key = (named or asked[0], claim.get("device"), claim.get("comparator")) if rated and asked else ("attribute",)
        if key in first:
            line = found.source.line("claim", first[key], "kind")
            found.fault(
                ("claim", index, "kind"),
                f"a second claim of the kind attribute, the first is in line {line}",
                got="attribute",
                allowed="each pair and attribute once" if rated else "one pair of conditions in a study",
                remedy="take one of the two out"
                if rated
                else "another pair needs another study: blindtest new --from this one",
            )
        first.setdefault(key, index)
        if rated:
            _of_an_original(claim, index, data, blocks, found)


def _of_an_original(claim: Tables, index: int, data: Tables, blocks: Sequence[Block], found: Findings) -> None:
    """Say that the hidden reference of many stimuli is no level like the others."""
    originals = [one.get("id") for _, one in entries(data, "condition") if one.get("reference")]
    for key in ("device", "comparator"):
        if claim.get(key) in originals and any(block.method == MULTI_STIMULUS for block in blocks):
            found.note(
                ("claim", index, key),
                "the hidden reference is held at the top of the scale, since one on every page has to get 100: its "
                "ratings lean towards the claim; small-impairment, or a claim of the kind heard, asks whether it can "
                "be told apart",
            )


def say_scale(
    protocol: Protocol,
    blocks: Sequence[Block],
    claim: Tables,
    clips: int,
    margin: float,
    planned: int,
    place: Place,
    data: Tables,
    found: Findings,
) -> ScaleReach:
    """Return what the plan can show and refute of a claim about ratings; complain where it can't fail."""
    originals = [one.get("id") for _, one in entries(data, "condition") if one.get("reference")]
    grades = blocks[0].method == SMALL_IMPAIRMENT
    design: dict[str, Any] = {
        "clips": clips,
        "repeats": sum(int(block.numbers.get("repeats", 1)) * block.sittings for block in blocks),
        "margin": margin,
        "direction": claim.get("direction", "two-sided"),
        "grades": grades,
        "both_objects": grades and not {claim.get("device"), claim.get("comparator")} & set(originals),
    }
    plan = scale_reach(listeners=planned, **design)
    if plan.can_fail:
        found.note(place, plan.sentence)
        return plan
    ways = []
    panel = panel_needed(**design)
    if panel:
        ways.append(f"{panel} listeners are the fewest that could: write planned = {panel} under [listeners]")
    names = " and ".join(f"{block.id}.repeats" for block in blocks)
    ways.append(f"more clips or {names}, or a larger margin")
    nothing = plan.critical is None
    found.fault(
        place,
        "the claim can't fail: "
        + (
            "one listener on so few clips leaves nothing to judge the scatter by"
            if nothing
            else f"a difference as large the other way round would refute it with chance {plan.chance_refuted:.2f}, "
            f"none would end as negligible with {plan.chance_negligible:.2f} ({plan.assumption})"
        ),
        got=plan.plan,
        allowed="a chance of .50 or more of one of them",
        remedy="; or ".join(ways),
    )
    return plan


def scale_name(block: Block) -> str:
    """Return what a block's scale is called by readers."""
    asked = asked_of(block)
    if asked != QUALITY:
        return asked
    return "basic audio quality" if METHODS[block.method].reference else "overall quality"
