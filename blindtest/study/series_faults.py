"""What the blocks of a protocol lack together."""

from collections.abc import Sequence
from typing import Any

from blindtest.design import METHODS
from blindtest.errors import Fault
from blindtest.study.lines import Place
from blindtest.study.reading import Source
from blindtest.study.stopping_checks import series_stopping_faults
from blindtest.study.unreliable_checks import unreliable_faults

__all__ = ["series_faults"]


def series_faults(
    source: Source, data: dict[str, Any], blocks: list[dict[str, Any]], touched: Sequence[Place]
) -> list[Fault]:
    """Return what the blocks lack together."""
    if not blocks or ("block",) in touched or any("phase" not in b or b.get("method") not in METHODS for b in blocks):
        return []  # the schema has said what is wrong with them
    faults = []
    phases = {block.get("phase") for block in blocks}
    decided = {
        kind for block in blocks if block.get("phase") != "practice" for kind in METHODS[block["method"]].decides
    }
    for number, kind in enumerate(data.get("decides", ())):
        if kind not in decided and "blind" in phases:
            methods = [name for name, method in sorted(METHODS.items()) if kind in method.decides]
            faults.append(
                source.fault(
                    ("decides", number),
                    "no block decides this kind of claim",
                    got=kind,
                    remedy=f"write a block with method = {' or '.join(repr(name) for name in methods)}",
                )
            )
    faults += unreliable_faults(source, data, blocks, touched)
    if "blind" not in phases and "unreliable" not in phases:
        faults.append(source.fault(("block",), "no block is blind", remedy='write phase = "blind" in one'))
    trained: set[str] = set()
    for index, block in enumerate(blocks):
        if block["phase"] == "practice":
            trained.add(block["method"])
        elif METHODS[block["method"]].reference and block["method"] not in trained:
            faults.append(
                source.fault(
                    ("block", index, "method"),
                    "ratings against an original need training before them (ITU-R BS.1534-3, 5.2; BS.1116-3)",
                    got=block["method"],
                    remedy="write a block with phase = 'practice' and this method before it",
                )
            )
            trained.add(block["method"])
    faults += series_stopping_faults(source, blocks)
    named = bool(phases & {"worn", "labelled", "unreliable"})
    for index, block in enumerate(blocks):
        if not named and block.get("sittings", 1) > 1 and block.get("phase") != "practice":
            faults.append(
                source.fault(
                    ("block", index, "sittings"),
                    "a protocol without a labelled phase is one sitting of all its blocks",
                    got=block["sittings"],
                    allowed="1",
                )
            )
    scales = {
        tuple(str(block.get(key, "")) for key in ("attribute", "ends", "definition"))
        for block in blocks
        if "rated" in METHODS[block["method"]].decides
    }
    if len(scales) > 1 and "rated" in data.get("decides", ()):
        faults.append(
            source.fault(
                ("block",),
                "blocks are rated on different scales",
                got="; ".join(sorted(attribute or "quality" for attribute, _, _ in scales)),
                allowed="one attribute with the same ends and definition in every block, or none",
                remedy="a study for each attribute: its ratings are compared with each other only",
            )
        )
    if "rated" in data.get("decides", ()) and "unreliable" not in phases:
        pages = {
            phase: {
                block["method"]
                for block in blocks
                if block.get("phase") == phase and METHODS[block["method"]].answer_kind == "rate"
            }
            for phase in ("labelled", "blind")
        }
        if not pages["labelled"]:
            faults.append(
                source.fault(
                    ("decides",),
                    "no labelled rating: medium and blinding would not be separated",
                    got="rated",
                    remedy='write a block with phase = "labelled" and the method of the blind one',
                )
            )
        elif pages["blind"] and pages["labelled"] != pages["blind"]:
            faults.append(
                source.fault(
                    ("block",),
                    "labelled and blind are rated on different pages",
                    got=f"labelled {', '.join(sorted(pages['labelled']))}; blind {', '.join(sorted(pages['blind']))}",
                    allowed="the same methods in both phases",
                )
            )
    return faults
