"""What must hold between sensitivities, voltages and readings: each said once, and enough of them to tell a level."""

from typing import Any

from blindtest.study.findings import Findings

__all__ = ["check_playing_chain"]

WAYS = ("sensitivity_mv_94db", "sensitivity_db_per_volt", "sensitivity_db_per_mw")


def check_playing_chain(data: dict[str, Any], found: Findings) -> None:
    """Gather what is wrong with the sensitivities of units, and with the drive and the calibration of [playback]."""
    for index, unit in enumerate(data.get("unit", ())):
        if isinstance(unit, dict):
            _sensitivity(unit, ("unit", index), found)
    playback = data.get("playback")
    if not isinstance(playback, dict):
        return
    unit = next(
        (one for one in data.get("unit", ()) if isinstance(one, dict) and one.get("id") == playback.get("unit")), {}
    )
    known = any(way in unit for way in WAYS)
    read = playback.get("calibration")
    if isinstance(read, dict) and not found.is_touched("playback", "calibration"):
        given = [key for key in ("volts", "spl_db") if key in read]
        place = ("playback", "calibration")
        if len(given) != 1:
            found.fault(
                place,
                "a reading is one voltage or one level",
                got=", ".join(given) or "none",
                allowed="volts or spl_db",
            )
        elif given == ["volts"] and not known and unit:
            found.fault(
                (*place, "volts"),
                "a voltage tells no level without the unit's sensitivity",
                got=read["volts"],
                remedy=f"write sensitivity_mv_94db in [[unit]] {playback['unit']!r}, or a meter's reading: spl_db",
            )
    if "full_scale_volts" in playback and not known and unit and not isinstance(read, dict):
        found.fault(
            ("playback", "full_scale_volts"),
            "a voltage tells no level without the unit's sensitivity",
            got=playback["full_scale_volts"],
            remedy=f"write sensitivity_mv_94db in [[unit]] {playback['unit']!r}",
        )
    elif known and "full_scale_volts" not in playback and not isinstance(read, dict):
        found.note(
            ("playback",),
            "the unit's sensitivity is known, but not what drives it: write full_scale_volts, or a calibration, and "
            "the page says how loud the sitting plays",
        )


def _sensitivity(unit: dict[str, Any], place: tuple[str | int, ...], found: Findings) -> None:
    given = [way for way in WAYS if way in unit]
    if len(given) > 1:
        found.fault((*place, given[1]), f"{given[0]} stands beside it", allowed="one: each follows from another")
    if "sensitivity_db_per_mw" in given and "rated_ohm" not in unit and not found.is_touched(*place, "rated_ohm"):
        found.fault(
            (*place, "sensitivity_db_per_mw"),
            "a milliwatt is no voltage without the rated impedance",
            got=unit["sensitivity_db_per_mw"],
            remedy="write rated_ohm too",
        )
