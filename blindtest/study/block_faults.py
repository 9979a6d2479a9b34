"""What is wrong with the blocks of a protocol."""

from collections.abc import Sequence
from typing import Any

from blindtest.design import METHODS, default_numbers
from blindtest.errors import Fault
from blindtest.study.lines import Place
from blindtest.study.reading import Source
from blindtest.study.schema import BlockTable, margin_range
from blindtest.study.series_faults import series_faults
from blindtest.study.stopping_checks import stopping_faults

__all__ = ["TRACK_NUMBERS", "block_faults"]

SEQUENCED = ("rating", "rating-single", "multi-stimulus")
"""Methods whose order of presentation may follow a Williams design."""


TRACK_NUMBERS = ("task", "start", "step", "halvings", "down", "ratio")
"""What a track is run by; each adaptive method reads some of them."""


UNSURE = ("free-listening", "familiarisation")
"""Methods whose answers are chosen, and are neither sure nor unsure."""


def block_faults(source: Source, data: dict[str, Any], touched: Sequence[Place]) -> list[Fault]:
    """Return what is wrong with the blocks of a protocol, each by itself and all together."""
    faults = []
    blocks = [block for block in data.get("block", ()) if isinstance(block, dict)]
    first: dict[str, int] = {}
    for index, block in enumerate(blocks):
        path = ("block", index)
        name = block.get("id")
        if name in first:
            where = source.line("block", first[name], "id")
            faults.append(source.fault((*path, "id"), f"the same id stands in line {where}", got=name))
        elif name is not None:
            first[name] = index
        faults += _phase_faults(source, block, index)
        faults += _number_faults(source, block, index, touched)
    faults += series_faults(source, data, blocks, touched)
    return faults


def _phase_faults(source: Source, block: dict[str, Any], index: int) -> list[Fault]:
    """What a block's phase and method don't go with."""
    path = ("block", index)
    faults = []
    phase, method = block.get("phase"), METHODS.get(block.get("method", ""))
    if phase is not None and phase != "practice" and block.get("feedback"):
        faults.append(
            source.fault(
                (*path, "feedback"),
                "feedback before the last answer changes the error rates",
                got=True,
                allowed="true in practice only",
            )
        )
    elif block.get("feedback") and method is not None and not _has_right_answer(method):
        faults.append(source.fault((*path, "feedback"), f"no answer of {method.name} is right or wrong", got=True))
    if phase == "practice":
        for key in ("margin", "sittings"):
            if key in block:
                faults.append(
                    source.fault((*path, key), "practice is never counted", remedy=f"take {key.split('_')[0]} out")
                    if key == "margin"
                    else source.fault(
                        (*path, key),
                        "practice goes with the sittings of the block after it",
                        remedy="take sittings out",
                    )
                )
    if method is not None and method.name == "familiarisation" and phase not in (None, "practice"):
        faults.append(
            source.fault((*path, "phase"), "familiarisation is never counted", got=phase, allowed="practice", remedy="")
        )
    shown = [name for name, one in sorted(METHODS.items()) if "rated" in one.decides]
    if phase in ("worn", "labelled", "unreliable") and method is not None and method.name not in shown:
        faults.append(
            source.fault(
                (*path, "method"),
                f"names are shown while the phase is {phase}: {method.name} would be answered by reading",
                got=method.name,
                allowed=", ".join(shown),
            )
        )
    return faults


