"""What a protocol with names that may be wrong does not go with."""

from collections.abc import Sequence
from typing import Any

from blindtest.design import METHODS
from blindtest.errors import Fault
from blindtest.study.lines import Place
from blindtest.study.reading import Source

__all__ = ["ORDER", "unreliable_faults"]

ORDER = "unreliable-labels"


def unreliable_faults(
    source: Source, data: dict[str, Any], blocks: Sequence[dict[str, Any]], touched: Sequence[Place]
) -> list[Fault]:
    """Return what is wrong with blocks of the phase 'unreliable', and with what stands beside them."""
    phases = {block.get("phase") for block in blocks}
    order = data.get("order")
    if "unreliable" not in phases:
        if order != ORDER:
            return []
        return [
            source.fault(
                ("order",),
                "no block has names that may be wrong",
                got=order,
                remedy="write phase = 'unreliable' in the block whose names are right on a random half of its trials",
            )
        ]
    faults = []
    if order not in (None, ORDER):
        faults.append(
            source.fault(
                ("order",),
                "where names may be wrong there is one phase, and no order",
                got=order,
                allowed=ORDER,
                remedy="take the key out",
            )
        )
    for number, kind in enumerate(data.get("decides", ())):
        if kind in ("attribute", "preferred"):
            faults.append(
                source.fault(
                    ("decides", number),
                    "where names may be wrong a claim is decided as rated: sound and name apart",
                    got=kind,
                    allowed="rated, and what blocks without names decide",
                )
            )
    for index, block in enumerate(blocks):
        path, phase = ("block", index), block.get("phase")
        rates = "rated" in METHODS[block["method"]].decides
        if phase == "labelled" or (phase == "blind" and rates):
            faults.append(
                source.fault(
                    (*path, "phase"),
                    "names that are right teach which ones are wrong"
                    if phase == "labelled"
                    else "ratings without names beside names that may be wrong: one analysis can't hold both",
                    got=phase,
                    allowed="practice, worn and unreliable ratings, and questions without names such as recognition",
                    remedy="take the block out; `survival` compares a labelled with a blind phase",
                )
            )
        repeats = block.get("repeats")
        if phase == "unreliable" and isinstance(repeats, int) and repeats % 2 and (*path, "repeats") not in touched:
            faults.append(
                source.fault(
                    (*path, "repeats"),
                    "names are right on half of the ratings of each clip: an odd number has no half",
                    got=repeats,
                    allowed="an even number",
                    remedy=f"write repeats = {repeats + 1}",
                )
            )
    return faults
