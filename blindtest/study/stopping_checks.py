"""What does not go with a stopping rule of a block."""

from collections.abc import Sequence
from typing import Any

from blindtest.design import METHODS
from blindtest.errors import Fault
from blindtest.study.reading import Source

__all__ = ["series_stopping_faults", "stopping_faults"]

_READS: dict[str, tuple[str, ...]] = {
    "fixed": (),
    "group-sequential": ("looks", "spending", "beta"),
    "sprt": ("beta",),
    "e-process": (),
}


def stopping_faults(source: Source, block: dict[str, Any], method: Any, path: tuple[str | int, ...]) -> list[Fault]:
    """Return what a block's stopping rule does not go with."""
    table, where = block.get("stopping"), (*path, "stopping")
    if not isinstance(table, dict) or table.get("rule") not in _READS:
        return []
    rule = table["rule"]
    faults = [
        source.fault(
            (*where, key),
            f"the rule {rule} doesn't read it",
            got=table[key],
            allowed=", ".join(name for name, keys in _READS.items() if key in keys),
            remedy="take the key out",
        )
        for key in ("looks", "spending", "beta")
        if key in table and key not in _READS[rule]
    ]
    if rule == "fixed":
        return faults
    if block.get("phase") == "practice":
        return [*faults, source.fault(where, "practice is never counted: nothing in it ends early", got=rule)]
    if "heard" not in method.decides or method.guess_rate is None or method.answer_kind != "choose":
        allowed = ", ".join(
            name for name, one in sorted(METHODS.items()) if "heard" in one.decides and one.guess_rate is not None
        )
        return [
            *faults,
            source.fault(
                where,
                f"a rule counts answers that are right or wrong against guessing: not those of {method.name}",
                got=rule,
                allowed=f"{allowed}; rule = 'fixed' for all others",
            ),
        ]
    if rule == "group-sequential":
        faults += _look_faults(source, table, block.get("trials"), where)
    return faults


def _look_faults(source: Source, table: dict[str, Any], trials: object, where: tuple[str | int, ...]) -> list[Fault]:
    if "looks" not in table:
        return [source.fault((*where, "looks"), "missing", remedy="write looks = 4, or numbers of trials in [ ]")]
    looks = table["looks"]
    if not isinstance(trials, int) or (isinstance(looks, int) and looks <= trials):
        return []
    last = looks if isinstance(looks, int) else looks[-1]
    if isinstance(looks, int):
        return [source.fault((*where, "looks"), "more looks than trials", got=last, allowed=f"{trials} at most")]
    if last == trials:
        return []
    return [
        source.fault(
            (*where, "looks"),
            "the last look is at the last trial",
            got=last,
            allowed=f"{trials}, the trials of the block",
            remedy=f"end the list with {trials}",
        )
    ]


def series_stopping_faults(source: Source, blocks: Sequence[dict[str, Any]]) -> list[Fault]:
    """Return where a block that may end early stands among others that would be answered knowing that it did."""
    ruled = [
        index
        for index, block in enumerate(blocks)
        if isinstance(block.get("stopping"), dict) and block["stopping"].get("rule") not in (None, "fixed")
    ]
    faults = []
    for index in ruled:
        where = ("block", index, "stopping")
        if any(block.get("phase") in ("worn", "labelled") for block in blocks):
            faults.append(
                source.fault(
                    where, "a protocol with named phases is a series of sittings of fixed length", allowed="fixed"
                )
            )
        elif index != len(blocks) - 1:
            faults.append(
                source.fault(
                    where,
                    "a block that may end early stands last: its end would colour the answers after it",
                    remedy="move the block to the end of the protocol, or make two studies of it",
                )
            )
    return faults
