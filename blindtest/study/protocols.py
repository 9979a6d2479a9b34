"""Protocol files: those that come with the package, and those of a study's own.

`protocols/` and `demo_stimuli/` lie at the top level of the source; the build puts them into the package. An editable
installation doesn't see what the build does, so they are looked for beside the package too.
"""

from collections.abc import Sequence
from importlib.resources import files
from importlib.resources.abc import Traversable
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from blindtest.design import METHODS, Protocol, default_numbers
from blindtest.errors import BlindtestError, Fault, did_you_mean
from blindtest.study.complaints import complaints
from blindtest.study.lines import Place
from blindtest.study.reading import Source, parse_toml, pruned, read_toml
from blindtest.study.schema import LATER_PROTOCOLS, BlockTable, ProtocolFile, margin_range
from blindtest.study.stopping_checks import series_stopping_faults, stopping_faults
from blindtest.study.unreliable_checks import unreliable_faults

__all__ = [
    "changed",
    "find_protocol",
    "is_path",
    "later_changes",
    "list_protocols",
    "protocol_source",
    "read_protocol",
    "resources",
]

SEQUENCED = ("rating", "rating-single", "multi-stimulus")
"""Methods whose order of presentation may follow a Williams design."""
TRACK_NUMBERS = ("task", "start", "step", "halvings", "down", "ratio")
"""What a track is run by; each adaptive method reads some of them."""
UNSURE = ("free-listening", "familiarisation")
"""Methods whose answers are chosen, and are neither sure nor unsure."""
CHANGEABLE = (
    "trials",
    "repeats",
    "sittings",
    "ties",
    "constant_reference",
    "attribute",
    "ends",
    "definition",
    "screening",
    "controls",
    "stopping",
    "choice_after_s",
    "adjusts",
    "against",
    "break_after",
    "break_after_min",
    "confidence",
    "sequence",
    "comments",
    "margin",
    "deadline_days",
    *TRACK_NUMBERS,
)
"""Numbers of a block that [protocol.changes] may change."""


def resources(name: str) -> Traversable:
    """Return the folder `protocols` or `demo_stimuli` that came with the package.

    Raises
    ------
    BlindtestError
        The installation lacks it.
    """
    inside = files("blindtest") / name
    if inside.is_dir():
        return inside
    beside = Path(str(files("blindtest"))).resolve().parent / name
    if beside.is_dir():
        return beside
    raise BlindtestError(
        Fault(problem=f"this installation has no folder {name!r}", remedy="install blindtest again: pip install .")
    )


def list_protocols() -> tuple[str, ...]:
    """Return the names of the protocols that came with the package, sorted."""
    names = (entry.name for entry in resources("protocols").iterdir())
    return tuple(sorted(name.removesuffix(".toml") for name in names if name.endswith(".toml")))


def is_path(use: str) -> bool:
    """Return whether `use` means a file rather than the name of a protocol that came with the package."""
    return use.endswith(".toml") or "/" in use or "\\" in use


def find_protocol(use: str | Path, *, folder: Path = Path()) -> Protocol:
    """Return a protocol by its name, or by the path of its file (relative to `folder`).

    Trials of a rating follow from a study's clips: here they are those of one clip (and one condition, one at a time).

    Raises
    ------
    BlindtestError
        There is none of this name, or its file is wrong; all that is wrong at once.
    """
    protocol, faults = read_protocol(protocol_source(str(use), folder=folder), name=Path(str(use)).stem)
    if protocol is None or faults:
        raise BlindtestError.of(faults)
    return protocol


def protocol_source(use: str, *, folder: Path = Path()) -> Source:
    """Read the file of a protocol. Raises BlindtestError where there is none, or where it isn't TOML."""
    if is_path(use):
        return read_toml(folder / use, what="protocol file")
    if use in LATER_PROTOCOLS and use not in list_protocols():
        raise BlindtestError(Fault(problem=f"not yet: {use}", allowed=", ".join(list_protocols())))
    if use not in list_protocols():
        raise BlindtestError(
            Fault(
                problem="no protocol of this name",
                got=use,
                allowed=", ".join(list_protocols()) + ", or the path of a file that ends in .toml",
                remedy=did_you_mean(use, list_protocols()),
            )
        )
    return parse_toml((resources("protocols") / f"{use}.toml").read_bytes(), file=f"protocols/{use}.toml")


