"""What was measured, and what it is listened through: the tables [[unit]] and [playback]."""

from datetime import date
from typing import Annotated, Literal

from pydantic import Field

from blindtest.study.table import Band, FilePath, Frequency, Id, Table, Text, Words

__all__ = ["AmplifierTable", "BinauralTable", "CalibrationTable", "Day", "Files", "PlaybackTable", "UnitTable"]

Files = Annotated[list[FilePath], Field(min_length=1), Words("a list of paths in [ ]; * stands for any text")]
Day = Annotated[date, Words("a date without quotes, such as 2026-03-02")]
Capturable = Literal[
    "seatings", "impulse_response", "harmonics", "impedance", "sensitivity", "rig", "amplifier", "serial", "revision",
    "firmware", "worn",
]  # fmt: skip


class BinauralTable(Table):
    """Two loudspeakers in a room at the ears of a head: four impulse responses."""

    file: FilePath | None = Field(
        None, description="a WAV of four channels (left to left ear, left to right ear, right to left, right to right)"
    )
    left_to_left: FilePath | None = Field(None, description="in place of file: left loudspeaker to left ear")
    left_to_right: FilePath | None = Field(None, description="left loudspeaker to right ear")
    right_to_left: FilePath | None = Field(None, description="right loudspeaker to left ear")
    right_to_right: FilePath | None = Field(None, description="right loudspeaker to right ear")
    measurements: Annotated[list[int], Words("two numbers from 1 on, the left loudspeaker first")] | None = Field(
        None, min_length=2, max_length=2, description="of a SOFA file: which measurements are the two loudspeakers"
    )
    window_s: float | None = Field(None, gt=0, le=5, description="how much is kept behind the peak, in s; else all")
    rig: Text = Field(description="the head that it was measured with; the headphone's response is of the same one")
    reference_point: Literal["eardrum", "diffuse-field", "free-field", "electrical"] = Field(
        "eardrum", description="where in the ear; the headphone's response holds there too"
    )


class UnitTable(Table):
    """What was measured."""

    id: Id = Field(description="a short name that conditions and [playback] refer to")
    name: Text = Field(description="the unit's name, as it shall stand in the report")
    kind: Literal["headphone", "loudspeaker", "electronics"] = Field(description="what kind of equipment it is")
    serial_suffix: Text | None = Field(None, description="the last characters of its serial number")
    revision: Text | None = Field(None, description="its revision, where there are several")
    sample_of: Id | None = Field(None, description="the id of the unit that it is another sample or revision of")
    firmware: Text | None = Field(None, description="its firmware, or 'none'")
    waived: Annotated[
        dict[Capturable, Annotated[str, Field(min_length=3, max_length=300)]],
        Words("names of what is left out, each with the reason: { firmware = 'it has none' }"),
    ] = Field(default_factory=dict, description="what will not be captured before the unit goes back, and why")
    rig: Text = Field(description="the measurement rig; responses of different rigs are never combined")
    measured: Day | None = Field(None, description="the day it was measured")
    level: Literal["spl", "relative"] = Field(description="what the dB in the response files are")
    reference_point: Literal["eardrum", "diffuse-field", "free-field", "electrical"] = Field(
        description="where the responses hold"
    )
    responses: Files | None = Field(
        None, description="the response files of every seating; or left = [...] and right = [...]"
    )
    left: Files | None = Field(None, description="the response files of the left channel, together with right")
    right: Files | None = Field(None, description="the response files of the right channel, together with left")
    seating_mean: Literal["level", "power"] = Field(
        "level", description="level: seatings are averaged in dB; power: the mean of their powers is taken"
    )
    trusted_band_hz: Band | None = Field(None, description="the band in which the measurement is to be trusted")
    sensitivity_mv_94db: float | None = Field(
        None, gt=0, le=100_000, description="the voltage in mV that gives 94 dB SPL; or sensitivity_db_per_volt or _mw"
    )
    sensitivity_db_per_volt: float | None = Field(None, ge=40, le=180, description="dB SPL at 1 V")
    sensitivity_db_per_mw: float | None = Field(None, ge=40, le=180, description="dB SPL at 1 mW into rated_ohm")
    sensitivity_hz: Frequency | None = Field(
        None, description="the frequency it was measured at; else 500 Hz for mV, 1 kHz for dB"
    )
    rated_ohm: float | None = Field(None, gt=0, le=100_000, description="the rated impedance in ohm")
    impulse_responses: Files | None = Field(
        None, description="its impulse responses, WAV or SOFA, every seating: they hold the phase"
    )
    window_s: Annotated[list[float], Words("two numbers: seconds kept ahead of the peak, and behind it")] | None = (
        Field(
            None,
            min_length=2,
            max_length=2,
            description="how much of an impulse response is kept around its peak, in s",
        )
    )
    harmonics: FilePath | None = Field(
        None, description="the path of its table of harmonics: a row per frequency and level, columns H2, H3, ..."
    )
    binaural: BinauralTable | None = Field(
        None, description="a pair of loudspeakers at two ears: { file = 'measurements/seat.wav', rig = 'head 1' }"
    )
    position: Text | None = Field(None, description="where it stood and where the listener sat, in words")
    impedance: FilePath | None = Field(
        None, description="the path of its impedance curve: frequency in Hz, impedance in ohm, phase if measured"
    )


class AmplifierTable(Table):
    """What an amplifier can deliver."""

    volts: float | None = Field(None, gt=0, le=1000, description="its greatest sine, V r.m.s.")
    into_ohm: float | None = Field(None, gt=0, le=100_000, description="the load it was measured with; else open")
    output_ohm: float = Field(0.0, ge=0, le=100_000, description="its output impedance in ohm")


class CalibrationTable(Table):
    """One reading of a tone played through the chain as it stands."""

    tone_dbfs: float = Field(ge=-80, le=0, description="the level of the tone in the file, re a full-scale sine")
    tone_hz: Frequency = Field(1000.0, description="its frequency")
    volts: float | None = Field(None, gt=0, le=1000, description="the voltmeter's reading across the unit, V r.m.s.")
    spl_db: float | None = Field(None, ge=20, le=140, description="the sound level meter's reading, dB SPL")


class PlaybackTable(Table):
    """What the listener wears or sits before."""

    unit: Id = Field(description="the id of the unit that is listened through")
    field_curve: FilePath | None = Field(
        None, description="the rig's own eardrum response in a diffuse field; ISO 11904-1 is used without it"
    )
    full_scale_volts: float | None = Field(
        None,
        gt=0,
        le=1000,
        description="what the source puts out for a full-scale sine with its volume as used, V r.m.s.",
    )
    amplifier: AmplifierTable | None = Field(None, description="what drives the unit: { volts = 2, output_ohm = 1 }")
    calibration: CalibrationTable | None = Field(
        None, description="a reading in place of sensitivities: { tone_dbfs = -20, spl_db = 74 }, or volts"
    )
    max_boost_db: float = Field(
        12.0, ge=0, le=40, description="the largest boost of the one inverse that all conditions share, in dB"
    )
