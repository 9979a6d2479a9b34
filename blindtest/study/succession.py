"""A study that comes from an older one: a later device among the same clips, anchors, loudness and rig.

What is kept is written anew as values, so comments of the old file are lost and everything it says is kept. Files that
lie in the old folder are copied, clips that lie elsewhere are named from where the new study is. `origin.toml` in the
new folder says which study it came from, and how many plans had been sealed until then: the register goes on counting.
"""

import hashlib
import json
import os
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from pathlib import Path

from blindtest.design import Protocol
from blindtest.errors import BlindtestError, Fault
from blindtest.render.fixed import read_fixed
from blindtest.study.comparing import compared
from blindtest.study.entries import entries
from blindtest.study.folder import SCHEMA_NAME, schema_text, written
from blindtest.study.loading import look_at_tables
from blindtest.study.paths import leaves
from blindtest.study.protocols import find_protocol, is_path
from blindtest.study.reading import Tables, copied, one_line, read_toml
from blindtest.study.study import ORIGIN_NAME, Study, study_files
from blindtest.study.template_texts import HEAD
from blindtest.study.templates import protocol_part

__all__ = ["Kept", "Origin", "new_study_from", "read_origin"]

LATER = "later"
"""Id of the unit and condition that there is room for."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Origin:
    """Which study a study came from."""

    title: str
    folder: str
    """As seen from the new folder when it was made."""
    study_sha256: str
    """Of the old study.toml, hex."""
    plans_sealed: int = 0
    """Plans that had been sealed in the old folder and in those it came from."""

    def to_dict(self) -> dict[str, object]:
        """Return what JSON can hold."""
        return {
            "title": self.title,
            "folder": self.folder,
            "study_sha256": self.study_sha256,
            "plans_sealed": self.plans_sealed,
        }


@dataclass(frozen=True, slots=True, kw_only=True)
class Kept:
    """A study made from an older one, and what it kept."""

    path: Path
    """Its study.toml."""
    origin: Origin
    units: tuple[str, ...]
    conditions: tuple[str, ...]
    anchors: tuple[str, ...]
    clips: tuple[str, ...]
    loudness_lufs: Mapping[str, float] = field(default_factory=dict)
    """By clip: as heard, from the old study file or fixed by its first rendering."""
    copied: tuple[str, ...] = ()
    """Files of the old folder, under the same paths in the new one."""
    referenced: tuple[str, ...] = ()
    """Clips that lie elsewhere, as the new study names them."""
    later: str = LATER
    """Id of the condition that there is room for."""

    @property
    def unfixed(self) -> tuple[str, ...]:
        """Clips whose loudness had not been fixed: the old study was never rendered with them."""
        return tuple(clip for clip in self.clips if clip not in self.loudness_lufs)

    def to_dict(self) -> dict[str, object]:
        """Return what JSON can hold."""
        return {
            "path": str(self.path),
            "origin": self.origin.to_dict(),
            "units": list(self.units),
            "conditions": list(self.conditions),
            "anchors": list(self.anchors),
            "clips": list(self.clips),
            "loudness_lufs": dict(self.loudness_lufs),
            "unfixed": list(self.unfixed),
            "copied": list(self.copied),
            "referenced": list(self.referenced),
            "later": self.later,
        }


def new_study_from(
    folder: str | Path, old_folder: str | Path, protocol: str | None = None, *, plans_sealed: int = 0
) -> Kept:
    """Write a study folder that keeps what an older study fixed, with room for a later device.

    Parameters
    ----------
    folder : the new one, which must not exist or be empty
    old_folder : of a study that `blindtest check` finds nothing wrong with
    protocol : a name or a path; without it the old study's, with the old study's changes
    plans_sealed : in the old study's own register; those of the studies that it came from are added

    Raises
    ------
    BlindtestError
        The old study can't be used (all that is wrong with it), there is no such protocol, or the new folder exists and
        isn't empty. Nothing is left half-written.
    """
    loaded = look_at_tables(old_folder)
    if loaded.study is None or loaded.found.faults:
        raise BlindtestError.of(loaded.found.sorted_faults())
    old = loaded.study
    earlier = read_origin(old.folder)
    moved = _Moved(old, Path(folder))
    data = moved.relocated(loaded.data)
    loudness = _loudness(old)
    own: dict[str, str] = {}
    if protocol is not None:
        use = protocol
        chosen = find_protocol(protocol)
        if is_path(protocol):
            use = f"protocols/{Path(protocol).name}"
            own[use] = Path(protocol).read_text(encoding="utf-8")
        data["protocol"] = {"use": use}
    else:
        use = data["protocol"]["use"]
        chosen = find_protocol(use, folder=old.folder)
        if is_path(use):
            moved.copy(use)
    origin = Origin(
        title=old.title,
        folder=Path(os.path.relpath(old.folder.resolve(), Path(folder).resolve())).as_posix(),
        study_sha256=hashlib.sha256(old.path.read_bytes()).hexdigest(),
        plans_sealed=plans_sealed + (earlier.plans_sealed if earlier is not None else 0),
    )
    later = _free(LATER, {one["id"] for name in ("unit", "condition") for _, one in entries(data, name)})
    text = _text(data, old, chosen, use, origin, later, loudness)
    path = written(
        Path(folder),
        {"study.toml": text, SCHEMA_NAME: schema_text(), ORIGIN_NAME: _origin_text(origin), **own},
        folders=(f"measurements/{later}",) if old.rendering.over == "inverse" else (),
        copies={name: old.folder / name for name in moved.copied},
    )
    return Kept(
        path=path,
        origin=origin,
        units=tuple(unit.id for unit in old.units),
        conditions=tuple(condition.id for condition in old.conditions),
        anchors=tuple(condition.id for condition in old.conditions if condition.anchor is not None),
        clips=tuple(clip.id for clip in old.clips),
        loudness_lufs=loudness,
        copied=tuple(moved.copied),
        referenced=tuple(moved.referenced),
        later=later,
    )


def read_origin(folder: str | Path) -> Origin | None:
    """Return which study the one in `folder` came from; None where it began by itself.

    Raises
    ------
    BlindtestError
        origin.toml isn't what `new_study_from` wrote.
    """
    path = Path(folder) / ORIGIN_NAME
    if not path.exists():
        return None
    data = read_toml(path, what="origin of the study").data
    known = {"title": str, "folder": str, "study_sha256": str, "plans_sealed": int}
    wrong = [key for key, kind in known.items() if not isinstance(data.get(key), kind)]
    if wrong or data.get("format") != 1 or int(data["plans_sealed"]) < 0:
        raise BlindtestError(
            Fault(
                problem="not what `blindtest new --from` wrote",
                file=str(path),
                key=", ".join(wrong) or "format",
                remedy="restore the file: the register of plans goes on counting from it",
            )
        )
    return Origin(**{key: data[key] for key in known})


class _Moved:
    """Files of the old study, as the new one names them; `copied` and `referenced` gather while it is asked."""

    def __init__(self, old: Study, folder: Path) -> None:
        self._old, self._folder = old, folder.resolve()
        self.copied: list[str] = []
        self.referenced: list[str] = []

    def copy(self, name: str) -> None:
        """Note a file that goes along."""
        if name not in self.copied:
            self.copied.append(name)

    def audio(self, name: str) -> str:
        """Return how the new study names an audio file: inside as before, elsewhere from the new folder."""
        if not leaves(name):
            self.copy(name)
            return name
        if os.path.isabs(name) or name.startswith("~"):
            new = name
        else:
            new = Path(os.path.relpath(self._old.folder.resolve() / name, self._folder)).as_posix()
        if new not in self.referenced:
            self.referenced.append(new)
        return new

    def relocated(self, data: Tables) -> Tables:
        """Return the old tables with audio files named from the new folder; every other file is copied."""
        data = copied(data)
        outside = {clip.file for clip in self._old.clips}
        outside |= {f for c in self._old.conditions for s in c.stages for f in (s.recording or {}).values()}
        for name in study_files(self._old):
            lies_in_old = name not in outside and (self._old.folder / name).exists()
            if lies_in_old and name not in (self._old.path.name, self._old.protocol_file, ORIGIN_NAME):
                self.copy(name)
        for _, clip in entries(data, "clip"):
            clip["file"] = self.audio(clip["file"])
        for _, condition in entries(data, "condition"):
            for stage in condition["stages"]:
                if "recording" in stage:
                    files = stage["recording"]["files"]
                    stage["recording"]["files"] = {clip: self.audio(name) for clip, name in files.items()}
        return data


def _loudness(old: Study) -> dict[str, float]:
    fixed = read_fixed(old.folder / "stimuli").loudness_lufs
    own = {clip.id: clip.loudness_lufs if clip.loudness_lufs is not None else fixed.get(clip.id) for clip in old.clips}
    return {clip: level for clip, level in own.items() if level is not None}


def _free(name: str, taken: set[str]) -> str:
    return name if name not in taken else next(f"{name}-{n}" for n in range(2, 10_000) if f"{name}-{n}" not in taken)


def _text(
    data: Tables, old: Study, protocol: Protocol, use: str, origin: Origin, later: str, loudness: Mapping[str, float]
) -> str:
    conditions = [*entries(data, "condition")]
    parts = [
        HEAD[: HEAD.index("format = 1")],
        f"# This study came from another: {one_line(old.title)}\n"
        f"# (in {one_line(origin.folder)}, its study.toml has the SHA-256 {origin.study_sha256}).\n"
        "# Kept: units and rig, playback, rendering, conditions and anchors, clips and how loud each is heard.\n"
        f"# There is room for a later device: {later}.\n\n",
        'format = 1\ntitle = ""                               # FILL IN: a line that says what is compared now\n',
        f"reviewer = {_value(old.reviewer)}\n",
        *(_table("[[unit]]", unit) for _, unit in entries(data, "unit")),
        _later_unit(old, later),
        *(_table(f"[{name}]", data[name]) for name in ("playback", "rendering", "hardware") if name in data),
        *(_table("[[condition]]", condition) for _, condition in conditions),
        f"\n[[condition]]                            # the later device\nid = {_value(later)}\n",
        _later_stages(old, later) + "\n",
        *(_anchor(kind, old) for kind in ("low", "high") if "rated" in protocol.decides),
        *(
            _table("[[clip]]", {**clip, **({"loudness_lufs": loudness[clip["id"]]} if clip["id"] in loudness else {})})
            for _, clip in entries(data, "clip")
        ),
        "\n\n# What is claimed of the later device.\n",
        *(
            _table("[[claim]]", {"id": kind, "kind": kind, "device": later, "comparator": compared(old)[0]})
            for kind in protocol.decides
        ),
        _protocol(data, protocol, use),
        _listeners(data, protocol),
    ]
    return "".join(parts)


def _table(header: str, table: Tables) -> str:
    rows = [f"{key} = {_value(value)}" for key, value in table.items()]
    return "\n" + "\n".join([header, *rows]) + "\n"


def _later_unit(old: Study, later: str) -> str:
    if old.rendering.over == "worn":
        return ""
    like = old.unit(old.playback.unit) if old.playback is not None else old.units[0]
    return (
        "\n[[unit]]                                 # the later device, on the same rig\n"
        f"id = {_value(later)}\n"
        'name = ""                                # FILL IN: the name that stands in the report\n'
        f"kind = {_value(like.kind)}\n"
        f"rig = {_value(like.rig)}\n"
        f"level = {_value(like.level)}\n"
        f"reference_point = {_value(like.reference_point)}\n"
        f'responses = ["measurements/{later}/*"]\n'
    )


def _later_stages(old: Study, later: str) -> str:
    if old.rendering.over == "inverse":
        return f"stages = [{{ response = {_value(later)} }}]"
    if old.hardware is not None:
        place = 'connect = ""' if old.hardware.route == "operator" else "outputs = []"
        return f'stages = []\nhardware = {{ unit = "", {place} }}   # FILL IN: the real unit, where it is, its voltages'
    if any(stage.recording for condition in old.conditions for stage in condition.stages):
        files = ", ".join(f'{_key(clip.id)} = ""' for clip in old.clips)
        return f"stages = [{{ recording = {{ files = {{ {files} }} }} }}] # FILL IN: a file for each clip"
    if old.playback is not None:
        correction = f'{{ unit = {_value(old.playback.unit)}, target = "" }}'
        return f"stages = [{{ correction = {correction} }}] # FILL IN: target"
    return "stages = [{ gain_db = -1.0 }]            # what is new about it"


def _anchor(kind: str, old: Study) -> str:
    if any(condition.anchor == kind for condition in old.conditions):
        return ""
    name = _free(f"{kind}-anchor", {condition.id for condition in old.conditions})
    stages = [{"lowpass_hz": 3500}] if kind == "low" else []
    return _table("[[condition]]", {"id": name, "anchor": kind, "stages": stages})


def _protocol(data: Tables, protocol: Protocol, use: str) -> str:
    table = data["protocol"]
    if len(table) == 1:
        return protocol_part(protocol, use)
    text = _table("[protocol]", {key: value for key, value in table.items() if key != "changes"})
    changes = {
        f"{_key(block)}.{key}": value
        for block, numbers in table.get("changes", {}).items()
        for key, value in numbers.items()
    }
    return "\n" + text + (_table("[protocol.changes]", changes) if changes else "")


def _listeners(data: Tables, protocol: Protocol) -> str:
    table = {key: value for key, value in data.get("listeners", {}).items() if key != "keep_until"}
    text = _table("[listeners]", table) if table else ""
    if "rated" in protocol.decides and "planned" not in table:
        text = text or "\n[listeners]\n"
        text += 'planned = ""                             # FILL IN: how many there will be, a number without quotes\n'
    return text


def _origin_text(origin: Origin) -> str:
    rows = ["# Where this study came from. Made by: blindtest new --from. Keep it: the register counts on from it."]
    rows += ["format = 1"]
    return "\n".join(rows + [f"{key} = {_value(value)}" for key, value in origin.to_dict().items()]) + "\n"


def _key(name: str) -> str:
    return name if name.replace("-", "").replace("_", "").isalnum() and name.isascii() else _value(name)


def _value(value: object) -> str:
    """Return a value as TOML."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        # A JSON string is a TOML string, but for the one control character that JSON leaves alone.
        return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")
    if isinstance(value, int | float):
        return repr(value)
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, Mapping):
        return "{ " + ", ".join(f"{_key(key)} = {_value(member)}" for key, member in value.items()) + " }"
    if isinstance(value, list):
        return "[" + ", ".join(_value(member) for member in value) + "]"
    raise TypeError(f"no TOML for {value!r}")
