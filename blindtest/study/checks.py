"""What must hold between the keys of a study file, and between it and the files it names.

Each check reads tables from which the schema's own findings have been taken out, so that one mistake is said once and
the others are still found in the same run. No measurement and no audio is read here: `material.py` does that.
"""

from pathlib import Path

from blindtest.errors import did_you_mean
from blindtest.render.anchors import LOW_PASS_HZ, LOW_PASSES_HZ
from blindtest.study.bench_checks import check_bench_stages, check_unit_bench
from blindtest.study.binaural_checks import STAGE as BINAURAL
from blindtest.study.binaural_checks import check_binaural
from blindtest.study.chain_checks import check_playing_chain
from blindtest.study.correction_checks import check_correction_keys
from blindtest.study.entries import entries, ids, known
from blindtest.study.factorial_checks import check_factors
from blindtest.study.findings import Findings
from blindtest.study.grid_checks import check_grid
from blindtest.study.imbalance_stages import check_imbalance_keys
from blindtest.study.paths import PathTrouble, file_at, matching
from blindtest.study.reading import Tables

__all__ = ["check_tables"]

STAGE_KEYS = (
    "response, seating, correction, impulse_response, excess_phase, harmonics, source_impedance, gain_db, recording, "
    "lowpass_hz, tilt_db_per_octave, hump, shelf, imbalance or binaural_response"
)
SHORTEST_S = 0.4
"""One gating block of BS.1770: a shorter excerpt has no loudness."""
DECOY_LABEL = "unnamed rendering"
"""What listeners read in place of a decoy's name."""
SHORT_S = 3.0
"""One short-term block of EBU Tech 3341."""


def check_tables(data: Tables, folder: Path, found: Findings) -> None:
    """Gather what is wrong between the keys of `data`, pruned of what the schema refused."""
    for name in ("unit", "condition", "clip", "claim"):
        _ids_are_unique(data, name, found)
    for index, unit in entries(data, "unit"):
        _unit_files(data, unit, index, folder, found)
        _band(unit, index, found)
        check_unit_bench(unit, index, folder, found)
        if isinstance(of := unit.get("sample_of"), str):
            known(data, "unit", of, ("unit", index, "sample_of"), found)
            if of == unit.get("id"):
                found.fault(("unit", index, "sample_of"), "a unit is no other sample of itself", got=of)
    _playback(data, folder, found)
    for index, condition in entries(data, "condition"):
        for number, stage in enumerate(condition.get("stages", ())):
            _stage(data, stage, ("condition", index, "stages", number), folder, found)
        check_bench_stages(data, condition, index, found)
        check_imbalance_keys(data, condition, index, found)
        check_grid(condition, index, found)
        check_factors(data, condition, index, found)
    check_playing_chain(data, found)
    check_binaural(data, folder, found)
    _one_rig(data, found)
    for index, clip in entries(data, "clip"):
        _clip(clip, index, folder, found)
    _clips_are_no_conditions(data, found)
    _labels(data, found)
    if isinstance(consent := data.get("listeners", {}).get("consent"), str):
        _file(consent, ("listeners", "consent"), folder, found)


def _ids_are_unique(data: Tables, name: str, found: Findings) -> None:
    first: dict[str, int] = {}
    for index, entry in entries(data, name):
        if (own := entry.get("id")) in first:
            line = found.source.line(name, first[own], "id")
            found.fault((name, index, "id"), f"another {name} has this id, in line {line}", got=own)
        elif own is not None:
            first[own] = index


def _clips_are_no_conditions(data: Tables, found: Findings) -> None:
    """Listeners read names by id, of clips as of conditions: one id can't stand for both."""
    conditions = {entry["id"]: index for index, entry in entries(data, "condition") if "id" in entry}
    for index, clip in entries(data, "clip"):
        if (own := clip.get("id")) in conditions:
            line = found.source.line("condition", conditions[own], "id")
            found.fault(
                ("clip", index, "id"), f"a condition has this id, in line {line}", got=own, remedy="take another id"
            )


# Units and playback


