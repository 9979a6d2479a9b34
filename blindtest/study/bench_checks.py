"""What must hold of the stages that come from harmonics and impedance, and what these files hold."""

from pathlib import Path
from typing import Any

from blindtest.device import Impedance, read_harmonics, read_impedance
from blindtest.errors import BlindtestError, did_you_mean
from blindtest.study.drive_checks import note_full_scale
from blindtest.study.findings import Findings
from blindtest.study.named_files import check_named_file, check_pattern
from blindtest.study.paths import PathTrouble, file_at

__all__ = ["check_bench_files", "check_bench_stages", "check_unit_bench"]

KEYS = {"harmonics": "harmonics", "source_impedance": "impedance", "impulse_response": "impulse_responses"}
"""Stage to the unit's key that it reads."""
FILTERS = (
    "response",
    "correction",
    "imbalance",
    "lowpass_hz",
    "tilt_db_per_octave",
    "hump",
    "shelf",
    "source_impedance",
    "binaural_response",
)


_EXAMPLE = {
    "harmonics": "'measurements/...'",
    "impedance": "'measurements/...'",
    "impulse_responses": "['measurements/...']",
}


def check_unit_bench(unit: dict[str, Any], index: int, folder: Path, found: Findings) -> None:
    """Gather which of a unit's further files aren't there."""
    window = unit.get("window_s")
    if isinstance(window, list) and len(window) == 2 and not (window[0] >= 0 and window[1] > 0):
        found.fault(("unit", index, "window_s"), "a window of nothing", got=window, allowed="0 or more, above 0")
    for number, pattern in enumerate(unit.get("impulse_responses", ())):
        check_pattern(pattern, ("unit", index, "impulse_responses", number), folder, found)
    for key in ("harmonics", "impedance"):
        if isinstance(name := unit.get(key), str) and not found.is_touched("unit", index, key):
            check_named_file(name, ("unit", index, key), folder, found)


def check_bench_stages(data: dict[str, Any], condition: dict[str, Any], index: int, found: Findings) -> None:
    """Gather what is wrong with the stages of one condition that need a unit's harmonics or impedance."""
    units = {unit["id"]: unit for unit in data.get("unit", ()) if isinstance(unit, dict) and "id" in unit}
    distortions = 0
    filters_seen = ""
    for number, stage in enumerate(condition.get("stages", ())):
        if not isinstance(stage, dict):
            continue
        place = ("condition", index, "stages", number)
        for kind, key in (*KEYS.items(), ("excess_phase", "impulse_responses")):
            own = stage.get(kind)
            name = own.get("unit") if isinstance(own, dict) else own
            if not isinstance(name, str):
                continue
            if name not in units:
                if not found.is_touched("unit"):
                    allowed = ", ".join(units) or "none: the file has no [[unit]]"
                    remedy = did_you_mean(name, units)
                    found.fault((*place, kind), "no unit has this id", got=name, allowed=allowed, remedy=remedy)
            elif key not in units[name] and not found.is_touched("unit"):
                problem = f"the unit has no {key}"
                remedy = f"write {key} = {_EXAMPLE[key]} in [[unit]] {name!r}"
                found.fault((*place, kind), problem, got=name, remedy=remedy)
        if "harmonics" in stage:
            distortions += 1
            if distortions > 1:
                found.fault((*place, "harmonics"), "a second stage of harmonics in one chain", allowed="one")
            if filters_seen and not found.is_touched("condition", index, "stages"):
                found.fault(
                    (*place, "harmonics"),
                    f"harmonics stand behind {filters_seen}: a nonlinearity comes ahead of what it is heard through",
                    remedy="write it ahead of every filter of the chain; it is referred back through the response",
                )
        filters_seen = filters_seen or next((key for key in FILTERS if key in stage), "")


def check_bench_files(data: dict[str, Any], folder: Path, found: Findings) -> None:
    """Read every table of harmonics and every impedance that is there."""
    highest: dict[str, float] = {}
    for index, unit in enumerate(data.get("unit", ())):
        for key, read in (("harmonics", read_harmonics), ("impedance", read_impedance)):
            name = unit.get(key)
            if not isinstance(name, str):
                continue
            try:
                path = file_at(folder, name)
            except PathTrouble:
                continue
            try:
                made = read(path)
            except BlindtestError as error:
                found.faults += [fault.in_file(str(path)) for fault in error.faults]
                continue
            if not isinstance(made, Impedance):
                highest[unit["id"]] = float(made.level_db.max())
            remarks = made.remarks if isinstance(made, Impedance) else made.attrs.get("remarks", ())
            for remark in remarks:
                found.note(("unit", index, key), str(remark))
            if isinstance(made, Impedance) and made.phase is None:
                found.note(("unit", index, key), "only the magnitude is known: its phase is rebuilt as minimum phase")
    note_full_scale(data, highest, found)
