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

__all__ = ["new_study", "pair_study"]

SCHEMA_NAME = "study.schema.json"

_STUDY = """\
#:schema ./study.schema.json
# Editors that read JSON Schema for TOML find the one of this file by the line above: they then complete keys, show what
# each is for and underline mistakes. `blindtest check` says the same and more.
#
# Everything that is empty, "", has to be filled in; `blindtest check` says what is still missing.
# A line that begins with # is a comment. Paths are relative to this file.

format = 1
title = ""                               # FILL IN: a line that says what is compared
reviewer = ""                            # FILL IN: a pseudonym; real names live elsewhere, if at all


# What was measured: one [[unit]] for each. Put the response files of every seating into the folder it names.

[[unit]]
id = "first"                             # a short name of your choice; conditions and [playback] refer to it
name = ""                                # FILL IN: the name that stands in the report
kind = "headphone"                       # headphone | loudspeaker | electronics
rig = ""                                 # FILL IN: the measurement rig; responses of different rigs are never combined
level = "spl"                            # spl | relative: what the dB in the files are
reference_point = "eardrum"              # where the responses hold: eardrum | diffuse-field | free-field | electrical
responses = ["measurements/first/*"]     # every seating, left and right in one file; or left = [...] and right = [...]
# measured = 2026-03-02                  # the day, without quotes
# serial_suffix = "0417"
# revision = "B"
# trusted_band_hz = [20, 10_000]         # where the measurement is to be trusted; else 20 Hz to 10 kHz at the eardrum

[[unit]]
id = "second"
name = ""                                # FILL IN
kind = "headphone"
rig = ""                                 # FILL IN: the same rig as above
level = "spl"
reference_point = "eardrum"
responses = ["measurements/second/*"]

[[unit]]                                 # what you will wear; take this unit out if it is one of the two above
id = "worn"
name = ""                                # FILL IN
kind = "headphone"
rig = ""                                 # FILL IN: the same rig as above
level = "spl"
reference_point = "eardrum"
responses = ["measurements/worn/*"]


[playback]                               # what the listener wears or sits before
unit = "worn"                            # its response is divided out
max_boost_db = 12                        # of the one inverse that all conditions share
# field_curve = "measurements/field.txt" # the rig's own response in a diffuse field; else ISO 11904-1 stands in

[rendering]
over = "inverse"                         # inverse: a device is rendered over the playback unit, whose response is
                                         # divided out; worn: the clip goes to it as it is
match = "heard"                          # equally loud as heard; or file | 1khz; goes into the seal
ceiling_dbtp = -1.0                      # no stimulus peaks higher
# rate_hz = 48_000                       # bring every clip to this sample rate first; else each keeps its own


# What is compared: two conditions. stages = [] is the clip as it is.

[[condition]]
id = "first"
stages = [{ response = "first" }]        # the id of a unit

[[condition]]
id = "second"
stages = [{ response = "second" }]


# Music: one [[clip]] for each; WAV, FLAC, Ogg or MP3. Take as many as you like: copy the table.

[[clip]]
id = "one"
file = ""                                # FILL IN: such as "clips/strings.flac"
in_s = 0.0                               # where the excerpt begins, in seconds
# out_s = 12.0                           # where it ends; else at the end of the file
title = ""                               # FILL IN: what it is
# chosen_by = "reviewer"
# chosen = 2026-01-15                    # the day; before the unit was heard?
# licence = "CC0-1.0"                    # without one the audio never enters a bundle
# loudness_lufs = -25.0                  # how loud it is heard; else chosen at the first rendering and kept


# What is claimed. Without this table: that the two conditions can be told apart, by the margin of the protocol.

# [[claim]]
# id = "different"
# kind = "heard"
# device = "first"
# comparator = "second"
# margin = 0.5                           # share of trials heard beyond guessing that would matter


[protocol]
use = {use}

# [protocol.changes]                     # numbers of the protocol's blocks that differ here
{changes}

# [listeners]
# consent = "consent.md"                 # shown before the first question; optional if you are the only listener
# keep_until = 2027-03-01
"""

_MEASUREMENTS = """\
Response files: any delimited text with frequency and level, as your bench exported it.

Put the files of each unit into its own folder here, one file for each seating (five or more are better than one):
the folders first, second and worn are those that study.toml names. A file may hold one channel or left and right side
by side. Put nothing else into those folders.
"""

_CLIPS = """\
Music: WAV, FLAC, Ogg or MP3, mono or stereo. 8 to 15 seconds of each are plenty; study.toml says from where to where.
A clip may also lie elsewhere: study.toml may name any path.
"""


def new_study(folder: str | Path, protocol: str = "abx") -> Path:
    """Write a study folder to fill in, and return the path of its study.toml.

    Raises
    ------
    BlindtestError
        The folder exists and isn't empty, can't be written, or there is no such protocol. Nothing is left half-written.
    """
    blocks = find_protocol(protocol).blocks
    changes = "\n".join(
        f"# {block.id}.trials = {block.trials}" + (f"\n# {block.id}.margin = {block.margin:g}" if block.margin else "")
        for block in blocks
    )
    use = json.dumps(protocol, ensure_ascii=False)
    if is_path(protocol):
        text_of_protocol = Path(protocol).read_text(encoding="utf-8")
        use = json.dumps(f"protocols/{Path(protocol).name}", ensure_ascii=False)
    return _written(
        Path(folder),
        {
            "study.toml": _STUDY.replace("{use}", f"{use:<39}# a name in protocols/, or a path in this folder").replace(
                "{changes}", changes
            ),
            SCHEMA_NAME: json.dumps(json_schema("study"), indent=2) + "\n",
            "measurements/README.txt": _MEASUREMENTS,
            "clips/README.txt": _CLIPS,
            **({f"protocols/{Path(protocol).name}": text_of_protocol} if is_path(protocol) else {}),
        },
        folders=("measurements/first", "measurements/second", "measurements/worn"),
    )


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
    return _written(Path(folder), {"study.toml": text}, copies={names["a"]: one, names["b"]: other})


def _written(
    folder: Path, texts: Mapping[str, str], *, folders: tuple[str, ...] = (), copies: Mapping[str, Path] | None = None
) -> Path:
    """Make `folder` with all its files, or leave nothing: it is filled under another name and renamed."""
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