def _unit_files(data: Tables, unit: Tables, index: int, folder: Path, found: Findings) -> None:
    path = ("unit", index)
    given = [key for key in ("responses", "left", "right") if key in unit]
    if not any(found.is_touched(*path, key) for key in ("responses", "left", "right", "impulse_responses")):
        misspelt = any(
            at[:2] == path and len(at) == 3 and did_you_mean(str(at[2]), ("responses", "impulse_responses"))
            for at in found.touched
        )
        if not given and not misspelt and not _is_without_response(data, unit):
            found.fault(
                (*path, "responses"),
                "missing: the unit has no measurement",
                remedy="write responses = ['measurements/...'], or left = [...] and right = [...]",
            )
        elif "responses" in given and len(given) > 1:
            found.fault(
                (*path, given[-1]), "responses stand beside it", allowed="responses, or left and right, not both"
            )
        elif len(given) == 1 and given[0] != "responses":
            other = "right" if given[0] == "left" else "left"
            found.fault((*path, given[0]), f"{other} is missing", remedy=f"write {other} = [...] too")
    seen: dict[str, str] = {}
    for key in given:
        for number, pattern in enumerate(unit[key]):
            try:
                names = matching(folder, pattern)
            except PathTrouble as trouble:
                found.fault(
                    (*path, key, number), trouble.problem, got=pattern, allowed=trouble.allowed, remedy=trouble.remedy
                )
                continue
            for name in names:
                if name in seen:
                    found.fault((*path, key, number), f"{name} is named twice, a seating counts once", got=pattern)
                seen[name] = key


def _is_without_response(data: Tables, unit: Tables) -> bool:
    """Return whether a unit needs no response: only its harmonics or its impedance are made audible."""
    stages = [
        stage
        for _, condition in entries(data, "condition")
        for stage in condition.get("stages", ())
        if isinstance(stage, dict)
    ]
    applied = (
        [stage.get("response") for stage in stages]
        + [_seating(stage).get("unit") for stage in stages]
        + [_correction(stage).get("unit") for stage in stages]
    )
    applied.append(data.get("playback", {}).get("unit"))
    bare = ("harmonics" in unit or "impedance" in unit) and unit.get("id") not in applied
    return "impulse_responses" in unit or bare or ("binaural" in unit and unit.get("id") not in applied)


def _band(unit: Tables, index: int, found: Findings) -> None:
    band = unit.get("trusted_band_hz")
    if band and band[1] < 2 * band[0]:
        found.fault(
            ("unit", index, "trusted_band_hz"),
            "the band ends before it begins" if band[1] <= band[0] else "the band is narrower than an octave",
            got=band,
            allowed="the lower frequency first, an octave wide at least",
        )


def _playback(data: Tables, folder: Path, found: Findings) -> None:
    over = data.get("rendering", {}).get("over", "inverse")
    playback = data.get("playback")
    if playback is None:
        if (
            over == "inverse"
            and "hardware" not in data
            and not found.is_touched("playback")
            and not found.is_touched("rendering", "over")
        ):
            place = ("rendering", "over") if "over" in data.get("rendering", {}) else ("playback",)
            found.fault(
                place,
                "[playback] is missing: over = 'inverse' divides the playback unit's response out",
                remedy="write [playback] with unit = 'the id of a unit', or over = 'worn' under [rendering]",
            )
        return
    if isinstance(name := playback.get("unit"), str):
        known(data, "unit", name, ("playback", "unit"), found)
    if isinstance(curve := playback.get("field_curve"), str):
        _file(curve, ("playback", "field_curve"), folder, found)
        unit = _unit(data, playback.get("unit"))
        if unit and unit.get("reference_point", "eardrum") != "eardrum":
            found.fault(
                ("playback", "field_curve"),
                "a field curve is for responses at the eardrum",
                got=f"reference_point {unit['reference_point']}",
                remedy="take it out",
            )


def _unit(data: Tables, name: object) -> Tables | None:
    return next((unit for _, unit in entries(data, "unit") if unit.get("id") == name), None)


