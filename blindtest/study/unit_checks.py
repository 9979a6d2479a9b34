"""What must hold of the units of a study: their files, the one that stimuli are played over, and which may meet."""

from pathlib import Path

from blindtest.errors import did_you_mean
from blindtest.study.bench_checks import check_unit_bench
from blindtest.study.entries import entries, known
from blindtest.study.findings import Findings
from blindtest.study.named_files import check_named_file, check_pattern
from blindtest.study.reading import Tables
from blindtest.study.stage_checks import correction_of, is_in_room, seating_of

__all__ = ["check_one_rig", "check_playback", "check_units"]


def check_units(data: Tables, folder: Path, found: Findings) -> None:
    """Gather what is wrong of each unit by itself."""
    for index, unit in entries(data, "unit"):
        _unit_files(data, unit, index, folder, found)
        _band(unit, index, found)
        check_unit_bench(unit, index, folder, found)
        if isinstance(of := unit.get("sample_of"), str):
            known(data, "unit", of, ("unit", index, "sample_of"), found)
            if of == unit.get("id"):
                found.fault(("unit", index, "sample_of"), "a unit is no other sample of itself", got=of)


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
            for name in check_pattern(pattern, (*path, key, number), folder, found):
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
        + [seating_of(stage).get("unit") for stage in stages]
        + [correction_of(stage).get("unit") for stage in stages]
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


def check_playback(data: Tables, folder: Path, found: Findings) -> None:
    """Gather what is wrong of the unit that stimuli are played over, and of its field curve."""
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
        check_named_file(curve, ("playback", "field_curve"), folder, found)
        unit = unit_named(data, playback.get("unit"))
        if unit and unit.get("reference_point", "eardrum") != "eardrum":
            found.fault(
                ("playback", "field_curve"),
                "a field curve is for responses at the eardrum",
                got=f"reference_point {unit['reference_point']}",
                remedy="take it out",
            )


def check_one_rig(data: Tables, found: Findings) -> None:
    """Complain of units that can't meet: those whose responses are applied, and the one that is listened through."""
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
            if isinstance(name := seating_of(stage).get("unit"), str):
                uses.append(((*place, "seating", "unit"), name))
            # A pair at two ears is corrected by what was measured of it elsewhere; the head is checked by itself.
            if isinstance(name := correction_of(stage).get("unit"), str) and not is_in_room(condition):
                uses.append(((*place, "correction", "unit"), name))
    units = [(path, name, unit) for path, name in uses if (unit := unit_named(data, name)) is not None]
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


def unit_named(data: Tables, name: object) -> Tables | None:
    return next((unit for _, unit in entries(data, "unit") if unit.get("id") == name), None)
