"""What a drive has to reach and a table to cover: seatings by number, an amplifier's volts, full scale in a table."""

from collections.abc import Iterator, Mapping
from math import inf, log10
from typing import Any

from blindtest.device import Amplifier
from blindtest.study.findings import Findings
from blindtest.study.study import Study

__all__ = ["check_seatings", "note_amplifier", "note_full_scale"]

Place = tuple[str | int, ...]
ROUNDING_DB = 0.05


def _stages(data: Mapping[str, Any], kind: str) -> Iterator[tuple[Place, Mapping[str, Any]]]:
    for index, condition in enumerate(data.get("condition", ())):
        for number, stage in enumerate(condition.get("stages", ())):
            if isinstance(own := stage.get(kind), dict):
                yield ("condition", index, "stages", number, kind), own


def check_seatings(data: Mapping[str, Any], study: Study, found: Findings) -> None:
    """Gather the seatings that are asked for and weren't measured."""
    for place, own in _stages(data, "seating"):
        count = study.unit(own["unit"]).seatings
        if own["number"] > count:
            found.fault(
                (*place, "number"),
                "the unit has no such seating",
                got=own["number"],
                allowed=f"1 to {count}" if count else "none measured",
                remedy="seatings are counted in the order of their files",
            )


def note_full_scale(data: Mapping[str, Any], highest: Mapping[str, float], found: Findings) -> None:
    """Say where a full-scale sine lies above all that was measured of its harmonics; `highest`: dB by unit."""
    for place, own in _stages(data, "harmonics"):
        top, asked = highest.get(own.get("unit", "")), own.get("full_scale_db")
        if top is not None and isinstance(asked, int | float) and asked > top + ROUNDING_DB:
            found.note(
                (*place, "full_scale_db"),
                f"{asked - top:g} dB above the highest level in the table ({top:g} dB): of what is louder "
                "than that the ratio of harmonics is held, not measured",
            )


def note_amplifier(study: Study, found: Findings) -> None:
    """Say where the amplifier can't deliver what the source is said to put out, or the reading says."""
    setting = study.playback
    own = None if setting is None else setting.amplifier
    if setting is None or own is None or own.volts is None:
        return
    amplifier = Amplifier(volts=own.volts, into_ohm=own.into_ohm or inf, output_ohm=own.output_ohm)
    ohm = study.unit(setting.unit).rated_ohm
    across = 1.0 if ohm is None else ohm / (ohm + amplifier.output_ohm)
    if (read := setting.calibration) is not None and read.volts is not None:
        wanted, key = read.volts * 10 ** (-read.tone_dbfs / 20), "calibration"
    elif setting.full_scale_volts is not None:
        wanted, key = setting.full_scale_volts * across, "full_scale_volts"
    else:
        return
    most = amplifier.emf if ohm is None else amplifier.volts_into(ohm)
    short = 20 * log10(wanted / most)
    if short > ROUNDING_DB:
        load = "" if ohm is None else f" into {ohm:g} ohm"
        found.note(
            ("playback", key),
            f"a full-scale sine asks for {wanted:.3g} V{load}, the amplifier delivers {most:.3g} V: it clips programme "
            f"that peaks above {-short:.1f} dBFS",
        )
