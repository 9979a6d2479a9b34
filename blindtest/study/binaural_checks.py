"""Loudspeakers by one route at a time: what must hold where a pair is heard over a headphone, as measured at two ears.

A loudspeaker is rendered against the same loudspeaker at the same position, or over a headphone through a measured
binaural impulse response; else real ones are switched in an assisted sitting. The routes differ by more than any two
loudspeakers do, so that a study takes one.
"""

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from blindtest.device import PATHS, read_binaural
from blindtest.errors import BlindtestError, did_you_mean
from blindtest.study.findings import Findings
from blindtest.study.named_files import check_named_file
from blindtest.study.paths import PathTrouble, file_at

__all__ = ["STAGE", "binaural_files", "check_binaural", "check_binaural_files"]

STAGE = "binaural_response"
ONLY_BESIDE = ("harmonics", "correction", "gain_db", "lowpass_hz", "tilt_db_per_octave", "hump", "shelf")
"""What a chain may hold beside it: stages that are known at every frequency, and what no impulse response holds."""
BOTH_WAYS = "real loudspeakers are compared by switching them: [hardware], in an assisted sitting"


def binaural_files(own: Mapping[str, Any]) -> tuple[str, ...]:
    """Return the files that a unit's binaural table names: one, or four in the order of their paths."""
    return (own["file"],) if own.get("file") else tuple(own[name] for name in PATHS if own.get(name))


def check_binaural(data: dict[str, Any], folder: Path, found: Findings) -> None:
    """Gather what is wrong with units measured at two ears, and with the conditions that are heard through them."""
    for index, unit in enumerate(data.get("unit", ())):
        if isinstance(unit, dict) and isinstance(own := unit.get("binaural"), dict):
            _files(own, ("unit", index, "binaural"), folder, found)
    uses = {
        index: [
            number
            for number, stage in enumerate(condition.get("stages", ()))
            if isinstance(stage, dict) and STAGE in stage
        ]
        for index, condition in enumerate(data.get("condition", ()))
        if isinstance(condition, dict)
    }
    if not any(uses.values()):
        return
    _headphone(data, found)
    for index, numbers in uses.items():
        _condition(data, index, numbers, found)
    if "hardware" in data:
        found.fault(
            ("hardware",),
            "real units are switched in the same study in which loudspeakers are heard over a headphone",
            allowed="one route",
            remedy="make two studies of it",
        )


def _files(own: Mapping[str, Any], place: tuple[str | int, ...], folder: Path, found: Findings) -> None:
    if found.is_touched(*place):
        return
    four = [name for name in PATHS if own.get(name)]
    if ("file" in own) == bool(four) or (four and len(four) < len(PATHS)):
        missing = ", ".join(name for name in PATHS if name not in own) if four and "file" not in own else ""
        found.fault(
            place,
            "it takes four paths: each loudspeaker to each ear",
            got=", ".join((*(["file"] if "file" in own else []), *four)) or "none",
            allowed="file, or all of " + ", ".join(PATHS),
            remedy=f"write {missing} too" if missing else "",
        )
        return
    if "measurements" in own and not str(own.get("file", "")).casefold().endswith(".sofa"):
        found.fault((*place, "measurements"), "only a SOFA file holds several measurements", got=own["measurements"])
    for key in ("file", *PATHS):
        if isinstance(name := own.get(key), str):
            check_named_file(name, (*place, key), folder, found)


def _headphone(data: dict[str, Any], found: Findings) -> None:
    """Complain unless what is listened through is a headphone, over which devices are rendered."""
    if data.get("rendering", {}).get("over", "inverse") != "inverse":
        found.fault(
            ("rendering", "over"),
            "loudspeakers over a headphone need its response divided out",
            got=data["rendering"]["over"],
            allowed="inverse",
        )
    playback = _unit(data, data.get("playback", {}).get("unit"))
    if playback is not None and playback.get("kind", "headphone") != "headphone":
        found.fault(
            ("playback", "unit"),
            "a binaural impulse response is heard over a headphone",
            got=f"{playback.get('id')}: {playback.get('kind')}",
            allowed="a unit of kind headphone",
            remedy=f"name the headphone that is worn; {BOTH_WAYS}",
        )


