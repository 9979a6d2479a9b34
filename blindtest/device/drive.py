"""Sensitivity, and what a level asks of an amplifier: volts, milliamperes, milliwatts.

Three ways of saying one thing (IEC 60268-7): the voltage that gives 94 dB SPL, dB SPL at 1 V, dB SPL at 1 mW into the
rated impedance. Voltages are r.m.s. across the device unless they are called e.m.f., which is ahead of the source
impedance. What a crest factor asks for comes on top of the r.m.s. level.
"""

from dataclasses import dataclass
from math import inf, isfinite, log10, sqrt

__all__ = ["Amplifier", "Demand", "Sensitivity", "demand", "power_mw", "source_emf"]

REFERENCE_SPL = 94.0
"""dB SPL of 1 Pa, rounded as the trade does; 93.98 exactly."""


def _above_zero(value: float, what: str) -> float:
    if not (isfinite(value) and value > 0):
        raise ValueError(f"{what} must be above 0, got {value!r}")
    return float(value)


@dataclass(frozen=True, slots=True, kw_only=True)
class Sensitivity:
    """How loud a device is at 1 V, whichever way it was written; and its rated impedance where powers are asked for."""

    db_per_volt: float
    """dB SPL at 1 V r.m.s. across it."""
    ohm: float | None = None
    """Rated impedance."""

    @classmethod
    def from_mv_94db(cls, millivolts: float, ohm: float | None = None) -> "Sensitivity":
        """From the voltage in mV that gives 94 dB SPL (the characteristic voltage of IEC 60268-7, 8.3.3)."""
        volts = _above_zero(millivolts, "a voltage in mV") / 1000
        return cls(db_per_volt=REFERENCE_SPL - 20 * log10(volts), ohm=ohm)

    @classmethod
    def from_db_per_mw(cls, decibels: float, ohm: float) -> "Sensitivity":
        """From dB SPL at 1 mW into `ohm`: dB/V = dB/mW + 10 lg(1000 / R)."""
        return cls(db_per_volt=decibels + 10 * log10(1000 / _above_zero(ohm, "an impedance")), ohm=ohm)

    @property
    def mv_94db(self) -> float:
        """Millivolts that give 94 dB SPL."""
        return 1000 * self.volts(REFERENCE_SPL)

    @property
    def db_per_mw(self) -> float:
        """dB SPL at 1 mW into the rated impedance."""
        return self.db_per_volt - 10 * log10(1000 / self._rated())

    def volts(self, spl_db: float) -> float:
        """Return the voltage across the device (V r.m.s.) that gives `spl_db`."""
        return float(10 ** ((spl_db - self.db_per_volt) / 20))

    def spl_db(self, volts: float) -> float:
        """Return the level in dB SPL at `volts` r.m.s. across the device."""
        return self.db_per_volt + 20 * log10(_above_zero(volts, "a voltage"))

    def _rated(self) -> float:
        if self.ohm is None:
            raise ValueError("powers need the rated impedance")
        return _above_zero(self.ohm, "an impedance")


@dataclass(frozen=True, slots=True, kw_only=True)
class Amplifier:
    """What an amplifier can deliver: `volts` r.m.s. of a sine into `into_ohm`, from `output_ohm`."""

    volts: float
    into_ohm: float = inf
    """inf: the open voltage."""
    output_ohm: float = 0.0

    @property
    def emf(self) -> float:
        """Its greatest open voltage, V r.m.s."""
        share = 1.0 if self.into_ohm == inf else self.into_ohm / (self.into_ohm + self.output_ohm)
        return _above_zero(self.volts, "an amplifier's voltage") / share

    @property
    def current(self) -> float:
        """The current that it is known to deliver, A r.m.s.; inf where only its open voltage is known."""
        return inf if self.into_ohm == inf else self.volts / self.into_ohm

    def volts_into(self, ohm: float) -> float:
        """Return the greatest sine across a load of `ohm`, V r.m.s.: by voltage, and by the current it is known for."""
        load = _above_zero(ohm, "an impedance")
        return min(self.emf * load / (load + self.output_ohm), self.current * load)


@dataclass(frozen=True, slots=True, kw_only=True)
class Demand:
    """What a level asks for, r.m.s. and at the peaks of a programme."""

    volts: float
    """r.m.s., across the device."""
    milliamperes: float
    milliwatts: float
    peak_volts: float
    """Of the programme's highest peak."""
    emf: float
    """V r.m.s. ahead of the source impedance."""
    margin_db: float | None
    """What the amplifier has left over the programme's peaks; below 0 it can't reach the level. None: not asked."""

    @property
    def reached(self) -> bool | None:
        """Whether the amplifier reaches it; None where none was named."""
        return None if self.margin_db is None else self.margin_db >= 0


def demand(
    sensitivity: Sensitivity,
    spl_db: float,
    *,
    ohm: float | None = None,
    crest_db: float = 3.0103,
    amplifier: Amplifier | None = None,
) -> Demand:
    """Return what playing at `spl_db` (of the programme's r.m.s.) asks for.

    Parameters
    ----------
    sensitivity : Sensitivity
    spl_db : dB SPL
    ohm : the load; the rated impedance if left out. Where the impedance dips, its least value is the hard case.
    crest_db : the programme's peak over its r.m.s. in dB; that of a sine if left out
    amplifier : Amplifier, optional
    """
    load = _above_zero(ohm if ohm is not None else sensitivity._rated(), "an impedance")
    if crest_db < 0:
        raise ValueError(f"a crest factor is 0 dB or more, got {crest_db}")
    volts = sensitivity.volts(spl_db)
    peak = volts * 10 ** (crest_db / 20)
    source = amplifier.output_ohm if amplifier else 0.0
    margin = None if amplifier is None else 20 * log10(amplifier.volts_into(load) * sqrt(2) / peak)
    return Demand(
        volts=volts,
        milliamperes=1000 * volts / load,
        milliwatts=1000 * volts**2 / load,
        peak_volts=peak,
        emf=volts * (load + source) / load,
        margin_db=margin,
    )


def power_mw(emf: float, ohm: float, source_ohm: float = 0.0) -> float:
    """Return the power in mW in a load of `ohm`: E^2 R / (R + Rs)^2 (IEC 60268-7)."""
    return 1000 * emf**2 * _above_zero(ohm, "an impedance") / (ohm + source_ohm) ** 2


def source_emf(milliwatts: float, ohm: float, source_ohm: float = 0.0) -> float:
    """Return the e.m.f. in V that gives `milliwatts` in a load of `ohm`."""
    return sqrt(_above_zero(milliwatts, "a power") / 1000 / _above_zero(ohm, "an impedance")) * (ohm + source_ohm)
