"""[hardware] and [condition.hardware]: real units that can't be rendered, and how they are switched.

What concerns more than one key is checked in `hardware_checks.py`.
"""

from typing import Annotated, Any, Literal

from pydantic import Field, PlainValidator, WithJsonSchema
from pydantic_core import PydanticCustomError

from blindtest.study.table import Label, Table, Text, Words

__all__ = ["MOST_OUTPUTS", "VOLTS_KEYS", "ConnectionTable", "HardwareTable", "volts_of"]

MOST_OUTPUTS = 128
VOLTS_KEYS = {100: "volts_100_hz", 1000: "volts_1_khz", 10_000: "volts_10_khz"}
"""Frequency in Hz to the key of the voltages there."""
_MOST_VOLTS = 1000.0


def volts_of(value: object) -> tuple[float, ...]:
    """Return a voltage, or one for each channel, as a tuple; () for anything else."""
    listed: list[Any] = value if isinstance(value, list) else [value]
    fits = all(isinstance(one, int | float) and not isinstance(one, bool) and 0 < one <= _MOST_VOLTS for one in listed)
    return tuple(float(one) for one in listed) if fits and 1 <= len(listed) <= 8 else ()


def _volts(value: object) -> Any:
    if not volts_of(value):
        raise PydanticCustomError("volts", "not a voltage")
    return value


Volts = Annotated[
    Any,
    PlainValidator(_volts),
    WithJsonSchema(
        {
            "anyOf": [
                {"type": "number", "exclusiveMinimum": 0, "maximum": _MOST_VOLTS},
                {
                    "type": "array",
                    "items": {"type": "number", "exclusiveMinimum": 0, "maximum": _MOST_VOLTS},
                    "minItems": 1,
                    "maxItems": 8,
                },
            ]
        }
    ),
    Words("a number of volts above 0 and up to 1000, or one for each channel, as [2.00, 2.01]"),
]
Output = Annotated[int, Field(ge=1, le=MOST_OUTPUTS)]


class ConnectionTable(Table):
    """The real unit that a condition is heard through, and where it is connected."""

    unit: Text = Field(description="the unit, as it shall stand in the report")
    connect: Label | None = Field(
        None, description="operator: what the operator reads and connects, such as 'input 1'; it need not name the unit"
    )
    outputs: Annotated[list[Output], Words("numbers of outputs from 1 up in [ ], as [1, 2]")] | None = Field(
        None, min_length=1, max_length=8, description="outputs: the outputs of the interface that the unit is fed from"
    )
    volts_100_hz: Volts | None = Field(None, description="the voltage at the unit's output at 100 Hz, of each channel")
    volts_1_khz: Volts | None = Field(None, description="the same at 1 kHz")
    volts_10_khz: Volts | None = Field(None, description="the same at 10 kHz")


class HardwareTable(Table):
    """How real units are switched, who switches them, and how they were matched."""

    route: Literal["operator", "outputs"] = Field(
        description="operator: a person connects them; outputs: each hangs on outputs of one sound device of its own"
    )
    switch: Text = Field(description="what they are switched with, as it shall stand in the report")
    measured_with: Text | None = Field(None, description="how and where the voltages were measured")
    trim: bool | None = Field(
        None,
        description="true to bring every unit down to the softest at 1 kHz, by the program; without it outputs are, "
        "units that an operator connects are not",
    )
    accept_unmatched: Text | None = Field(
        None, description="why units are compared that are not within 0.1 dB; it is sealed and reported"
    )
    operator_knows: bool | None = Field(
        None, description="operator: true where the operator knows which unit is behind which connection"
    )
    operator_place: Literal["another room", "behind a screen", "in sight"] | None = Field(
        None, description="operator: where the operator is, as the listener sees it"
    )
    switch_s: float = Field(
        10.0,
        ge=2,
        le=120,
        description="operator: seconds from what the listener asks for to its sound, always the same",
    )
