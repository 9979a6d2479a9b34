"""The study of a bundle, laid out in a private folder so that it can be loaded: what was left out has a stand-in.

Audio that must not be passed on is not in a bundle. An empty file stands in its place, so that study.toml can be read
and held against the seal; nothing is measured or rendered from a stand-in. Clips that lay outside the study folder get
a name inside it: no path of a stranger's study file leads to a file of this machine.
"""

import json
import shutil
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from blindtest.errors import BlindtestError, Fault
from blindtest.steps.bundle.names import fault_in_name
from blindtest.steps.bundle.opening import OpenedBundle
from blindtest.study import load_study, read_toml

if TYPE_CHECKING:
    from blindtest.study import Study

__all__ = ["Workplace", "laid_out"]

STUDY = "study/"


@dataclass(frozen=True, slots=True, kw_only=True)
class Workplace:
    """A study that can be loaded."""

    study: "Study"
    missing: frozenset[str]
    """Files that study.toml names and the bundle does not hold, as study.toml names them."""
    moved: Mapping[str, str] = field(default_factory=dict)
    """Name in this place to name in study.toml, where the two differ."""

    def named(self, name: str) -> str:
        """Return a file's name as study.toml has it."""
        return self.moved.get(name, name)


def laid_out(bundle: OpenedBundle, place: Path) -> Workplace:
    """Copy the study of `bundle` into the empty folder `place` and load it.

    Raises
    ------
    BlindtestError
        There is no study file, or it can't be used.
    """
    own = [name for name in bundle.names if name.startswith(STUDY)]
    if f"{STUDY}study.toml" not in own:
        raise BlindtestError(Fault(problem="there is no study file", file=f"{STUDY}study.toml"))
    for name in own:
        target = place.joinpath(*name.removeprefix(STUDY).split("/"))
        target.parent.mkdir(parents=True, exist_ok=True)
        shutil.copyfile(bundle.path(name), target)
    file = place / "study.toml"
    moved = _brought_inside(file)
    missing = set()
    for name in _audio_in(read_toml(file).data):
        target = place.joinpath(*name.split("/"))
        if not fault_in_name(name) and not target.exists():
            target.parent.mkdir(parents=True, exist_ok=True)
            target.touch()
            missing.add(moved.get(name, name))
    try:
        study = load_study(place)
    except BlindtestError as error:
        raise BlindtestError(
            *(Fault(problem=str(fault).replace(f"{place}/", STUDY)) for fault in error.faults[:3])
        ) from None
    return Workplace(study=study, missing=frozenset(missing), moved=moved)


def _brought_inside(file: Path) -> dict[str, str]:
    """Give every audio file of study.toml that lies elsewhere a name inside; return new names to old ones."""
    names = dict.fromkeys(_audio_in(read_toml(file).data))
    outside = [name for name in names if fault_in_name(name) or name.startswith("~")]
    if not outside:
        return {}
    text = file.read_text(encoding="utf-8")
    moved = {}
    for number, name in enumerate(outside, start=1):
        inside = f"lay-elsewhere/{number}{Path(name.replace(chr(92), '/')).suffix[:8]}"
        for spelt in (json.dumps(name), json.dumps(name, ensure_ascii=False), f"'{name}'"):
            text = text.replace(spelt, json.dumps(inside))
        moved[inside] = name
    file.write_text(text, encoding="utf-8")
    return moved


def _audio_in(data: Mapping[str, Any]) -> Iterator[str]:
    """Yield the files of clips and recordings that a study file names."""
    for clip in _tables(data.get("clip")):
        if isinstance(name := clip.get("file"), str):
            yield name
    for condition in _tables(data.get("condition")):
        for stage in _tables(condition.get("stages")):
            recording = stage.get("recording")
            files = recording.get("files") if isinstance(recording, dict) else None
            if isinstance(files, dict):
                yield from (name for name in files.values() if isinstance(name, str))


def _tables(value: Any) -> list[dict[str, Any]]:
    return [one for one in value if isinstance(one, dict)] if isinstance(value, list) else []
