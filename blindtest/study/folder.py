"""Study folders made for a user: one to fill in, and one of two recordings that is complete at once."""

import json
import os
import shutil
import tempfile
from collections.abc import Mapping
from pathlib import Path

from blindtest.audio import read_clip
from blindtest.errors import BlindtestError, Fault
from blindtest.study.protocols import find_protocol, is_path
from blindtest.study.schema import json_schema
from blindtest.study.template_texts import CLIPS_WORDS
from blindtest.study.templates import study_template

__all__ = ["SCHEMA_NAME", "new_study", "pair_study", "schema_text", "written"]

SCHEMA_NAME = "study.schema.json"


def new_study(folder: str | Path, protocol: str = "abx") -> Path:
    """Write a study folder to fill in, and return the path of its study.toml.

    Raises
    ------
    BlindtestError
        The folder exists and isn't empty, can't be written, or there is no such protocol. Nothing is left half-written.
    """
    use, own = protocol, {}
    if is_path(protocol):
        use = f"protocols/{Path(protocol).name}"
        own = {use: Path(protocol).read_text(encoding="utf-8")}
    template = study_template(find_protocol(protocol), use)
    return written(
        Path(folder),
        {
            "study.toml": template.text,
            SCHEMA_NAME: schema_text(),
            "measurements/README.txt": template.measurements,
            "clips/README.txt": CLIPS_WORDS,
            **own,
        },
        folders=tuple(f"measurements/{unit}" for unit in template.units),
    )


def schema_text() -> str:
    """Return the JSON Schema of study.toml as the file that lies beside it."""
    return json.dumps(json_schema("study"), indent=2) + "\n"


_PAIR = """\
# Two recordings, compared by ABX. Made by: blindtest listen A B
format = 1
title = {title}
reviewer = "listener"

[rendering]
over = "worn"                            # the files go to the player as they are, made equally loud
match = "file"
{rate}
[[condition]]
id = "a"
stages = [{{ recording = {{ files = {{ pair = {a} }}, align = {align} }} }}]

[[condition]]
id = "b"
stages = [{{ recording = {{ files = {{ pair = {b} }}, align = {align} }} }}]

[[clip]]
id = "pair"
file = {a}
in_s = 0.0
out_s = {out_s}                          # both are cut to the shorter one
title = {title}

[protocol]
use = "abx"
"""


def pair_study(folder: str | Path, a: str | Path, b: str | Path, align: bool = False) -> Path:
    """Write a complete study of two recordings, copied into its clips/, and return the path of its study.toml.

    Both are cut to the same frames, those of the shorter one; with `align`, b is shifted in time onto a.

    Raises
    ------
    BlindtestError
        A file can't be read as audio, both are the same file, they are too short, or the folder exists and isn't empty.
    """
    one, other = Path(a), Path(b)
    faults: list[Fault] = []
    clips = []
    for path in (one, other):
        try:
            clips.append(read_clip(path))
        except BlindtestError as error:
            faults += [fault.in_file(str(path)) for fault in error.faults]
    if not faults and one.resolve() == other.resolve():
        faults.append(Fault(problem="both are the same file", file=str(other), remedy="name two recordings"))
    for path, clip in zip((one, other), clips, strict=False):
        if clip.duration < 0.4:
            faults.append(
                Fault(
                    problem="too short to have a loudness (ITU-R BS.1770)",
                    file=str(path),
                    got=f"{clip.duration:.3g} s",
                    allowed="0.4 s or more",
                )
            )
    if faults:
        raise BlindtestError.of(faults)
    rates = {clip.rate for clip in clips}
    rate = max(rates)
    names = {"a": f"clips/a{one.suffix.lower()}", "b": f"clips/b{other.suffix.lower()}"}
    text = _PAIR.format(
        title=json.dumps(f"{one.name} against {other.name}", ensure_ascii=False),
        rate=f"rate_hz = {rate}                          # of the two, the higher rate\n" if len(rates) > 1 else "",
        a=json.dumps(names["a"]),
        b=json.dumps(names["b"]),
        align="true" if align else "false",
        out_s=f"{min(clip.duration for clip in clips):.6f}",
    )
    return written(Path(folder), {"study.toml": text}, copies={names["a"]: one, names["b"]: other})


def written(
    folder: Path, texts: Mapping[str, str], *, folders: tuple[str, ...] = (), copies: Mapping[str, Path] | None = None
) -> Path:
    """Make `folder` with all its files and return its study.toml, or leave nothing: it is filled under another name.

    Raises
    ------
    BlindtestError
        The folder exists and isn't empty, or can't be written.
    """
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise BlindtestError(
            Fault(
                problem="this folder exists and isn't empty" if folder.is_dir() else "this is a file, not a folder",
                file=str(folder),
                remedy="choose another name; nothing was overwritten",
            )
        )
    target = folder.resolve()
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        draft = Path(tempfile.mkdtemp(prefix=".new-study-", dir=target.parent))
    except OSError as error:
        raise BlindtestError(Fault(problem=f"can't be written: {error.strerror}", file=str(folder))) from None
    try:
        draft.chmod(0o777 & ~_umask())
        for inner in folders:
            (draft / inner).mkdir(parents=True)
        for name, text in texts.items():
            (draft / name).parent.mkdir(parents=True, exist_ok=True)
            (draft / name).write_text(text, encoding="utf-8", newline="\n")
        for name, path in (copies or {}).items():
            (draft / name).parent.mkdir(parents=True, exist_ok=True)
            shutil.copyfile(path, draft / name)
        draft.replace(target)
    except OSError as error:
        raise BlindtestError(Fault(problem=f"can't be written: {error.strerror}", file=str(folder))) from None
    finally:
        shutil.rmtree(draft, ignore_errors=True)
    return folder / "study.toml"


def _umask() -> int:
    mask = os.umask(0o022)
    os.umask(mask)
    return mask
