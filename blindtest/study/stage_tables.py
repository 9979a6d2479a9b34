"""The stages of a condition's chain, each with its keys, and the levels or combinations that it is spread over."""

from typing import Annotated, Literal

from pydantic import Field

from blindtest.study.correction_tables import CorrectionTable
from blindtest.study.table import FilePath, Id, Table, Text, Words

__all__ = [
    "FactorsTable", "GridTable", "HarmonicsTable", "HumpTable", "ImpulseTable", "RecordingTable", "SeatingTable",
    "ShelfTable", "SourceImpedanceTable", "StageTable",
]  # fmt: skip


class RecordingTable(Table):
    """Audio files that stand in for the clips in one condition."""

    files: dict[str, FilePath] = Field(
        min_length=1, description="a file for each clip, as { clip-id = 'clips/file.wav' }"
    )
    align: bool = Field(False, description="true to shift the files in time onto the clip, false to leave them")


class HumpTable(Table):
    """One peaking section after the Audio EQ Cookbook, as minimum phase."""

    frequency_hz: float = Field(ge=20, le=20_000, description="the centre of the hump in Hz")
    gain_db: float = Field(ge=-24, le=24, description="how high it is in dB; below 0 it is a dip")
    q: float = Field(1.0, ge=0.1, le=30, description="how narrow it is: centre over bandwidth")


class ShelfTable(Table):
    """One shelving section after the Audio EQ Cookbook, as minimum phase."""

    type: Literal["low", "high"] = Field(description="type = 'low' for what lies below the corner, 'high' above it")
    frequency_hz: float = Field(ge=20, le=20_000, description="the corner in Hz, where half of the gain is reached")
    gain_db: float = Field(ge=-24, le=24, description="how high the shelf is in dB; below 0 it is a step down")
    q: float = Field(0.7, ge=0.1, le=2, description="how it gets there; above 0.7 it overshoots")


class GridTable(Table):
    """The levels of one stage on which a threshold is looked for, or a setting made, rendered ahead."""

    stage: Literal["gain_db", "tilt_db_per_octave", "hump", "shelf", "harmonics", "source_impedance"] = Field(
        description="the stage of this chain whose number runs over the values: gain_db, tilt_db_per_octave, hump, "
        "shelf, harmonics (dB more than its scale_db) or source_impedance (ohm)"
    )
    values: Annotated[list[float], Words("3 to 60 numbers in [ ]")] = Field(
        min_length=3, max_length=60, description="the values it takes, in steps that the ear takes for equal"
    )


class FactorsTable(Table):
    """Stages of a chain that are switched on and off, in all combinations or in a fraction of them."""

    stages: Annotated[list[Text], Words("2 to 8 names of stages in [ ]")] = Field(
        min_length=2,
        max_length=8,
        description="stages = ['response', 'harmonics'], the keys of those that are switched; 'hump 2' for the second",
    )
    fraction: Literal["1", "1/2", "1/4", "1/8", "1/16"] = Field(
        "1",
        description="fraction = '1/2' for half of the combinations: what can't be told apart then, `blindtest check` "
        "says",
    )


class HarmonicsTable(Table):
    """The measured harmonics of a unit, and at which of their levels the clip is reproduced."""

    unit: Id = Field(description="the id of the unit whose harmonics are applied")
    full_scale_db: float = Field(
        ge=-60, le=160, description="the level of the table at which a full-scale sine of the clip is reproduced, in dB"
    )
    at_db: float | None = Field(
        None, description="the level of the table that is met exactly; else the highest: others as the model has them"
    )
    scale_db: float = Field(0.0, ge=-80, le=60, description="how much more (or less) distortion there is, in dB")
    polarity: Literal["as measured", "inverted"] = Field(
        "as measured", description="as measured, or inverted: even orders the other way up"
    )
    filters: Literal["after", "before"] = Field(
        "after", description="after or before: where the filters of the orders stand, behind the nonlinearity or ahead"
    )


class ImpulseTable(Table):
    """A unit by its impulse responses: its level, its phase, or both."""

    unit: Id = Field(description="the id of the unit whose impulse responses are applied")
    phase: Literal["measured", "minimum", "excess only"] = Field(
        "measured",
        description="measured: level and phase; minimum: the level alone; excess only: the phase beyond it alone",
    )


class SeatingTable(Table):
    """One of a unit's seatings."""

    unit: Id = Field(description="the id of the unit, of whose seatings one is applied")
    number: int = Field(ge=1, le=1000, description="which seating, counted from 1 in the order of its files")


class SourceImpedanceTable(Table):
    """A source that isn't 0 ohm, ahead of a unit whose impedance was measured."""

    unit: Id = Field(description="the id of the unit whose impedance loads the source")
    ohm: float = Field(gt=0, le=100_000, description="the output impedance of the source in ohm")


class StageTable(Table):
    """One stage of a condition's chain: exactly one of its keys."""

    later = ("sections",)
    response: Id | None = Field(None, description="the id of the unit whose response is applied")
    seating: SeatingTable | None = Field(
        None, description="one seating of a unit in place of their mean: { unit = 'unit-id', number = 3 }"
    )
    gain_db: float | None = Field(None, ge=-60, le=20, description="a gain in dB")
    recording: RecordingTable | None = Field(None, description="files that stand in for the clips")
    correction: CorrectionTable | None = Field(None, description="the correction of a unit towards a target")
    lowpass_hz: float | None = Field(
        None,
        ge=1000,
        le=16_000,
        description="the corner of a steep low-pass in Hz: the low anchor at 3500, the mid one at 7000",
    )
    tilt_db_per_octave: float | None = Field(
        None, ge=-6, le=6, description="a tilt of the whole spectrum about 1 kHz in dB an octave: a decoy"
    )
    imbalance: Id | None = Field(
        None, description="the id of a unit measured on both channels: what its left and right differ by, half on each"
    )
    excess_phase: Id | None = Field(
        None, description="the id of a unit with impulse responses: its phase beyond minimum phase, and no level"
    )
    impulse_response: ImpulseTable | None = Field(
        None, description="a unit by its impulse responses: { unit = 'unit-id', phase = 'measured' }"
    )
    harmonics: HarmonicsTable | None = Field(
        None, description="the measured harmonics of a unit: { unit = 'unit-id', full_scale_db = 104 }"
    )
    source_impedance: SourceImpedanceTable | None = Field(
        None, description="a source's output impedance ahead of a unit: { unit = 'unit-id', ohm = 120 }"
    )
    binaural_response: Id | None = Field(
        None, description="the id of a pair of loudspeakers, heard over the playback headphone as measured at two ears"
    )
    hump: HumpTable | None = Field(None, description="one peaking section: { frequency_hz = 1000, gain_db = 3, q = 1 }")
    shelf: ShelfTable | None = Field(
        None, description="one shelf: { type = 'low', frequency_hz = 200, gain_db = 3, q = 0.7 }"
    )
