"""What was asked about drive: the sensitivity said in all ways, and what a level needs of an amplifier."""

from dataclasses import dataclass
from math import isfinite
from typing import Any

from blindtest.device import Amplifier, Demand, Sensitivity, demand
from blindtest.errors import Fault, WrongUse
from blindtest.report.bench_facts import ImpedanceFacts

__all__ = ["DriveAsked", "DriveShown", "drive_shown"]

SINE_CREST_DB = 3.0103
LOUD_DB = 80.0
"""From here on a line of caution stands beside it: WHO-ITU H.870 allows 40 h a week at 80 dB(A)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class DriveAsked:
    """What a user says of sensitivity and amplifier; None where it isn't said."""

    millivolts: float | None = None
    """That give 94 dB SPL."""
    db_per_volt: float | None = None
    db_per_mw: float | None = None
    ohm: float | None = None
    level_db: float | None = None
    crest_db: float | None = None
    amplifier_volts: float | None = None
    amplifier_into_ohm: float | None = None
    amplifier_output_ohm: float | None = None

    def sensitivity(self) -> Sensitivity | None:
        """Return the sensitivity, None where none is given.

        Raises
        ------
        WrongUse
            Numbers out of range, several sensitivities, or one that lacks what it needs; all at once.
        """
        faults = [*self._numbers(), *self._belongings()]
        if faults:
            raise WrongUse(*faults)
        if self.millivolts is not None:
            return Sensitivity.from_mv_94db(self.millivolts, self.ohm)
        if self.db_per_mw is not None:
            assert self.ohm is not None
            return Sensitivity.from_db_per_mw(self.db_per_mw, self.ohm)
        return None if self.db_per_volt is None else Sensitivity(db_per_volt=self.db_per_volt, ohm=self.ohm)

    def amplifier(self) -> Amplifier | None:
        """Return the amplifier, None where none is given."""
        if self.amplifier_volts is None:
            return None
        into = {} if self.amplifier_into_ohm is None else {"into_ohm": self.amplifier_into_ohm}
        return Amplifier(volts=self.amplifier_volts, output_ohm=self.amplifier_output_ohm or 0.0, **into)

    def _numbers(self) -> list[Fault]:
        positive = ("millivolts", "ohm", "amplifier_volts", "amplifier_into_ohm")
        ranges = {
            **dict.fromkeys(positive, (0.0, 1000000.0, "above 0, up to 1000000")),
            "db_per_volt": (-50.0, 200.0, "-50 to 200 dB"),
            "db_per_mw": (-50.0, 200.0, "-50 to 200 dB"),
            "level_db": (0.0, 160.0, "0 to 160 dB SPL"),
            "crest_db": (0.0, 60.0, "0 to 60 dB"),
            "amplifier_output_ohm": (0.0, 1e5, "0 or more"),
        }
        faults = []
        for name, (low, high, allowed) in ranges.items():
            value = getattr(self, name)
            if value is None:
                continue
            if not isfinite(value) or not low <= value <= high or (name in positive and value == 0):
                faults.append(Fault(problem="not in range", key=_option(name), got=value, allowed=allowed))
        return faults

    def _belongings(self) -> list[Fault]:
        given = [name for name in ("millivolts", "db_per_volt", "db_per_mw") if getattr(self, name) is not None]
        faults = []
        if len(given) > 1:
            named = " and ".join(_option(name) for name in given)
            faults.append(Fault(problem="one sensitivity is enough: two could contradict each other", got=named))
        if self.db_per_mw is not None and self.ohm is None:
            faults.append(Fault(problem="needs --ohm, the rated impedance", key="--db-per-mw"))
        for name in ("level_db", "crest_db", "amplifier_volts"):
            if getattr(self, name) is not None and not given:
                need = "needs a sensitivity: --millivolts, --db-per-volt or --db-per-mw"
                faults.append(Fault(problem=need, key=_option(name)))
        for name in ("crest_db", "amplifier_volts"):
            if getattr(self, name) is not None and self.level_db is None:
                faults.append(Fault(problem="needs --level-db, the level to be reached", key=_option(name)))
        for name in ("amplifier_into_ohm", "amplifier_output_ohm"):
            if getattr(self, name) is not None and self.amplifier_volts is None:
                faults.append(Fault(problem="needs --amplifier-volts", key=_option(name)))
        return faults


