"""Everything that lies in an evidence bundle: what is copied into it, and what is made from that.

What is made (`derived`) is made from nothing but what lies in the bundle: anybody can make it again, and find whatever
was changed although all hashes were computed anew.
"""

import csv
import io
from collections.abc import Mapping, Sequence
from datetime import datetime
from hashlib import sha256
from importlib.resources import files
from pathlib import Path
from typing import Any

from blindtest.device import impulse_wav
from blindtest.render import Rendered, table_text
from blindtest.session.record import Record
from blindtest.session.record_lines import record_lines
from blindtest.steps.anchors import ANCHORS
from blindtest.steps.answers.study import Answers
from blindtest.steps.evidence.archive import SUMS, Content, sums_text
from blindtest.steps.evidence.crate import CRATE, crate_text
from blindtest.steps.evidence.licences import clip_licences
from blindtest.steps.evidence.readme import readme_text
from blindtest.steps.evidence.results import json_text, results, study_tables
from blindtest.steps.evidence.trials import trials_schema, trials_text
from blindtest.steps.second_rate import second_folder
from blindtest.study import Study, protocol_text, study_files

__all__ = ["DERIVED", "SECOND_FIXED", "applied_filters", "bundle_hash", "derived", "evidence", "given"]

STUDY_FILE = "study/study.toml"
MATCH_TABLE = "stimuli/table.csv"
SECOND_FIXED = "stimuli/fixed-second.toml"
DERIVED = (
    "README.md",
    CRATE,
    "results.json",
    "results.schema.json",
    "stimuli/hashes.csv",
    "trials.csv",
    "trials.schema.json",
)
"""Files of a bundle that follow from the others; beside these only SHA256SUMS does."""
_LARGEST_ANCHOR = 1 << 20
_ANCHOR_ENDINGS = (".tsq", ".tsr", ".pem")


def given(
    study: Study,
    rendered: Rendered,
    record: Record,
    *,
    stimuli: Path,
    report: Mapping[str, bytes],
    versions: Mapping[str, str],
    comments: bool = False,
    audio: bool = True,
) -> dict[str, Content]:
    """Return what is copied into a bundle, by name: bytes, or where they lie.

    Parameters
    ----------
    rendered : with the set at the second rate, where the study has one and audio goes in
    stimuli : folder of the stimuli
    report : files of the report, by name
    comments : with what listeners wrote: remarks on single trials, and why they stopped
    audio : with audio, as far as its licence lets it be passed on
    """
    own = study.path.read_bytes()
    licences = clip_licences(study_tables(own, str(study.path)))
    may = {clip for clip, one in licences.items() if audio and one.may_enter}
    held: dict[str, Content] = {
        f"record/{name}": text for name, text in record_lines(record, comments=comments).items()
    }
    held[STUDY_FILE] = own
    held |= _study_files(study, may)
    held[MATCH_TABLE] = table_text(rendered.table).encode()
    fixed = stimuli / "fixed.toml"
    if fixed.is_file():
        held["stimuli/fixed.toml"] = fixed.read_bytes()
    held |= {f"stimuli/{one.sha256}.wav": one.path for one in rendered.stimuli if one.clip in may}
    if rendered.second is not None:
        held |= {f"stimuli/{one.sha256}.wav": one.path for one in rendered.second.stimuli if one.clip in may}
        fixed = second_folder(study) / "fixed.toml"
        if fixed.is_file():
            held[SECOND_FIXED] = fixed.read_bytes()
    held |= applied_filters(rendered)
    held |= {f"report/{name}": content for name, content in report.items() if not name.startswith("filters/")}
    held |= {name: content for name, content in report.items() if name.startswith("filters/")}
    held |= _anchors(study.folder / ANCHORS)
    held["versions.json"] = json_text(dict(versions))
    held["verify.py"] = files("blindtest.report").joinpath("short_verifier.py").read_bytes()
    return held


def _audio_files(study: Study) -> dict[str, set[str]]:
    """Return the clips that each file of audio belongs to, by its name in the study."""
    found: dict[str, set[str]] = {}
    for clip in study.clips:
        found.setdefault(clip.file, set()).add(clip.id)
    for condition in study.conditions:
        for stage in condition.stages:
            for clip_id, name in (stage.recording or {}).items():
                found.setdefault(name, set()).add(clip_id)
    return found


def _study_files(study: Study, may: set[str]) -> dict[str, Content]:
    """Return what the study reads; audio only of clips that may enter, and nothing that lies outside its folder."""
    audio = _audio_files(study)
    held: dict[str, Content] = {}
    for name in study_files(study):
        if name == study.path.name:
            continue
        if name == study.protocol_file:
            held[f"study/{name}"] = protocol_text(study).encode()
        elif name not in audio or (audio[name] <= may and _inside(name)):
            held[f"study/{Path(name).as_posix()}"] = study.folder / name
    if study.panel is not None:
        # Not sealed, so that a slip of the pen can be mended; but the study can't be read without it.
        held[f"study/{Path(study.panel.invitation).as_posix()}"] = study.folder / study.panel.invitation
    return held


def _inside(name: str) -> bool:
    return not name.startswith("~") and not Path(name).is_absolute() and ".." not in Path(name).parts


