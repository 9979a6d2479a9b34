"""How loud a sitting plays, as far as the study knows its chain: from sensitivity and voltage, or from one reading.

Full scale of the file is tied to a sound pressure at one frequency, by what the playback unit gives for a voltage and
what a full-scale sine puts across it, or by a calibration tone that was read with a voltmeter or a sound level meter.
From there the A-weighted levels of the match table, which are of what is heard, become dB(A) referred to the field.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from math import floor, inf, log10

import numpy as np

from blindtest.audio import LouderEar, MatchRow
from blindtest.device import Sensitivity, dose, interpolated, read_impedance
from blindtest.errors import BlindtestError, Fault
from blindtest.render import Playback, heard_curve_db
from blindtest.study.study import Study
from blindtest.study.unit import PlaybackSetting, Unit
from blindtest.words import worded

__all__ = ["MOMENTARY_LIMIT_DBA", "PlayingLevel", "full_scale_spl", "playing_level", "sensitivity_of"]

MOMENTARY_LIMIT_DBA = 100.0
"""Nothing louder is played; our rule."""
CAUTION_DBA = 80.0
"""From here on the page warns: the level that WHO-ITU H.870 allows for 40 h a week."""
LEAST_GAIN_DB = -40.0
"""Where the slider would have to stay under this, the chain is turned down first."""
SINE_RMS_DB = 10 * log10(0.5)


@dataclass(frozen=True, slots=True, kw_only=True)
class PlayingLevel:
    """What the loudest stimulus of a study plays at with the page's volume at its top; an estimate."""

    dba: float
    """A-weighted over the whole stimulus at the ear that gets most, referred to the field."""
    momentary_dba: float
    """The loudest 400 ms at the ear that gets most, wherever they begin."""
    most_gain_db: float
    """Whole dB, 0 or less: the page's volume goes no higher."""
    minutes: float
    """Of a sitting, as long as it is likely to take."""
    basis: str
    """What it was computed from, in words."""

    def at(self, gain_db: float) -> float:
        """Return the A-weighted level at a setting of the page's volume."""
        return self.dba + gain_db

    def week_share(self, gain_db: float) -> float:
        """Return the share of WHO-ITU H.870's weekly allowance that a sitting spends."""
        return dose(self.at(gain_db), 60 * self.minutes, limit="who")

    def day_share(self, gain_db: float) -> float:
        """Return the share of NIOSH's daily limit for work that a sitting spends."""
        return dose(self.at(gain_db), 60 * self.minutes, limit="niosh")

    @property
    def sentence(self) -> str:
        """At what it plays, as the listener is told before the first sound."""
        top = self.most_gain_db
        levels = {"top": round(self.at(top)), "below": round(self.at(top) - 20)}
        if top < 0:
            return worded(
                "about {top} dB(A) with the volume of this page at its top (it goes no higher here), {below} dB(A) "
                "20 dB below",
                **levels,
            )
        return worded("about {top} dB(A) with the volume of this page at its top, {below} dB(A) 20 dB below", **levels)

    @property
    def note(self) -> str:
        """What that rests on and, where it is loud, what it spends."""
        top = self.most_gain_db
        if self.at(top) <= CAUTION_DBA:
            return worded(
                "That is an estimate from {basis}; fit, seal and any volume control after it change it.",
                basis=self.basis,
            )
        return worded(
            "That is an estimate from {basis}; fit, seal and any volume control after it change it. At its top a "
            "sitting of {minutes} min spends {week} % of what WHO-ITU H.870 allows in a week, {day} % of NIOSH's limit "
            "for a day's work.",
            basis=self.basis,
            minutes=round(self.minutes),
            week=round(100 * self.week_share(top), 1),
            day=round(100 * self.day_share(top), 1),
        )

    def to_dict(self) -> dict[str, object]:
        """Return what JSON can hold."""
        return {
            "dba": self.dba,
            "momentary_dba": self.momentary_dba,
            "most_gain_db": self.most_gain_db,
            "minutes": self.minutes,
            "basis": self.basis,
            "week_share_at_top": self.week_share(self.most_gain_db),
            "day_share_at_top": self.day_share(self.most_gain_db),
        }