def _number_faults(source: Source, block: dict[str, Any], index: int, touched: Sequence[Place]) -> list[Fault]:
    """Numbers that a block's method lacks, or doesn't know."""
    path = ("block", index)
    method = METHODS.get(block.get("method", ""))
    if method is None:
        return []
    faults = []
    rating = method.answer_kind == "rate" or method.name == "familiarisation"
    # A number that the schema refused is there: it isn't called missing too.
    misspelt = any(at[:2] == path and at[2] not in BlockTable.model_fields for at in touched if len(at) > 2)
    trials, repeats = (key in block or (*path, key) in touched for key in ("trials", "repeats"))
    if rating and block.get("phase", "practice") != "practice" and trials:
        remedy = "take trials out" if repeats else "write repeats = 1 instead"
        faults.append(
            source.fault(
                (*path, "trials"), "trials of a rating follow from the clips", got=block.get("trials"), remedy=remedy
            )
        )
    elif rating and trials and repeats:
        faults.append(source.fault((*path, "trials"), "repeats stand beside it", allowed="one of the two"))
    elif misspelt and not trials and not repeats:
        pass  # whatever was meant by the unknown key, it has been said
    elif rating and not trials and not repeats:
        faults.append(
            source.fault(
                (*path, "repeats"), "missing", remedy="write repeats = 1, how often each clip is rated in a sitting"
            )
        )
    elif not rating and repeats:
        remedy = "take repeats out" if trials else "write trials instead"
        faults.append(source.fault((*path, "repeats"), "only ratings repeat clips", got=method.name, remedy=remedy))
    elif not rating and not trials:
        faults.append(source.fault((*path, "trials"), "missing", remedy="write the number of trials"))
    if block.get("ties") and "preferred" not in method.decides:
        faults.append(source.fault((*path, "ties"), "only preferences can be tied", got=method.name))
    if block.get("constant_reference") and method.name != "duo-trio":
        faults.append(source.fault((*path, "constant_reference"), "only duo-trio has one", got=method.name))
    faults += _attribute_faults(source, block, index, method, touched)
    if block.get("sequence") == "williams" and method.name not in SEQUENCED:
        faults.append(
            source.fault(
                (*path, "sequence"),
                "the method has no such sequence: its orders are balanced, or its keys drawn independently",
                got=method.name,
                allowed=", ".join(SEQUENCED),
                remedy="take the key out",
            )
        )
    elif block.get("sequence") == "williams" and "repeats" not in block:
        faults.append(
            source.fault(
                (*path, "sequence"),
                "a sequence needs whole rounds",
                remedy="write repeats in place of trials",
            )
        )
    for key in TRACK_NUMBERS:
        if block.get(key) is not None and key not in default_numbers(method.name):
            read = [name for name in METHODS if key in default_numbers(name)]
            faults.append(
                source.fault((*path, key), "the method doesn't read it", got=method.name, allowed=", ".join(read))
            )
    if block.get("confidence") and (method.answer_kind != "choose" or method.name in UNSURE):
        faults.append(
            source.fault(
                (*path, "confidence"),
                "only an answer that is chosen among several can be more or less sure",
                got=method.name,
                remedy="take confidence out",
            )
        )
    if isinstance(block.get("controls"), dict):
        faults += _control_faults(source, block, method, path)
    faults += stopping_faults(source, block, method, path)
    for key in ("sets", "adjusts", "against"):
        if key in block and method.answer_kind != "adjust":
            faults.append(source.fault((*path, key), "only adjustment has this key", got=method.name))
    if block.get("sets") == "preferred" and "against" in block:
        problem = "a preferred setting is held against nothing"
        faults.append(source.fault((*path, "against"), problem, got=block["against"], remedy="take the key out"))
    if "choice_after_s" in block and method.name != "free-listening":
        faults.append(
            source.fault((*path, "choice_after_s"), "only free-listening offers a choice", got=block["choice_after_s"])
        )
    for kind in method.decides:
        greatest, allowed = margin_range(kind, method.name)
        if block.get("margin", 0) >= greatest:
            faults.append(source.fault((*path, "margin"), "out of range", got=block["margin"], allowed=allowed))
    if "margin" in block and not method.decides:
        faults.append(source.fault((*path, "margin"), f"{method.name} decides no claim", remedy="take the margin out"))
    return faults


def _attribute_faults(
    source: Source, block: dict[str, Any], index: int, method: Any, touched: Sequence[Place]
) -> list[Fault]:
    """What is wrong with an attribute, and with the scale on which it is rated."""
    path = ("block", index)
    rated = method.answer_kind == "rate"
    if "attribute" in block and not rated and method.answer_kind != "adjust" and "attribute" not in method.decides:
        return [source.fault((*path, "attribute"), f"{method.name} asks for no attribute", got=block["attribute"])]
    faults = []
    if block.get("screening") and not method.reference:
        problem = f"{method.name} hides no original that somebody could miss"
        faults.append(source.fault((*path, "screening"), problem, got=True, remedy="take the key out"))
    for key, remedy in (
        ("ends", "write ends = ['dull', 'bright'], what its scale says at 0 and at 100"),
        ("definition", "write definition = '...', one sentence that says what is meant"),
    ):
        if key == "ends" and method.reference:
            # Against an original an attribute keeps the standard's scale (ITU-R BS.1534-3, 6).
            if key in block:
                problem = f"the scale of {method.name} keeps its words, whatever the attribute"
                faults.append(source.fault((*path, key), problem, got=block[key], remedy="take the key out"))
            continue
        if key in block and not (rated and "attribute" in block):
            problem = "only the scale of an attribute has this key" if rated else f"{method.name} has no scale to name"
            faults.append(source.fault((*path, key), problem, got=block[key], remedy="take the key out"))
        elif rated and "attribute" in block and key not in block and (*path, key) not in touched:
            faults.append(source.fault((*path, key), "missing: an attribute is rated on a scale", remedy=remedy))
    ends = block.get("ends", ())
    if len(ends) == 2 and ends[0].strip().casefold() == ends[1].strip().casefold():
        faults.append(source.fault((*path, "ends"), "both ends are called the same", got=ends[0]))
    return faults


def _control_faults(source: Source, block: dict[str, Any], method: Any, path: Place) -> list[Fault]:
    """What a block's controls don't go with."""
    controls, where = block["controls"], (*path, "controls")
    if block.get("phase") == "practice":
        return [source.fault(where, "practice is never counted: no controls", remedy="take controls out")]
    if method.adaptive or method.guess_rate is None or method.answer_kind != "choose" or method.names_all:
        return [source.fault(where, f"no answer of {method.name} is right or wrong by itself", got=method.name)]
    if not controls.get("audible") and not controls.get("inaudible"):
        return [source.fault(where, "neither audible nor inaudible ones", remedy="write audible = 'condition-id'")]
    if controls.get("inaudible") and method.name == "same-different":
        return [
            source.fault((*where, "inaudible"), "half of the pairs of same-different are the same already", got=True)
        ]
    every, trials = controls.get("every"), block.get("trials")
    if isinstance(every, int) and isinstance(trials, int) and every > trials:
        return [
            source.fault(
                (*where, "every"),
                "there would be no control at all",
                got=every,
                allowed=f"{trials} at most (the trials)",
            )
        ]
    return []


def _has_right_answer(method: Any) -> bool:
    return method.guess_rate is not None or method.names_all or method.adaptive
