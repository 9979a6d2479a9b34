"""What a study compares with what: which conditions meet in which block, which blocks answer which claim, what each is
called.

The pure part works on claims, conditions and blocks, so that it can be asked before there is a study.
"""

from collections.abc import Sequence
from dataclasses import replace

from blindtest.design import METHODS, Block, Claim, Protocol, Setting
from blindtest.study.condition import StudyCondition
from blindtest.study.label_checks import DECOY_LABEL
from blindtest.study.study import Study

__all__ = [
    "QUALITY",
    "adjusted_grid",
    "asked_of",
    "attribute_blocks",
    "block_conditions",
    "claim_blocks",
    "claim_clips",
    "compared",
    "compared_by_block",
    "labels",
    "planned_conditions",
    "primary_claim",
    "tested_clips",
    "with_trials",
]

PAIRED = ("heard", "preferred", "attribute", "keeps listening")
"""Kinds of claim that hold two conditions against each other, where their method is one of choice."""
QUALITY = "quality"
"""How a claim calls the scale that names no attribute."""
ANCHOR_LABELS = {"low": "low anchor", "mid": "mid anchor", "high": "high anchor"}


def primary_claim(study: Study) -> Claim:
    """Return the primary claim; where none is written, that the only two conditions can be told apart."""
    for claim in study.claims:
        if claim.primary:
            return claim
    first, second = (condition.id for condition in study.conditions if condition.plain)
    blocks = [block for block in study.protocol.blocks if block.counted and "heard" in METHODS[block.method].decides]
    margin = next((block.margin for block in blocks if block.margin is not None), None)
    return Claim(id="heard", kind="heard", device=first, comparator=second, margin=margin)


def compared(study: Study) -> tuple[str, str]:
    """Return the ids of the two conditions that the primary claim compares, the device first.

    Where it speaks of a grid, the largest level stands for it; of stages that are switched, all and the fewest of them.
    """
    return _sounding(primary_claim(study), study.conditions)


def compared_by_block(study: Study) -> dict[str, tuple[str, ...]]:
    """Return the ids of the conditions that each block compares, by the block's id.

    Two by two: device and comparator of the claim of that kind. Ratings: everything, anchors and decoys included; worn,
    and where names may be wrong: neither anchors nor decoys; against an original: that one first. Adaptive: the
    reference, then the levels in ascending order. Adjustment: what a setting is to equal, where there is such a thing,
    then the levels in the order of their numbers. Familiarisation: all that ratings compare. Recognition: that without
    anchors.
    """
    return {
        block.id: block_conditions(block, (primary_claim(study), *study.claims), study.conditions)
        for block in study.protocol.blocks
    }


def planned_conditions(study: Study) -> tuple[str, ...]:
    """Return the ids of all conditions that any block compares, in the order of the study file."""
    used = {name for names in compared_by_block(study).values() for name in names}
    return tuple(condition.id for condition in study.conditions if condition.id in used)


def labels(study: Study) -> dict[str, str]:
    """Return the name of each condition that listeners read where names are shown; no two alike.

    As written; else the name of the unit whose response alone makes it, where no other condition is made of that unit;
    else the id. A decoy is never named.
    """
    written = {condition.id: condition.label for condition in study.conditions}
    decoys = [condition.id for condition in study.conditions if condition.decoy]
    named = [_unit_name(condition, study) for condition in study.conditions]
    out: dict[str, str] = {}
    for condition, name in zip(study.conditions, named, strict=True):
        if condition.decoy:
            number = f" {decoys.index(condition.id) + 1}" if len(decoys) > 1 else ""
            out[condition.id] = DECOY_LABEL + number
        elif written[condition.id]:
            out[condition.id] = written[condition.id]
        elif condition.anchor is not None:
            out[condition.id] = ANCHOR_LABELS[condition.anchor]
        else:
            out[condition.id] = name if name and named.count(name) == 1 else condition.id
    if len(set(out.values())) < len(out):  # a written label is what another would be called: ids never clash
        out = {name: written[name] or (out[name] if name in decoys else name) for name in out}
    return out