def _one_rig(data: Tables, found: Findings) -> None:
    """Units that meet in a study: those whose responses are applied, and the one that is listened through."""
    uses: list[tuple[tuple[str | int, ...], str]] = []
    if isinstance(name := data.get("playback", {}).get("unit"), str):
        uses.append((("playback", "unit"), name))
    for index, condition in entries(data, "condition"):
        for number, stage in enumerate(condition.get("stages", ())):
            place = ("condition", index, "stages", number)
            if isinstance(name := stage.get("response"), str):
                uses.append(((*place, "response"), name))
            if isinstance(own := stage.get("impulse_response"), dict) and isinstance(name := own.get("unit"), str):
                uses.append(((*place, "impulse_response", "unit"), name))
            if isinstance(name := _seating(stage).get("unit"), str):
                uses.append(((*place, "seating", "unit"), name))
            # A pair at two ears is corrected by what was measured of it elsewhere; the head is checked by itself.
            if isinstance(name := _correction(stage).get("unit"), str) and not _in_room(condition):
                uses.append(((*place, "correction", "unit"), name))
    units = [(path, name, unit) for path, name in uses if (unit := _unit(data, name)) is not None]
    # `level` may differ: an absolute level is taken out again when stimuli are made equally loud.
    for key, words in (("rig", "rigs"), ("reference_point", "reference points")):
        named = [(path, name, unit[key]) for path, name, unit in units if key in unit]
        said: set[str] = set()
        for path, name, value in named[1:]:
            if value != named[0][2] and name not in said:
                said.add(name)
                found.fault(
                    path,
                    f"responses of different {words} are never combined",
                    got=f"{name}: {value}",
                    allowed=f"{named[0][1]}: {named[0][2]}",
                    remedy="measure both on one rig" if key == "rig" else "bring both to one reference point",
                )
    for path, name, unit in units:
        if (
            unit.get("kind") == "loudspeaker"
            and path[0] == "condition"
            and name != data.get("playback", {}).get("unit")
        ):
            found.fault(
                path,
                "a loudspeaker is rendered only over the same loudspeaker at the same position",
                got=name,
                remedy="name it as [playback] unit too, measure it at two ears (binaural_response), or switch real "
                "ones side by side",
            )


# Conditions and clips


def _stage(data: Tables, stage: object, path: tuple[str | int, ...], folder: Path, found: Findings) -> None:
    if not isinstance(stage, dict) or (found.is_touched(*path) and not stage):
        return
    if len(stage) != 1 and not found.is_touched(*path):
        got = ", ".join(stage) or "none"
        found.fault(path, "a stage has exactly one key", got=got, allowed=STAGE_KEYS)
    if isinstance(own := stage.get("seating"), dict) and isinstance(name := own.get("unit"), str):
        known(data, "unit", name, (*path, "seating", "unit"), found)
    key = "response" if "response" in stage else "seating"
    if isinstance(name := stage.get("response", _seating(stage).get("unit")), str):
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
    if _correction(stage):
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


def _in_room(condition: Tables) -> bool:
    return any(isinstance(stage, dict) and BINAURAL in stage for stage in condition.get("stages", ()))


def _seating(stage: Tables) -> Tables:
    own = stage.get("seating")
    return own if isinstance(own, dict) else {}


def _correction(stage: Tables) -> Tables:
    own = stage.get("correction")
    return own if isinstance(own, dict) else {}


def _correct(data: Tables, path: tuple[str | int, ...], folder: Path, found: Findings) -> None:
    condition, number = data["condition"][path[1]], int(path[3])
    own = _correction(condition["stages"][number])
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