def read_protocol(source: Source, *, name: str) -> tuple[Protocol | None, list[Fault]]:
    """Return the protocol in `source` and all that is wrong with it; None where it can't be used."""
    faults = list(source.faults)
    touched: list[Place] = []
    try:
        model: ProtocolFile | None = ProtocolFile.model_validate(source.data)
    except ValidationError as error:
        found = complaints(error, ProtocolFile, source)
        touched = [path for path, _ in found]
        faults += [fault for _, fault in found]
        model = None
    faults += _block_faults(source, pruned(source.data, touched), touched)
    return (model.to_protocol(name) if model is not None and not faults else None), faults


def _block_faults(source: Source, data: dict[str, Any], touched: Sequence[Place]) -> list[Fault]:
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
    faults += _series_faults(source, data, blocks, touched)
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


def _series_faults(
    source: Source, data: dict[str, Any], blocks: list[dict[str, Any]], touched: Sequence[Place]
) -> list[Fault]:
    """What the blocks lack together."""
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


def _has_right_answer(method: Any) -> bool:
    return method.guess_rate is not None or method.names_all or method.adaptive


def changed(
    protocol_file: Source, changes: dict[str, Any], source: Source, prefix: Sequence[str | int]
) -> tuple[Source, list[Fault]]:
    """Return the protocol file with a study's [protocol.changes] made, and what is wrong with those.

    `changes` stands at `prefix` of `source`, the study file: that is where its faults are placed.
    """
    faults: list[Fault] = []
    blocks = [block for block in protocol_file.data.get("block", ()) if isinstance(block, dict)]
    by_id = {block["id"]: dict(block) for block in blocks if isinstance(block.get("id"), str)}
    for name, numbers in changes.items():
        path = (*prefix, name)
        if name not in by_id:
            remedy = did_you_mean(name, by_id)
            faults.append(
                source.fault(path, "the protocol has no block of this id", allowed=", ".join(by_id), remedy=remedy)
            )
            continue
        for key, value in numbers.items():
            fault = _change_fault(by_id[name], key, value, source, path)
            if fault is None:
                by_id[name][key] = value
            else:
                faults.append(fault)
    own = [block.get("id") for block in blocks]
    mended = [by_id[name] if isinstance(name, str) else block for name, block in zip(own, blocks, strict=True)]
    data = {**protocol_file.data, "block": mended}
    return Source(
        data=data,
        lines=protocol_file.lines,
        file=protocol_file.file,
        text=protocol_file.text,
        faults=protocol_file.faults,
    ), faults


def later_changes(changes: dict[str, Any], source: Source, prefix: Sequence[str | int]) -> list[Fault]:
    """Return the changes that belong to a later stage, whatever the protocol."""
    return [
        _not_yet(key, source, (*prefix, name, key))
        for name, numbers in changes.items()
        for key in numbers
        if key in BlockTable.later
    ]


def _not_yet(key: str, source: Source, path: Sequence[str | int]) -> Fault:
    return source.fault(path, f"not yet: {key}", remedy="take the key out; a later version reads it")


def _change_fault(
    block: dict[str, Any], key: str, value: object, source: Source, path: Sequence[str | int]
) -> Fault | None:
    if key in BlockTable.later:
        return _not_yet(key, source, (*path, key))
    if key not in CHANGEABLE:
        known = ", ".join(CHANGEABLE)
        if key in BlockTable.model_fields:
            return source.fault((*path, key), "only numbers of a block can be changed here", got=key, allowed=known)
        return source.fault((*path, key), "unknown key", got=key, allowed=known, remedy=did_you_mean(key, CHANGEABLE))
    try:
        BlockTable.model_validate({**block, key: value})
    except ValidationError as error:
        mine = [fault for inner, fault in complaints(error, BlockTable, source, path) if inner[len(path)] == key]
        return mine[0] if mine else None
    return None