def _unit_name(condition: StudyCondition, study: Study) -> str:
    stages = condition.stages
    if len(stages) == 1 and stages[0].binaural_response:
        return study.unit(stages[0].binaural_response).name
    if len(stages) != 1 or not stages[0].response:
        return ""
    name = study.unit(stages[0].response).name
    return name if stages[0].seating is None else f"{name}, seating {stages[0].seating}"


def claim_blocks(study: Study, claim: Claim) -> tuple[Block, ...]:
    """Return the blocks that answer a claim: those whose method decides its kind, practice apart."""
    blocks = study.protocol.blocks
    if claim.kind == "attribute":
        own = attribute_blocks(blocks, claim.attribute)
        return tuple(block for block in own if block.numbers.get("variant", claim.device) == claim.device)
    return tuple(
        block
        for block in blocks
        if block.counted
        and claim.kind in METHODS[block.method].decides
        and (claim.kind != "stage" or block.phase == "blind")
        and block.numbers.get("adjusts", claim.device) == claim.device
        and block.numbers.get("variant", claim.device) == claim.device
    )


def attribute_blocks(blocks: Sequence[Block], attribute: str = "") -> tuple[Block, ...]:
    """Return the blocks that answer a claim about an attribute, nobody reading names; '' for whichever there is."""
    own = [block for block in blocks if block.phase == "blind" and "attribute" in METHODS[block.method].decides]
    if attribute:
        own = [block for block in own if asked_of(block) == attribute]
    return tuple(own)


def asked_of(block: Block) -> str:
    """Return which attribute a block asks for, 'quality' where it names none."""
    return str(block.numbers.get("attribute", QUALITY))


def claim_clips(study: Study, claim: Claim) -> tuple[str, ...]:
    """Return the ids of the clips that a claim holds for, in the order of the study file."""
    return tuple(clip.id for clip in study.clips if claim.clips == "all" or clip.id in claim.clips)


def tested_clips(study: Study) -> tuple[str, ...]:
    """Return the ids of the clips that any claim is tested on, in the order of the study file."""
    named = {name for claim in study.claims or (primary_claim(study),) for name in claim_clips(study, claim)}
    return tuple(clip.id for clip in study.clips if clip.id in named)


def block_conditions(block: Block, claims: Sequence[Claim], conditions: Sequence[StudyCondition]) -> tuple[str, ...]:
    """Return the ids of the conditions that a block compares; of `claims`, the primary one comes first."""
    decides = METHODS[block.method].decides
    if METHODS[block.method].answer_kind == "adjust":
        return _set_by_hand(block, claims, conditions)
    plain = tuple(condition.id for condition in conditions if condition.plain)
    if METHODS[block.method].reference:
        return _against_reference(block, conditions)
    if block.method == "stage-pair":
        return _combinations(claims, conditions)
    rating = METHODS[block.method].answer_kind == "rate" or block.method == "familiarisation"
    if not rating and any(kind in PAIRED for kind in decides):
        own = [claim for claim in claims if claim.kind in decides]
        if own:
            # One block for each model of the device's harmonics, where it has several.
            asked = next((claim for claim in own if claim.device == block.numbers.get("variant")), own[0])
            return asked.device, asked.comparator
        if len(plain) == 2 or not claims:
            return plain[:2]
        return _sounding(claims[0], conditions)
    if METHODS[block.method].adaptive:
        own = [claim for claim in claims if claim.kind in decides]
        return (own[0].comparator, *_levels(own[0], conditions)) if own else ()
    if block.phase in ("worn", "unreliable"):
        return plain
    return tuple(
        condition.id for condition in conditions if not condition.grid and (rating or condition.anchor is None)
    )