def applied_filters(rendered: Rendered) -> dict[str, Content]:
    """Return what each condition applies to the clip: the filter as an impulse response, its level as text."""
    held: dict[str, Content] = {}
    for condition, curve in rendered.filters.items():
        if curve.taps < 2:
            continue
        name = f"filters/applied-{condition}-{curve.rate}"
        held[f"{name}.wav"] = impulse_wav(curve.fir, curve.rate)
        lines = [
            f"# What the condition {condition} applies to the clip before its gain: level, minimum phase",
            "# Distortion, and phase beyond minimum phase, where its chain has them, come on top",
            f"# rate_hz: {curve.rate}",
            "# frequency_hz level_db",
            *(f"{f:.6g} {db:.4f}" for f, db in zip(curve.frequency, curve.magnitude_db, strict=True)),
        ]
        held[f"{name}.txt"] = ("\n".join(lines) + "\n").encode()
    return held


def _anchors(folder: Path) -> dict[str, Content]:
    """Return time stamps and certificates that lie beside the study."""
    found = sorted(folder.iterdir()) if folder.is_dir() else []
    return {
        f"{ANCHORS}/{path.name}": path.read_bytes()
        for path in found
        if path.suffix in _ANCHOR_ENDINGS
        and path.is_file()
        and not path.is_symlink()
        and path.stat().st_size <= _LARGEST_ANCHOR
    }


def derived(
    held: Mapping[str, Content], answers: Answers, record: Record, *, generated_at: datetime, invented: bool
) -> dict[str, bytes]:
    """Return the files of a bundle that follow from the others, by the names in `DERIVED`.

    Parameters
    ----------
    held : the others, as `given` returns them or as they lie in a bundle; only study file, match table and versions are
        read, of the rest the names
    answers, record : as `read_answers` reads them from the database, or from the bundle's own record
    generated_at, invented : as `results.json` of the bundle has them

    Raises
    ------
    BlindtestError
        The study file or the versions can't be read.
    """
    study = study_tables(_bytes(held[STUDY_FILE]))
    stimuli = answers.seal.record["stimuli"]
    included = [Path(name).stem for name in held if name.startswith("stimuli/") and name.endswith(".wav")]
    found = results(
        answers,
        record,
        study=study,
        match_table=_bytes(held[MATCH_TABLE]).decode(),
        included=included,
        generated_at=generated_at,
        invented=invented,
    )
    versions: dict[str, Any] = study_versions(_bytes(held["versions.json"]))
    made = {
        "README.md": readme_text(found, versions),
        "results.json": json_text(found),
        "results.schema.json": files("blindtest.steps.evidence").joinpath("results.schema.json").read_bytes(),
        "stimuli/hashes.csv": _hashes(stimuli),
        "trials.csv": trials_text(answers),
        "trials.schema.json": json_text(trials_schema()),
    }
    names = [*(name for name in held if name not in DERIVED and name != SUMS), *made]
    sets = (stimuli, answers.seal.record.get("second_rate", {}).get("stimuli", {}))
    made[CRATE] = crate_text(names, found, study, _clips_by_file(study, sets, names))
    return made


def _bytes(content: Content) -> bytes:
    return content if isinstance(content, bytes) else content.read_bytes()


def study_versions(text: bytes) -> dict[str, Any]:
    """Return the versions that a bundle names."""
    import json

    from blindtest.errors import BlindtestError, Fault

    try:
        found = json.loads(text)
    except ValueError as error:
        raise BlindtestError(Fault(problem=f"not JSON: {error}", file="versions.json")) from None
    return found if isinstance(found, dict) else {}


def _hashes(stimuli: Mapping[str, Mapping[str, str]]) -> bytes:
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(("clip", "condition", "sha256"))
    writer.writerows((clip, one, made[one]) for clip, made in sorted(stimuli.items()) for one in sorted(made))
    return out.getvalue().encode()


def _clips_by_file(
    study: Mapping[str, Any], sets: Sequence[Mapping[str, Mapping[str, str]]], names: list[str]
) -> dict[str, str]:
    """Return by name the clip whose audio a file of the bundle is, or is a rendering of."""
    pairs = [(clip, hashed) for stimuli in sets for clip, made in stimuli.items() for hashed in made.values()]
    found = {f"stimuli/{hashed}.wav": clip for clip, hashed in pairs}
    for clip in study.get("clip", []):
        found[f"study/{clip.get('file', '')}"] = str(clip.get("id"))
    for condition in study.get("condition", []):
        for stage in condition.get("stages", []):
            recorded = stage.get("recording", {}).get("files", {}) if isinstance(stage, dict) else {}
            found |= {f"study/{name}": str(clip) for clip, name in recorded.items()}
    return {name: found[name] for name in names if name in found}


def evidence(held: Mapping[str, Content], made: Mapping[str, bytes]) -> dict[str, Content]:
    """Return all files of a bundle, SHA256SUMS among them."""
    whole = {**held, **made}
    return {**whole, SUMS: sums_text(whole)}


def bundle_hash(whole: Mapping[str, Content]) -> str:
    """Return the hash that is published: SHA-256 (hex) of SHA256SUMS."""
    return sha256(_bytes(whole[SUMS])).hexdigest()
