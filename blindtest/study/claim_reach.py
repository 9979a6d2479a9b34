"""What the plan can show of each claim, whichever its kind, and whether it can fail."""

from collections.abc import Sequence

from blindtest.design import DEFAULT_KEPT, DEFAULT_MARGIN_POINTS, METHODS, Block, Protocol
from blindtest.study.adjusting import check_match
from blindtest.study.attribute_reach import AttributeReach, attribute_reach
from blindtest.study.comparing import attribute_blocks
from blindtest.study.entries import entries
from blindtest.study.findings import Findings
from blindtest.study.grids import levels
from blindtest.study.lines import Place
from blindtest.study.rated_claims import is_rated, say_scale
from blindtest.study.rated_reach import RatedReach, listeners_needed, rated_reach, sittings_needed
from blindtest.study.reach_words import say_attribute, say_preference, say_reach
from blindtest.study.reading import Tables
from blindtest.study.refutation import TRACKS, AnyReach, PreferenceReach, Reach, preference_reach, reach
from blindtest.study.ruled_reach import ruled_reach
from blindtest.study.schema import MARGINS, margin_range
from blindtest.study.stage_claims import say_stage
from blindtest.study.unreliable_deciding import say_unreliable

__all__ = ["claim_reach"]

FEW_TRACKS = 3
"""Methods 1.5: three tracks or more for each listener."""


EXAMPLES = {
    "heard": "margin = 0.5, the share of trials heard beyond guessing that would matter",
    "preferred": "margin = 0.3, the probability of a preference beyond 1/2 that would matter",
    "keeps listening": "margin = 0.3, the probability of a choice beyond 1/2 that would matter",
    "attribute": "margin = 1.0, the d' along the attribute that would matter",
    "scale": "margin = 8, the points of the scale that would matter",
    "threshold": "margin = 2, the level that is claimed to be heard, in the unit of the grid",
    "stage": "margin = 8, the points of the scale that would matter",
    "matched": "margin = 0.5, how far from the match settings may lie, in the unit of the grid",
}


def claim_reach(
    protocol: Protocol,
    kind: str,
    claim: Tables,
    index: int | None,
    tested: Sequence[str],
    planned: int,
    found: Findings,
    data: Tables,
) -> AnyReach | None:
    """Return what the plan can show and refute of one claim; say so, and complain where it can't fail."""
    blocks = [block for block in protocol.blocks if block.counted and kind in METHODS[block.method].decides]
    if kind == "stage":
        blocks = [block for block in blocks if block.phase == "blind"]
    if kind == "attribute":
        blocks = list(attribute_blocks(protocol.blocks, claim.get("attribute", "")))
    blocks = [block for block in blocks if block.numbers.get("variant", claim.get("device")) == claim.get("device")]
    if not blocks:
        return None
    margin = claim.get("margin", next((block.margin for block in blocks if block.margin is not None), None))
    place: Place = ("protocol", "changes") if data["protocol"].get("changes") else ("protocol", "use")
    if index is not None:
        place = ("claim", index)
    if "margin" in claim and index is not None:
        place = ("claim", index, "margin")
    if margin is None and kind == "rated":
        margin = DEFAULT_MARGIN_POINTS
    if margin is None:
        found.fault(
            place if index is None else ("claim", index),
            "no margin: nothing could refute the claim",
            remedy=f"write {EXAMPLES['scale' if kind == 'attribute' and is_rated(blocks) else kind]}",
        )
        return None
    greatest, allowed = margin_range(kind, blocks[0].method)
    if margin >= greatest:
        if "margin" in claim and (kind == "attribute" or greatest < MARGINS.get(kind, (0.0, ""))[0]):
            found.fault(place, "out of range", got=margin, allowed=allowed)
        return None  # else said where the claim was looked at, or the protocol
    if kind == "threshold":
        _within_grid(claim, float(margin), blocks, data, place, found)
        return None
    if kind == "matched":
        check_match(claim, float(margin), blocks, data, place, planned, found)
        return None
    own = claim.get("clips", "all")
    share = (len(own), len(tested)) if isinstance(own, list) and tested else (1, 1)
    if kind == "rated":
        clips = len(own) if isinstance(own, list) else max(1, len(tested))
        if found.is_touched("listeners", "planned"):
            return None
        if any(block.phase == "unreliable" for block in blocks):
            if "kept" in claim and index is not None:
                found.note(("claim", index, "kept"), "where names may be wrong nothing is kept: the key is not read")
            return say_unreliable(blocks, clips, isinstance(own, list), float(margin), planned, place, found)
        return _rated(protocol, claim, clips, isinstance(own, list), float(margin), planned, place, found)
    if kind == "stage":
        clips = len(own) if isinstance(own, list) else max(1, len(tested))
        if found.is_touched("listeners", "planned") or found.is_touched("condition"):
            return None
        return say_stage(blocks, claim, clips, float(margin), planned, place, data, found)
    if kind == "attribute" and is_rated(blocks):
        clips = len(own) if isinstance(own, list) else max(1, len(tested))
        if found.is_touched("listeners", "planned"):
            return None
        return say_scale(protocol, blocks, claim, clips, float(margin), planned, place, data, found)
    trials = sum(_on_clips(block, share) for block in blocks)
    plan: Reach | PreferenceReach | AttributeReach
    several = not found.is_touched("listeners", "planned") and planned > 1
    if kind == "attribute":
        plan = attribute_reach(trials, margin, blocks[0].method, claim.get("direction", "two-sided"))
        say_attribute(plan, place, found, several=several)
    elif kind == "keeps listening":
        # A choice between two slots, drawn anew for each track, is a sign test as that of pairs is.
        plan = preference_reach(trials, margin, claim.get("direction", "two-sided"), of=TRACKS)
        say_preference(plan, place, False, found, several=several)
    elif kind == "preferred":
        plan = preference_reach(trials, margin, claim.get("direction", "two-sided"))
        ties = any(block.numbers.get("ties") for block in blocks)
        say_preference(plan, place, ties, found, several=several)
    else:
        guess = METHODS[blocks[0].method].guess_rate
        assert guess is not None, "a method that decides what is heard has a guess rate"
        if (ruled := ruled_reach(blocks, margin, some_clips=share[0] < share[1], place=place, found=found)) is not None:
            _spread(blocks, len(tested) or len(data.get("clip", ())), place, found)
            return ruled
        plan = reach(trials, margin, guess)
        say_reach(plan, place, guess, found, several=several)
    _spread(blocks, len(tested) or len(data.get("clip", ())), place, found)
    return plan