def _labels(data: Tables, found: Findings) -> None:
    """What a condition is called, and what it is for: anchor, decoy, or something a claim may speak of."""
    labels: dict[str, int] = {}
    anchors: dict[str, int] = {}
    references: list[int] = []
    for index, condition in entries(data, "condition"):
        path = ("condition", index)
        if condition.get("anchor") and condition.get("decoy"):
            found.fault((*path, "decoy"), "an anchor can't be a decoy too", remedy="keep one of the two keys")
        if condition.get("reference"):
            _reference(condition, index, references, found)
        if condition.get("decoy") and "label" in condition:
            found.fault((*path, "label"), "a decoy is never named", got=condition["label"], remedy="take the label out")
        elif isinstance(label := condition.get("label"), str):
            _label(data, label, index, labels, found)
        if isinstance(kind := condition.get("anchor"), str):
            if kind in anchors:
                line = found.source.line("condition", anchors[kind], "anchor")
                found.fault((*path, "anchor"), f"there is a {kind} anchor already, in line {line}", got=kind)
            anchors.setdefault(kind, index)


def _reference(condition: Tables, index: int, references: list[int], found: Findings) -> None:
    """Complain where the original is something else too, or not the only one; `references` gathers those seen."""
    path = ("condition", index, "reference")
    for key in ("anchor", "decoy"):
        if condition.get(key):
            found.fault(path, f"the reference can't be {'an' if key == 'anchor' else 'a'} {key} too", got=True)
    if references:
        line = found.source.line("condition", references[0], "reference")
        found.fault(path, f"there is a reference already, in line {line}", got=True, allowed="one in a study")
    references.append(index)


def _label(data: Tables, label: str, index: int, labels: dict[str, int], found: Findings) -> None:
    """Complain where listeners could take one condition for another by its name; `labels` gathers those seen."""
    path, name = ("condition", index, "label"), label.strip().casefold()
    others = {one["id"].casefold() for number, one in entries(data, "condition") if "id" in one and number != index}
    if name in labels:
        line = found.source.line("condition", labels[name], "label")
        found.fault(path, f"another condition has this label, in line {line}", got=label)
    elif name == DECOY_LABEL or name in others:
        found.fault(path, "another condition is called that", got=label, remedy="take another label")
    labels.setdefault(name, index)


def _recording(data: Tables, recording: Tables, path: tuple[str | int, ...], folder: Path, found: Findings) -> None:
    path = (*path, "recording")
    files = recording.get("files")
    if path[-2] != 0:
        found.fault(path, "a recording stands in for the clip: only the first stage can be one")
    if not isinstance(files, dict):
        return
    for clip, name in files.items():
        known(data, "clip", clip, (*path, "files", clip), found)
        _file(name, (*path, "files", clip), folder, found, anywhere=True)
    missing = [clip for clip in ids(data, "clip") if clip not in files]
    if missing and not found.is_touched(*path, "files"):
        found.fault(
            (*path, "files"), "a clip has no recording", got=", ".join(missing[:5]), remedy="name a file for it"
        )


def _clip(clip: Tables, index: int, folder: Path, found: Findings) -> None:
    path = ("clip", index)
    if isinstance(name := clip.get("file"), str):
        _file(name, (*path, "file"), folder, found, anywhere=True)
    in_s, out_s = clip.get("in_s", 0.0), clip.get("out_s")
    if out_s is not None and not found.is_touched(*path, "in_s"):
        if out_s <= in_s:
            found.fault(
                (*path, "out_s"), "the excerpt ends before it begins", got=out_s, allowed=f"above in_s = {in_s:g}"
            )
        elif out_s - in_s < SHORTEST_S:
            found.fault(
                (*path, "out_s"),
                "the excerpt is too short to have a loudness (ITU-R BS.1770)",
                got=f"{out_s - in_s:.3g} s",
                allowed=f"{SHORTEST_S} s or more",
            )
        elif out_s - in_s < SHORT_S:
            found.note(
                (*path, "out_s"),
                f"the excerpt lasts {out_s - in_s:.3g} s; under {SHORT_S:g} s it has no loudness range",
            )
    if "licence" not in clip and not found.is_touched(*path, "licence"):
        found.note(path, "no licence: its audio never enters a bundle")


def _file(name: str, path: tuple[str | int, ...], folder: Path, found: Findings, *, anywhere: bool = False) -> None:
    try:
        file_at(folder, name, anywhere=anywhere)
    except PathTrouble as trouble:
        found.fault(path, trouble.problem, got=name, allowed=trouble.allowed, remedy=trouble.remedy)
