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

from blindtest.design import METHODS, Protocol
from blindtest.errors import BlindtestError, Fault, did_you_mean
from blindtest.study import lines as places
from blindtest.study.complaints import complaints
from blindtest.study.reading import Source, parse_toml, pruned, read_toml
from blindtest.study.schema import LATER_PROTOCOLS, BlockTable, ProtocolFile

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

CHANGEABLE = ("trials", "break_after", "margin", "deadline_days")
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
    touched: list[places.Path] = []
    try:
        model: ProtocolFile | None = ProtocolFile.model_validate(source.data)
    except ValidationError as error:
        found = complaints(error, ProtocolFile, source)
        touched = [path for path, _ in found]
        faults += [fault for _, fault in found]
        model = None
    faults += _block_faults(source, pruned(source.data, touched))
    return (model.to_protocol(name) if model is not None and not faults else None), faults


def _block_faults(source: Source, data: dict[str, Any]) -> list[Fault]:
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
        if block.get("phase") == "blind" and block.get("feedback"):
            faults.append(
                source.fault(
                    (*path, "feedback"),
                    "feedback before the last answer changes the error rates",
                    got=True,
                    allowed="true in practice only",
                )
            )
        if block.get("phase") == "practice" and "margin" in block:
            faults.append(source.fault((*path, "margin"), "practice is never counted", remedy="take the margin out"))
        method = METHODS.get(block.get("method", ""))
        undecided = [kind for kind in data.get("decides", ()) if method is not None and kind not in method.decides]
        for kind in undecided if block.get("phase") == "blind" else ():
            faults.append(source.fault(("decides",), f"{block['method']} can't decide this kind of claim", got=kind))
    if blocks and "blind" not in {block.get("phase", "blind") for block in blocks}:
        faults.append(source.fault(("block",), "no block is blind", remedy='write phase = "blind" in one'))
    return faults


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