def _within_grid(
    claim: Tables, margin: float, blocks: Sequence[Block], data: Tables, place: Place, found: Findings
) -> None:
    """Complain where no level of the grid could show the claim, or none refute it."""
    table = next((one for _, one in entries(data, "condition") if one.get("id") == claim.get("device")), {})
    sizes = [abs(value) for _, value in levels(table)]
    if sizes and not sizes[0] <= margin < sizes[-1]:
        found.fault(
            place,
            "no level could refute the claim" if margin >= sizes[-1] else "no level could show the claim",
            got=margin,
            allowed=f"from {sizes[0]:g} up, below {sizes[-1]:g}, the largest level",
        )
    elif sizes:
        tracks = f"{len(blocks)} tracks" if len(blocks) > 1 else "one track"
        found.note(
            place,
            f"{tracks} of {', '.join(str(block.trials) for block in blocks)} trials: shown where the threshold's limit "
            f"is at most {margin:g}, refuted where it lies above; how often that is reached isn't computed here",
        )
        if len(blocks) < FEW_TRACKS:
            found.note(place, f"fewer than {FEW_TRACKS} tracks for each listener: how far they scatter is hardly known")


def _on_clips(block: Block, share: tuple[int, int]) -> int:
    """Return how many trials of a block fall on so many of the clips, at least."""
    clips, of = share
    trials = block.trials if clips == of else clips * (block.trials // of)
    return trials * block.sittings


def _rated(
    protocol: Protocol,
    claim: Tables,
    clips: int,
    only_these_clips: bool,
    margin: float,
    planned: int,
    place: Place,
    found: Findings,
) -> RatedReach | None:
    drawn = None if only_these_clips else clips
    kept = float(claim.get("kept", DEFAULT_KEPT))
    times, ratings = [], []
    for phase in ("labelled", "blind"):
        own = [b for b in protocol.blocks if b.phase == phase and "rated" in METHODS[b.method].decides]
        times.append(max((block.sittings for block in own), default=0))
        ratings.append(sum(clips * int(block.numbers.get("repeats", 0)) for block in own))
        for block in own:
            if block.sittings < 2:
                found.fault(
                    ("protocol", "changes", block.id, "sittings")
                    if found.source.data["protocol"].get("changes", {}).get(block.id, {}).get("sittings")
                    else place,
                    f"block {block.id} is rated on one day only: labelled and blind are each repeated",
                    got=block.sittings,
                    allowed="2 sittings or more, each on another day",
                    remedy=f"write {block.id}.sittings = 2 under [protocol.changes]",
                )
    if not min(times) or not min(ratings) or min(times) < 2:
        return None
    plan = rated_reach(
        listeners=planned, sittings=min(times), ratings=min(ratings), margin=margin, kept=kept, clips=drawn
    )
    if plan.can_fail:
        found.note(place, plan.sentence)
        return plan
    days = sittings_needed(ratings=min(ratings), margin=margin, kept=kept)
    panel = listeners_needed(sittings=min(times), ratings=min(ratings), margin=margin, kept=kept, clips=drawn)
    names = " and ".join(
        f"{block.id}.sittings = {days}" for block in protocol.blocks if block.phase in ("blind", "labelled")
    )
    ways = []
    if planned == 1 and days:
        ways.append(f"one listener needs {days} labelled and {days} blind days: write {names} under [protocol.changes]")
    if panel:
        ways.append(f"{panel} listeners are the fewest that could: write planned = {panel} under [listeners]")
    ways.append("or a larger margin, or more clips")
    reached = (
        "a plan like this can reach no verdict at all"
        if plan.chance_vanishes == 0
        else f"an impression that is gone blind would end as 'vanishes' with chance {plan.chance_vanishes:.2f} only"
    )
    found.fault(
        place,
        f"the claim can't fail: {reached} ({plan.assumption})",
        got=plan.plan,
        allowed="a chance of .50 or more",
        remedy="; ".join(ways),
    )
    return plan


def _spread(blocks: Sequence[Block], count: int, place: Place, found: Findings) -> None:
    for block in blocks:
        if count and block.trials % count:
            found.note(
                place,
                f"{block.trials} trials of block {block.id} don't spread evenly over {count} clips: "
                f"some are heard {block.trials // count + 1} times, some {block.trials // count}",
            )