def sensitivity_of(unit: Unit) -> tuple[Sensitivity, float] | None:
    """Return a unit's sensitivity and the frequency it holds at, Hz; None where none was entered.

    The voltage for 94 dB SPL is that of 500 Hz (IEC 60268-7, 8.3.3); dB/V and dB/mW are taken at 1 kHz (common
    practice), unless `sensitivity_hz` says otherwise.
    """
    if unit.sensitivity_mv_94db is not None:
        return Sensitivity.from_mv_94db(unit.sensitivity_mv_94db, unit.rated_ohm), unit.sensitivity_hz or 500.0
    if unit.sensitivity_db_per_volt is not None:
        return Sensitivity(db_per_volt=unit.sensitivity_db_per_volt, ohm=unit.rated_ohm), unit.sensitivity_hz or 1000.0
    if unit.sensitivity_db_per_mw is not None and unit.rated_ohm is not None:
        found = Sensitivity.from_db_per_mw(unit.sensitivity_db_per_mw, unit.rated_ohm)
        return found, unit.sensitivity_hz or 1000.0
    return None


def full_scale_spl(study: Study) -> tuple[float, float, str] | None:
    """Return the level in dB SPL that a full-scale sine has at the measurement's own point, at which Hz, and from what.

    Raises
    ------
    BlindtestError
        The impedance that is needed can't be read.
    """
    setting = study.playback
    if setting is None:
        return None
    if (read := setting.calibration) is not None and read.spl_db is not None:
        return (
            read.spl_db - read.tone_dbfs,
            read.tone_hz,
            worded("a sound level meter's reading of a {hertz} Hz tone", hertz=read.tone_hz),
        )
    unit = study.unit(setting.unit)
    known = sensitivity_of(unit)
    if known is None:
        return None
    sensitivity, hertz = known
    if read is not None and read.volts is not None:
        volts = read.volts * 10 ** (-read.tone_dbfs / 20)
        return (
            sensitivity.spl_db(volts),
            hertz,
            worded("a voltmeter's reading of a calibration tone and the unit's sensitivity"),
        )
    if setting.full_scale_volts is None:
        return None
    volts = setting.full_scale_volts * _divided(study, unit, setting, hertz)
    basis = worded("the unit's sensitivity and the source's voltage at full scale")
    return sensitivity.spl_db(volts), hertz, basis


def _divided(study: Study, unit: Unit, setting: PlaybackSetting, hertz: float) -> float:
    """Return the share of the open voltage that the source's own impedance leaves across the unit."""
    source = setting.amplifier.output_ohm if setting.amplifier is not None else 0.0
    if source == 0.0:
        return 1.0
    ohm = unit.rated_ohm
    if unit.impedance:
        ohm = read_impedance(study.folder / unit.impedance).at(hertz)
    return 1.0 if ohm is None else ohm / (ohm + source)


def playing_level(
    study: Study, playback: Playback | None, stimuli: Iterable[tuple[MatchRow, LouderEar]], minutes: float
) -> PlayingLevel | None:
    """Return how loud a sitting plays; None where the chain isn't known.

    Parameters
    ----------
    playback : as it is rendered, with its field curve
    stimuli : row of the match table of each, whose levels are of both ears, and how far one ear lies over them
    minutes : of a sitting

    Raises
    ------
    BlindtestError
        The chain is so loud that even a low setting would pass the limits: it has to be turned down first.
    """
    known = full_scale_spl(study)
    levels = list(stimuli)
    if known is None or playback is None or not levels:
        return None
    spl, hertz, basis = known
    at = np.array([hertz])
    heard = heard_curve_db(playback, at)
    response = 0.0 if heard is None else float(heard[0])
    field = 0.0 if playback.field is None else float(interpolated(playback.field, at)[0, 0])
    # A full-scale sine reads -3.01 dB re an RMS of 1, and what is heard of it at that frequency `response` more.
    offset = spl - field - (SINE_RMS_DB + response)
    average = max(row.a_weighted_after + ear.whole_db for row, ear in levels) + offset
    momentary = max(row.a_weighted_after + ear.momentary_db for row, ear in levels) + offset
    most = min(0.0, MOMENTARY_LIMIT_DBA - momentary, _gain_of_a_week(average, minutes))
    top = float(floor(most + 1e-9))
    if top < LEAST_GAIN_DB:
        raise BlindtestError(
            Fault(
                problem=f"with full volume the chain would play at {momentary:.0f} dB(A): nothing is played that loud",
                file=str(study.path),
                key="playback",
                allowed=f"up to {MOMENTARY_LIMIT_DBA:g} dB(A) with the page's volume at {LEAST_GAIN_DB:g} dB",
                remedy="turn the amplifier down and enter the new voltage or reading",
            )
        )
    return PlayingLevel(dba=average, momentary_dba=momentary, most_gain_db=top, minutes=minutes, basis=basis)


def _gain_of_a_week(dba: float, minutes: float) -> float:
    """Return the gain at which one sitting spends a week's allowance."""
    share = dose(dba, 60 * minutes, limit="who")
    return inf if share <= 0 else -10 * log10(share)
