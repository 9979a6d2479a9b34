"""What must hold of the stages of a condition: one key each, and what they name is there and can be applied."""

from pathlib import Path

from blindtest.render.anchors import LOW_PASS_HZ, LOW_PASSES_HZ
from blindtest.study.binaural_checks import STAGE as BINAURAL
from blindtest.study.correction_checks import check_correction_keys
from blindtest.study.entries import ids, known
from blindtest.study.findings import Findings
from blindtest.study.named_files import check_named_file
from blindtest.study.reading import Tables

__all__ = ["check_stages", "correction_of", "is_in_room", "seating_of"]

STAGE_KEYS = (
    "response, seating, correction, impulse_response, excess_phase, harmonics, source_impedance, gain_db, recording, "
    "lowpass_hz, tilt_db_per_octave, hump, shelf, imbalance or binaural_response"
)


def check_stages(data: Tables, condition: Tables, index: int, folder: Path, found: Findings) -> None:
    """Gather what is wrong of the stages of the condition at place `index`."""
    for number, stage in enumerate(condition.get("stages", ())):
        _stage(data, stage, ("condition", index, "stages", number), folder, found)


def _stage(data: Tables, stage: object, path: tuple[str | int, ...], folder: Path, found: Findings) -> None:
    if not isinstance(stage, dict) or (found.is_touched(*path) and not stage):
        return
    if len(stage) != 1 and not found.is_touched(*path):
        got = ", ".join(stage) or "none"
        found.fault(path, "a stage has exactly one key", got=got, allowed=STAGE_KEYS)
    if isinstance(own := stage.get("seating"), dict) and isinstance(name := own.get("unit"), str):
        known(data, "unit", name, (*path, "seating", "unit"), found)
    key = "response" if "response" in stage else "seating"
    if isinstance(name := stage.get("response", seating_of(stage).get("unit")), str):
        if key == "response":
            known(data, "unit", name, (*path, "response"), found)
        if data.get("rendering", {}).get("over") == "worn":
            found.fault(
                (*path, key),
                "over = 'worn' sends the clip to the unit as it is: a response can't be rendered over it",
                got=name,
                allowed="over = 'inverse' with [playback]",
            )
    if isinstance(recording := stage.get("recording"), dict):
        _recording(data, recording, path, folder, found)
    if correction_of(stage):
        _correct(data, path, folder, found)
    if stage.get("lowpass_hz", LOW_PASS_HZ) not in LOW_PASSES_HZ:
        found.fault(
            (*path, "lowpass_hz"),
            "not yet: another low-pass than those of the low and the mid anchor",
            got=stage["lowpass_hz"],
            allowed=" or ".join(f"{one:g}" for one in LOW_PASSES_HZ) + " (ITU-R BS.1534-3, 5.1)",
        )
    for one in ("hump", "shelf"):
        if isinstance(stage.get(one), dict) and stage[one].get("gain_db") == 0:
            found.fault((*path, one, "gain_db"), f"a {one} of nothing", got=0, remedy="take the stage out")
    if stage.get("tilt_db_per_octave") == 0:
        found.fault((*path, "tilt_db_per_octave"), "a tilt of nothing", got=0, remedy="take the stage out")


def _recording(data: Tables, recording: Tables, path: tuple[str | int, ...], folder: Path, found: Findings) -> None:
    path = (*path, "recording")
    files = recording.get("files")
    if path[-2] != 0:
        found.fault(path, "a recording stands in for the clip: only the first stage can be one")
    if not isinstance(files, dict):
        return
    for clip, name in files.items():
        known(data, "clip", clip, (*path, "files", clip), found)
        check_named_file(name, (*path, "files", clip), folder, found, anywhere=True)
    missing = [clip for clip in ids(data, "clip") if clip not in files]
    if missing and not found.is_touched(*path, "files"):
        found.fault(
            (*path, "files"), "a clip has no recording", got=", ".join(missing[:5]), remedy="name a file for it"
        )


def _correct(data: Tables, path: tuple[str | int, ...], folder: Path, found: Findings) -> None:
    condition, number = data["condition"][path[1]], int(path[3])
    own = correction_of(condition["stages"][number])
    path = (*path, "correction")
    check_correction_keys(data, own, path, folder, found)
    if not isinstance(name := own.get("unit"), str):
        return
    known(data, "unit", name, (*path, "unit"), found)
    if name not in ids(data, "unit"):
        return
    if data.get("rendering", {}).get("over", "inverse") == "worn":
        worn = data.get("playback", {}).get("unit")
        if worn is None and not found.is_touched("playback"):
            found.fault(
                (*path, "unit"),
                "[playback] is missing: which unit is worn is not known",
                got=name,
                remedy=f"write [playback] with unit = '{name}'",
            )
        elif worn is not None and worn != name:
            found.fault(
                (*path, "unit"), "a correction of another unit than the one that is worn", got=name, allowed=worn
            )
        return
    before = [
        stage.get("response", stage.get(BINAURAL)) for stage in condition["stages"][:number] if isinstance(stage, dict)
    ]
    if name not in before and not found.is_touched("condition", path[1], "stages"):
        found.fault(
            (*path, "unit"),
            "the chain doesn't apply this unit's response before it is corrected",
            got=name,
            remedy=f"write {{ response = '{name}' }} before it, or over = 'worn' if the unit itself is worn",
        )


def is_in_room(condition: Tables) -> bool:
    """Return whether a condition is a pair of loudspeakers in a room, measured at two ears."""
    return any(isinstance(stage, dict) and BINAURAL in stage for stage in condition.get("stages", ()))


def seating_of(stage: Tables) -> Tables:
    """Return the stage's table of a single seating; empty where it has none."""
    own = stage.get("seating")
    return own if isinstance(own, dict) else {}


def correction_of(stage: Tables) -> Tables:
    """Return the stage's table of a correction; empty where it has none."""
    own = stage.get("correction")
    return own if isinstance(own, dict) else {}
