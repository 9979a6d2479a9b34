"""What ratings against an original need of a study, and where the study goes beyond the limits of their standards.

What a method can't do without is a fault; what a standard asks for beyond that is a note: the test can be run, and its
report then says "after" the standard and lists the deviation.

Sources: ITU-R BS.1534-3 (2015), 5.1 (anchors, length and number of items), 5.3 (signals); ITU-R BS.1116-3 (2015) for
excerpts of about 10 to 25 s (from memory).
"""

from collections.abc import Collection, Iterator

from blindtest.design import METHODS, Protocol
from blindtest.study.entries import entries
from blindtest.study.findings import Findings
from blindtest.study.reading import Tables

__all__ = ["ITEMS_PER_SYSTEM", "LEAST_ITEMS", "SMALL_IMPAIRMENT", "check_excerpt", "check_original"]


MULTI_STIMULUS, SMALL_IMPAIRMENT = "multi-stimulus", "small-impairment"
LONGEST_S = 12.0
"""BS.1534-3, 5.1: about 10 s, not over 12 s, else to be justified in the report."""
EXCERPT_S = (10.0, 25.0)
"""BS.1116-3, from memory."""
ITEMS_PER_SYSTEM, LEAST_ITEMS = 1.5, 5
"""BS.1534-3, 5.1: one and a half times as many items as systems, five at least."""
ANCHORS = {"low": 3500, "mid": 7000}


def check_original(data: Tables, protocol: Protocol, found: Findings) -> None:
    """Complain where a block rates against an original that the study doesn't have, and note what goes beyond."""
    methods = {block.method for block in protocol.blocks if METHODS[block.method].reference}
    if found.is_touched("condition"):
        return
    originals = [one for _, one in entries(data, "condition") if one.get("reference")]
    if not methods:
        if originals:
            found.note(("condition",), f"the protocol {protocol.name} rates nothing against a reference")
        return
    if not originals:
        found.fault(
            ("condition",),
            f"the protocol {protocol.name} rates against an original, and no condition is marked as it",
            remedy="write reference = true in one [[condition]], stages = [] for the clip as it is",
        )
        return
    for index, condition in entries(data, "condition"):
        if condition.get("anchor") == "high":
            found.fault(
                ("condition", index, "anchor"),
                "the original stands at the top of the scale already",
                got="high",
                allowed="low or mid",
                remedy="take this condition out",
            )
        elif not condition.get("reference") and condition.get("stages") == originals[0].get("stages"):
            found.fault(
                ("condition", index, "stages"),
                f"the same as the reference {originals[0].get('id', '')}: it would be hidden twice",
                remedy="take this condition out: the reference is hidden among the others by itself",
            )
    if MULTI_STIMULUS in methods:
        _multi_stimulus(data, found)
    for index, seconds in _lengths(data):
        check_excerpt(methods, index, seconds, found)


def _multi_stimulus(data: Tables, found: Findings) -> None:
    conditions = [one for _, one in entries(data, "condition")]
    for kind, corner in ANCHORS.items():
        if not any(one.get("anchor") == kind for one in conditions):
            found.note(
                ("condition",),
                f"no {kind} anchor: ITU-R BS.1534-3, 5.1, asks for one; write a [[condition]] with anchor = '{kind}', "
                f"stages = [{{ lowpass_hz = {corner} }}]",
            )
    systems = sum(not one.get("anchor") and not one.get("reference") for one in conditions)
    items, least = len(data.get("clip", ())), max(LEAST_ITEMS, ITEMS_PER_SYSTEM * systems)
    if items < least and not found.is_touched("clip"):
        found.note(
            ("clip",),
            f"{items} item{'' if items == 1 else 's'}: ITU-R BS.1534-3, 5.1, asks for {least:g} or more with so many "
            "systems",
        )


LIMITS = {
    MULTI_STIMULUS: ("ITU-R BS.1534-3, 5.1", 0.0, LONGEST_S),
    SMALL_IMPAIRMENT: ("ITU-R BS.1116-3", *EXCERPT_S),
}
"""Source, shortest and longest excerpt in s."""


def check_excerpt(methods: Collection[str], index: int, seconds: float, found: Findings) -> None:
    """Note where the excerpt of clip `index` is shorter or longer than the standard of a method asks for."""
    for method, (source, shortest, longest) in LIMITS.items():
        if method in methods and not shortest <= seconds <= longest:
            limit = f"{longest:g} s at most" if not shortest else f"about {shortest:g} to {longest:g} s"
            found.note(
                ("clip", index, "out_s"),
                f"the excerpt lasts {seconds:.3g} s, {source} asks for {limit}: the report says so",
            )


def _lengths(data: Tables) -> Iterator[tuple[int, float]]:
    """Yield how long each excerpt is, as far as the study file says it."""
    for index, clip in entries(data, "clip"):
        if isinstance(end := clip.get("out_s"), int | float):
            yield index, float(end) - float(clip.get("in_s", 0.0))