def adjusted_grid(block: Block, claims: Sequence[Claim], conditions: Sequence[StudyCondition]) -> str:
    """Return the id of the condition on whose grid a block's listeners move: the one named, claimed, or the only one.

    '' where none of these says it.
    """
    if named := block.numbers.get("adjusts"):
        return str(named)
    own = [claim.device for claim in claims if claim.kind in METHODS[block.method].decides]
    taken = [claim.device for claim in claims if claim.kind == "threshold"]
    free = list(dict.fromkeys(one.grid for one in conditions if one.grid and one.grid not in taken))
    return own[0] if own else free[0] if len(free) == 1 else ""


def _set_by_hand(block: Block, claims: Sequence[Claim], conditions: Sequence[StudyCondition]) -> tuple[str, ...]:
    grid = adjusted_grid(block, claims, conditions)
    levels = sorted((one for one in conditions if grid and one.grid == grid), key=lambda one: one.value or 0.0)
    names = tuple(one.id for one in levels)
    if not names or block.numbers.get("sets") == "preferred":
        return names
    own = [claim for claim in claims if claim.kind in METHODS[block.method].decides] or list(claims)
    plain = [condition.id for condition in conditions if condition.plain]
    # Where nothing is claimed, a claim that the only two are told apart is implied, and its comparator is the second.
    implied = plain[1:2] or plain
    against = block.numbers.get("against") or (own[0].comparator if own else next(iter(implied), ""))
    return (str(against), *names) if against else ()


def _levels(claim: Claim, conditions: Sequence[StudyCondition]) -> tuple[str, ...]:
    """Return the levels of the grid that a claim's device spans, in ascending order."""
    return tuple(condition.id for condition in conditions if condition.grid == claim.device)


def _sounding(claim: Claim, conditions: Sequence[StudyCondition]) -> tuple[str, str]:
    cells = [condition for condition in conditions if condition.factorial and condition.factorial == claim.device]
    if cells:
        # Everything on, against the fewest stages that are heard.
        return max(cells, key=_how_many_on).id, min(cells, key=_how_many_on).id
    levels = _levels(claim, conditions)
    return levels[-1] if levels else claim.device, claim.comparator


def _combinations(claims: Sequence[Claim], conditions: Sequence[StudyCondition]) -> tuple[str, ...]:
    """Return the combinations of the factorial that is claimed about, or of the first there is, in their order."""
    claimed = next((claim.device for claim in claims if claim.kind == "stage"), "")
    names = list(dict.fromkeys(condition.factorial for condition in conditions if condition.factorial))
    own = claimed if claimed in names else next(iter(names), "")
    return tuple(condition.id for condition in conditions if own and condition.factorial == own)


def _how_many_on(condition: StudyCondition) -> int:
    return sum(on for _, on in condition.switches)


def _against_reference(block: Block, conditions: Sequence[StudyCondition]) -> tuple[str, ...]:
    """Return the original first, then all else: with the anchors where every one is on each page, else without."""
    anchors = METHODS[block.method].orders(Setting(conditions=("original", "one", "other"))) == 1
    own = [condition for condition in conditions if not condition.grid and (anchors or condition.anchor is None)]
    return tuple(condition.id for condition in sorted(own, key=lambda condition: not condition.reference))


def with_trials(
    protocol: Protocol, claims: Sequence[Claim], conditions: Sequence[StudyCondition], clips: int
) -> Protocol:
    """Return the protocol with the trials of its ratings counted: for each clip as many as its method has orders."""
    return replace(protocol, blocks=tuple(_with_trials(block, claims, conditions, clips) for block in protocol.blocks))


def _with_trials(block: Block, claims: Sequence[Claim], conditions: Sequence[StudyCondition], clips: int) -> Block:
    repeats = block.numbers.get("repeats")
    if not isinstance(repeats, int):
        return block
    pages = METHODS[block.method].orders(Setting(conditions=block_conditions(block, claims, conditions)))
    return replace(block, trials=clips * pages * repeats)