def _condition(data: dict[str, Any], index: int, numbers: list[int], found: Findings) -> None:
    condition = data["condition"][index]
    if not numbers:
        if not found.is_touched("condition", index, "stages"):
            found.fault(
                ("condition", index, "stages"),
                "others are heard through a room, this one isn't: they differ by more than a claim is about",
                got=", ".join(key for stage in condition.get("stages", ()) for key in stage) or "the clip as it is",
                allowed=f"a chain with {STAGE}, as in all conditions of the study (anchors too)",
                remedy=f"write {{ {STAGE} = '...' }} as its first stage; {BOTH_WAYS}",
            )
        return
    factors = condition.get("factors")
    if isinstance(factors, dict) and STAGE in factors.get("stages", ()):
        found.fault(
            ("condition", index, "factors", "stages"), "a room can't be switched off: it is the route", got=STAGE
        )
    for number in numbers[1:]:
        found.fault(("condition", index, "stages", number, STAGE), "a second room in one chain", allowed="one")
    name = condition["stages"][numbers[0]][STAGE]
    place = ("condition", index, "stages", numbers[0], STAGE)
    if not isinstance(name, str):
        return
    for number, stage in enumerate(condition["stages"]):
        if not isinstance(stage, dict) or number in numbers:
            continue
        other = next((key for key in stage if key not in ONLY_BESIDE), None)
        if other is not None:
            found.fault(
                ("condition", index, "stages", number, other),
                f"doesn't go with {STAGE}: the impulse responses hold all that was measured of the pair, its phase too",
                got=other,
                allowed=", ".join(ONLY_BESIDE),
                remedy="take one of the two out",
            )
    unit = _unit(data, name)
    if unit is not None:
        _harmonics(condition, unit, index, found)
    if unit is None:
        if not found.is_touched("unit"):
            names = [one["id"] for one in data.get("unit", ()) if isinstance(one, dict) and "id" in one]
            allowed = ", ".join(names) or "none: the file has no [[unit]]"
            found.fault(place, "no unit has this id", got=name, allowed=allowed, remedy=did_you_mean(name, names))
        return
    if not isinstance(own := unit.get("binaural"), dict):
        if not found.is_touched("unit"):
            remedy = f"write binaural = {{ file = 'measurements/...', rig = '...' }} in [[unit]] {name!r}"
            found.fault(place, "the unit wasn't measured at two ears", got=name, remedy=remedy)
        return
    _same_head(data, name, own, place, found)


def _harmonics(condition: Mapping[str, Any], unit: Mapping[str, Any], index: int, found: Findings) -> None:
    """Complain where harmonics of the pair can't be referred back through the response that they were measured behind.

    A harmonic of an acoustic measurement holds the response at its own frequency over that at the fundamental's. The
    room has another response than the place where the bench measured.
    """
    for number, stage in enumerate(condition["stages"]):
        own = stage.get("harmonics") if isinstance(stage, dict) else None
        if not isinstance(own, dict) or own.get("unit") != unit["id"] or unit.get("responses"):
            continue
        found.fault(
            ("condition", index, "stages", number, "harmonics"),
            "harmonics are referred back through the response that they were measured behind, and it isn't there: the "
            "impulse responses of a room are another one",
            got=unit["id"],
            remedy=f"write responses = ['measurements/...'] in [[unit]] {unit['id']!r}, of the place of its harmonics",
        )


def _same_head(
    data: dict[str, Any], name: str, own: Mapping[str, Any], place: tuple[str | int, ...], found: Findings
) -> None:
    playback = _unit(data, data.get("playback", {}).get("unit"))
    if playback is None:
        return
    for key, words, remedy in (
        ("rig", "heads", "measure the headphone on the head that stood in the room"),
        ("reference_point", "reference points", "bring both to one reference point"),
    ):
        mine, worn = own.get(key, "eardrum" if key == "reference_point" else None), playback.get(key)
        if mine is not None and worn is not None and mine != worn:
            found.fault(
                place,
                f"measured with different {words} than the headphone: its inverse would not fit",
                got=f"{name}: {mine}",
                allowed=f"{playback.get('id')}: {worn}",
                remedy=remedy,
            )


def _unit(data: dict[str, Any], name: object) -> dict[str, Any] | None:
    return next((one for one in data.get("unit", ()) if isinstance(one, dict) and one.get("id") == name), None)


def check_binaural_files(data: dict[str, Any], folder: Path, found: Findings) -> None:
    """Read the impulse responses of every unit measured at two ears, and pass on what they are remarked upon."""
    for index, unit in enumerate(data.get("unit", ())):
        own = unit.get("binaural") if isinstance(unit, dict) else None
        place = ("unit", index, "binaural")
        if not isinstance(own, dict) or found.is_touched(*place):
            continue
        try:
            paths = [file_at(folder, name) for name in binaural_files(own)]
        except PathTrouble:
            continue
        if len(paths) not in (1, len(PATHS)):
            continue
        two = own.get("measurements")
        try:
            made = read_binaural(
                paths, measurements=None if two is None else (two[0], two[1]), after_s=own.get("window_s")
            )
        except BlindtestError as error:
            found.faults += error.faults
            continue
        for remark in made.remarks:
            found.note(place, remark)
