"""Before a unit goes back: what can never be captured again, and which later test each gap forbids.

Measurements stay when the unit has gone; what was not measured stays unknown. Each gap is either closed, or waived with
a reason that the study file keeps.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from blindtest.device import read_harmonics, read_impedance, read_impulse_responses, read_response
from blindtest.errors import BlindtestError
from blindtest.study.playing_level import sensitivity_of
from blindtest.study.study import Study
from blindtest.study.unit import Unit

if TYPE_CHECKING:
    from collections.abc import Callable

__all__ = ["CAPTURES", "Capture", "captures_of"]

SEATINGS = 5
"""Per ear; our rule, after IEC 60268-7, which averages 3 to 5 fittings."""
HARMONIC_LEVELS = 3
WORN_DAYS = 2

CAPTURES: Mapping[str, tuple[str, str]] = {
    "seatings": (
        f"{SEATINGS} or more seatings of each ear",
        "whether a difference is more than reseating makes; corrections where the spread is known",
    ),
    "impulse_response": ("an impulse response", "any claim about group delay or phase; rendering with measured phase"),
    "harmonics": (
        f"harmonics at {HARMONIC_LEVELS} or more levels",
        "any claim about distortion, and thresholds of it",
    ),
    "impedance": ("the impedance with its phase", "any claim about the amplifier: what its output impedance does"),
    "sensitivity": ("the sensitivity", "telling how loud a sitting plays, and which amplifier can drive the unit"),
    "rig": (
        "the rig and, at the eardrum, its own reference curve",
        "matching by what is heard with the rig's own curve",
    ),
    "amplifier": (
        "the output impedance of the amplifier it was worn with",
        "rendering what was heard on that amplifier",
    ),
    "serial": ("the serial number's end", "telling this sample from another one"),
    "revision": ("the revision", "telling a later revision from this one"),
    "firmware": ("the firmware (or 'none')", "repeating what processing in the unit did"),
    "worn": (
        f"worn ratings on {WORN_DAYS} days",
        "saying what rendering loses: weight, fit, seal, looks (worn minus labelled)",
    ),
}
"""Name to what has to be there, and what is forbidden for good without it (claims about a unit that has gone back)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Capture:
    """One thing that can't be captured later, of one unit."""

    unit: str
    name: str
    """A key of `CAPTURES`."""
    done: bool
    found: str
    """What there is, in words."""
    waived: str = ""
    """Why it is left out, as the study file says."""

    @property
    def open(self) -> bool:
        """Whether it is neither there nor waived."""
        return not self.done and not self.waived

    @property
    def sentence(self) -> str:
        """It in one line."""
        what, forbids = CAPTURES[self.name]
        if self.done:
            return f"{self.unit}: {what}: {self.found}"
        if self.waived:
            return f"{self.unit}: {what}: waived: {self.waived}; never again: {forbids}"
        return f"{self.unit}: {what}: missing ({self.found}); never again: {forbids}"

    def to_dict(self) -> dict[str, Any]:
        """Return what JSON can hold."""
        what, forbids = CAPTURES[self.name]
        return {
            "unit": self.unit,
            "name": self.name,
            "what": what,
            "done": self.done,
            "found": self.found,
            "waived": self.waived or None,
            "forbids": forbids,
        }


def captures_of(study: Study, unit: Unit, worn_days: int) -> tuple[Capture, ...]:
    """Return everything that has to be captured of `unit` before it goes back, done or not.

    `worn_days`: on how many days sittings of the phase worn were finished. Files that can't be read count as missing.
    """
    looks: dict[str, Callable[[], tuple[bool, str]]] = {
        "seatings": lambda: _seatings(study, unit),
        "impulse_response": lambda: _impulses(study, unit),
        "harmonics": lambda: _harmonics(study, unit),
        "impedance": lambda: _impedance(study, unit),
        "sensitivity": lambda: (
            sensitivity_of(unit) is not None,
            "entered" if sensitivity_of(unit) else "none entered",
        ),
        "rig": lambda: _rig(study, unit),
        "amplifier": lambda: _amplifier(study),
        "serial": lambda: _text(unit.serial_suffix),
        "revision": lambda: _text(unit.revision),
        "firmware": lambda: _text(unit.firmware),
        "worn": lambda: (worn_days >= WORN_DAYS, f"{worn_days} of {WORN_DAYS} days"),
    }
    found = []
    for name, look in looks.items():
        try:
            done, words = look()
        except BlindtestError as error:
            done, words = False, f"can't be read: {error.faults[0].problem}"
        found.append(Capture(unit=unit.id, name=name, done=done, found=words, waived=dict(unit.waived).get(name, "")))
    return tuple(found)


def _seatings(study: Study, unit: Unit) -> tuple[bool, str]:
    ears = {"left": len(unit.left), "right": len(unit.right)}
    for name in unit.responses:
        channels = read_response(study.folder / name).channels
        for ear in ears:
            ears[ear] += ear in channels or channels == ("both",)
    if not unit.responses and not unit.left:
        for name in unit.impulse_responses:
            for one in read_impulse_responses(study.folder / name):
                for ear in ears:
                    ears[ear] += ear in one.channels or one.channels == ("both",)
    words = ", ".join(f"{count} of the {ear}" for ear, count in ears.items())
    return min(ears.values()) >= SEATINGS, words


def _impulses(study: Study, unit: Unit) -> tuple[bool, str]:
    count = sum(len(read_impulse_responses(study.folder / name)) for name in unit.impulse_responses)
    return count > 0, f"{count} captured" if count else "none named"


def _harmonics(study: Study, unit: Unit) -> tuple[bool, str]:
    if not unit.harmonics:
        return False, "no table named"
    levels = read_harmonics(study.folder / unit.harmonics).level_db.nunique()
    return levels >= HARMONIC_LEVELS, f"{levels} of {HARMONIC_LEVELS} levels"


def _impedance(study: Study, unit: Unit) -> tuple[bool, str]:
    if not unit.impedance:
        return False, "no curve named"
    with_phase = read_impedance(study.folder / unit.impedance).phase is not None
    return with_phase, "with phase" if with_phase else "without phase"


def _rig(study: Study, unit: Unit) -> tuple[bool, str]:
    if unit.reference_point != "eardrum":
        return bool(unit.rig), f"{unit.rig}, no field curve needed"
    curve = study.playback.field_curve if study.playback is not None else ""
    return bool(curve), f"{unit.rig}, {curve or 'no field_curve in [playback]'}"


def _amplifier(study: Study) -> tuple[bool, str]:
    setting = study.playback.amplifier if study.playback is not None else None
    return setting is not None, "entered" if setting is not None else "no amplifier in [playback]"


def _text(value: str) -> tuple[bool, str]:
    return bool(value), value or "not written"
