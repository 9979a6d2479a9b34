"""Protocol files: those that come with the package, and those of a study's own.

`protocols/` and `demo_stimuli/` lie at the top level of the source; the build puts them into the package. An editable
installation doesn't see what the build does, so they are looked for beside the package too.
"""

from importlib.resources import files
from importlib.resources.abc import Traversable
from pathlib import Path

from pydantic import ValidationError

from blindtest.design import Protocol
from blindtest.errors import BlindtestError, Fault, did_you_mean
from blindtest.study.block_faults import block_faults
from blindtest.study.complaints import complaints
from blindtest.study.lines import Place
from blindtest.study.reading import Source, parse_toml, pruned, read_toml
from blindtest.study.schema import LATER_PROTOCOLS, ProtocolFile

__all__ = [
    "find_protocol",
    "is_path",
    "list_protocols",
    "no_such_protocol",
    "protocol_source",
    "read_protocol",
    "resources",
]


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
        raise BlindtestError(no_such_protocol(use))
    return parse_toml((resources("protocols") / f"{use}.toml").read_bytes(), file=f"protocols/{use}.toml")


def no_such_protocol(use: str) -> Fault:
    """Return what is wrong with a name that no protocol has."""
    return Fault(
        problem="no protocol of this name",
        got=use,
        allowed=", ".join(list_protocols()) + ", or the path of a file that ends in .toml",
        remedy=did_you_mean(use, list_protocols()),
    )


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
    faults += block_faults(source, pruned(source.data, touched), touched)
    return (model.to_protocol(name) if model is not None and not faults else None), faults
