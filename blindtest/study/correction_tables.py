"""The keys of a correction in a study file: how much of what is corrected, by which filter, towards what.

Apart from `schema`, which the keys of everything else are in; the checks that need more than one key are in
`correction_checks`.
"""

from typing import Annotated, Any, ClassVar, Literal

from pydantic import Field, PlainValidator, WithJsonSchema
from pydantic_core import PydanticCustomError

from blindtest.study.table import Band, FilePath, Frequency, Id, Table, Words

__all__ = ["MOST_SECTIONS", "CorrectionTable"]

MOST_SECTIONS = 40
_SECTIONS_WORDS = f"a whole number from 1 to {MOST_SECTIONS}, or the path of a list of sections"
_SMOOTHING_WORDS = "an octave or a part of it, from 1/48 to 1: '1/12' or a number"


def _sections(value: object) -> int | str:
    if isinstance(value, int) and not isinstance(value, bool) and 1 <= value <= MOST_SECTIONS:
        return value
    if isinstance(value, str) and value.strip():
        return value
    raise PydanticCustomError("sections", "neither a number of sections nor a file")


def _octaves(value: object) -> float:
    octaves = 0.0
    if isinstance(value, int | float) and not isinstance(value, bool):
        octaves = float(value)
    elif isinstance(value, str) and value.startswith("1/") and value[2:].isascii() and value[2:].isdigit():
        octaves = 1 / max(1, int(value[2:5]))
    if not 1 / 48 - 1e-9 <= octaves <= 1:
        raise PydanticCustomError("octaves", "not a part of an octave")
    return octaves


SectionsOrFile = Annotated[
    Any,
    PlainValidator(_sections),
    WithJsonSchema(
        {"anyOf": [{"type": "integer", "minimum": 1, "maximum": MOST_SECTIONS}, {"type": "string", "minLength": 1}]}
    ),
    Words(_SECTIONS_WORDS),
]
Octaves = Annotated[
    Any,
    PlainValidator(_octaves),
    WithJsonSchema(
        {"anyOf": [{"type": "number", "minimum": 1 / 48, "maximum": 1}, {"type": "string", "pattern": "^1/[0-9]+$"}]}
    ),
    Words(_SMOOTHING_WORDS),
]
Bands = Annotated[list[Band], Field(min_length=1, max_length=20), Words("bands in Hz, as [[20, 100], [2500, 4000]]")]
Point = Annotated[list[float], Field(min_length=2, max_length=2)]
Points = Annotated[
    list[Point], Field(min_length=2, max_length=100), Words("two or more points [Hz, dB], as [[20, 2], [100, 6]]")
]


class CorrectionTable(Table):
    """The filter that brings a measured unit towards a target, limited in band and boost."""

    later_values: ClassVar[dict[str, tuple[str, ...]]] = {"phase": ("linear", "measured")}
    unit: Id = Field(description="the id of the unit whose response is corrected")
    target: FilePath | None = Field(
        None, description="the path of the target: a file of frequency and level like a response"
    )
    target_field: Literal["diffuse", "free", "flat"] | None = Field(
        None, description="in place of a file: what an ear hears in a diffuse or free field (ISO 11904-1), or flat"
    )
    target_units: Annotated[list[Id], Field(min_length=1), Words("ids of units, as ['a', 'b']")] | None = Field(
        None, description="in place of a file: the units whose mean response is the target"
    )
    tilt_db_per_octave: float = Field(0.0, ge=-6, le=6, description="a tilt of the target about 1 kHz, in dB an octave")
    bass_db: float = Field(0.0, ge=-24, le=24, description="a low shelf on the target, in dB")
    bass_hz: Frequency = Field(105.0, description="where that shelf has half its gain, in Hz")
    treble_db: float = Field(0.0, ge=-24, le=24, description="a high shelf on the target, in dB")
    treble_hz: Frequency = Field(2500.0, description="where that shelf has half its gain, in Hz")
    align_hz: Band = Field(
        default_factory=lambda: [300.0, 3000.0],
        description="the band over which response and target are brought to the same level",
    )
    band_hz: Band = Field(default_factory=lambda: [20.0, 8000.0], description="the band that is corrected")
    max_boost_db: float = Field(6.0, ge=0, le=20, description="the largest boost of the correction, in dB")
    max_boost_points: Points | None = Field(
        None, description="the largest boost over frequency, as points [Hz, dB]; never above max_boost_db"
    )
    seating_sd: float = Field(
        0.0, ge=0, le=5, description="how many standard deviations over the seatings a boost is held back by"
    )
    without_hz: Bands | None = Field(None, description="the bands in which the correction is switched off, in Hz")
    smoothing: Octaves = Field(1 / 12, description="what is narrower than this part of an octave is left alone")
    sections: SectionsOrFile | None = Field(
        None, description="second-order sections in place of an FIR filter: how many at most, or a list of your own"
    )
    max_gain_db: float = Field(12.0, ge=0, le=24, description="sections: the largest gain of each, up or down, in dB")
    max_q: float = Field(8.0, ge=0.3, le=30, description="sections: how narrow one may be")
    phase: Literal["minimum"] = Field("minimum", description="minimum: the filter doesn't ring before the event")