def _option(name: str) -> str:
    return "--" + name.replace("_", "-")


@dataclass(frozen=True, slots=True, kw_only=True)
class DriveShown:
    """Sensitivity and what the level needs, at each load that is known."""

    sensitivity: Sensitivity
    asked: DriveAsked
    demands: tuple[tuple[str, float, Demand], ...] = ()
    """(which load, its ohm, what it asks)"""

    def to_dict(self) -> dict[str, Any]:
        """Return what JSON can hold."""
        own = self.sensitivity
        level = self.asked.level_db
        return {
            "mv_94db": own.mv_94db,
            "db_per_volt": own.db_per_volt,
            "db_per_mw": None if own.ohm is None else own.db_per_mw,
            "rated_ohm": own.ohm,
            "level_db": level,
            "crest_db": None if level is None else _crest(self.asked),
            "volts": None if level is None else own.volts(level),
            "demands": [
                {
                    "load": load,
                    "ohm": ohm,
                    "volts": one.volts,
                    "milliamperes": one.milliamperes,
                    "milliwatts": one.milliwatts,
                    "peak_volts": one.peak_volts,
                    "emf_volts": one.emf,
                    "margin_db": one.margin_db,
                    "reached": one.reached,
                }
                for load, ohm, one in self.demands
            ],
        }

    def lines(self) -> list[str]:
        """Return it in words."""
        own, level = self.sensitivity, self.asked.level_db
        rated = "" if own.ohm is None else f", {own.db_per_mw:.2f} dB SPL at 1 mW into {own.ohm:g} ohm"
        lines = [f"Sensitivity: 94 dB SPL at {own.mv_94db:.4g} mV, {own.db_per_volt:.2f} dB SPL at 1 V{rated}"]
        if level is None:
            return lines
        crest = f"crest factor {_crest(self.asked):.1f} dB" + ("" if self.asked.crest_db else ", that of a sine")
        lines.append(f"  {level:g} dB SPL ({crest}) needs {_volts(own.volts(level))} r.m.s. across it")
        if not self.demands:
            lines.append("  current and power: name --ohm, or put an impedance curve into the folder")
        for load, ohm, one in self.demands:
            lines.append(
                f"  into {ohm:.3g} ohm ({load}): {one.milliamperes:.3g} mA, {one.milliwatts:.3g} mW, peaks of "
                f"{_volts(one.peak_volts)}"
            )
            if one.margin_db is not None:
                said = "reaches it" if one.reached else "does not reach it"
                more = "to spare" if one.reached else "missing"
                lines.append(f"    the amplifier {said}: {abs(one.margin_db):.1f} dB {more} at the peaks")
        if level >= LOUD_DB:
            lines.append(
                "  Caution: such levels can harm hearing (WHO-ITU H.870: 40 h a week at 80 dB(A), half for each 3 dB "
                "more). Start low; local rules and licensed practice come first."
            )
        return lines


def _crest(asked: DriveAsked) -> float:
    return SINE_CREST_DB if asked.crest_db is None else asked.crest_db


def _volts(value: float) -> str:
    return f"{value:.3g} V" if value >= 1 else f"{1000 * value:.3g} mV"


def drive_shown(asked: DriveAsked, impedances: tuple[ImpedanceFacts, ...]) -> DriveShown | None:
    """Return what was asked about drive; the load is the rated impedance, and the least of each measured curve."""
    sensitivity = asked.sensitivity()
    if sensitivity is None:
        return None
    loads = [] if asked.ohm is None else [("rated", asked.ohm)]
    loads += [(f"least of {one.file}, at {one.least_hz:.0f} Hz", one.least_ohm) for one in impedances]
    demands: list[tuple[str, float, Demand]] = []
    if asked.level_db is not None:
        for load, ohm in loads:
            one = demand(sensitivity, asked.level_db, ohm=ohm, crest_db=_crest(asked), amplifier=asked.amplifier())
            demands.append((load, ohm, one))
    return DriveShown(sensitivity=sensitivity, asked=asked, demands=tuple(demands))
