"""study.toml and protocol files as pydantic models: which keys there are, what each may hold.

The models are strict: an unknown key is an error (a misspelt key must never become a default), a number in quotes is
text, infinities and NaN are refused. What concerns more than one key is checked in `checks.py`; here stands only what
can be said of one key by itself. Keys that belong to later stages of the tool are listed as `later`, so that they can
be refused by name. Each description completes the sentence "write ...": it is said when the key is missing, and shown
by editors that read the JSON Schema.
"""

from datetime import date
from typing import Annotated, Any, ClassVar, Literal

from pydantic import Field, PlainValidator, WithJsonSchema
from pydantic_core import PydanticCustomError

from blindtest.design import METHODS, Block, Controls, Phase, Protocol, Stopping, default_numbers
from blindtest.study.correction_tables import CorrectionTable
from blindtest.study.hardware_tables import ConnectionTable, HardwareTable
from blindtest.study.looks import LOOKS_SCHEMA, LOOKS_WORDS, looks
from blindtest.study.table import Band, FilePath, Frequency, Id, Label, Table, Text, Words

__all__ = [
    "LATER_METHODS",
    "LATER_PROTOCOLS",
    "MARGINS",
    "BlockTable",
    "ClaimTable",
    "ClipTable",
    "ConditionTable",
    "ControlsTable",
    "CorrectionTable",
    "ListenersTable",
    "PlaybackTable",
    "ProtocolFile",
    "ProtocolTable",
    "RecordingTable",
    "RenderingTable",
    "StageTable",
    "StoppingTable",
    "StorageTable",
    "StudyFile",
    "Table",
    "UnitTable",
    "Words",
    "json_schema",
    "margin_range",
]

LATER_PROTOCOLS: tuple[str, ...] = ()
LATER_METHODS = ("2-ac",)
LATER_KINDS: tuple[str, ...] = ()
MARGINS = {
    "heard": (1.0, "a number above 0 and below 1: the share of trials heard beyond guessing"),
    "preferred": (0.5, "a number above 0 and below .5: the probability of a preference beyond 1/2"),
    "attribute": (5.0, "a number above 0 and below 5: d' along the attribute"),
    "threshold": (100.0, "a number above 0 and below 100: a level, in the unit of the grid"),
    "keeps listening": (0.5, "a number above 0 and below .5: the probability of a choice beyond 1/2"),
    "rated": (100.0, "a number above 0 and below 100: points of the scale"),
    "matched": (20.0, "a number above 0 and below 20: how far from the match settings may lie, in the grid's unit"),
    "stage": (100.0, "a number above 0 and below 100: points of the scale"),
}
"""Greatest margin of each kind, excluded, and what is allowed in words; see `margin_range`."""
Kind = Literal["heard", "preferred", "attribute", "threshold", "keeps listening", "rated", "matched", "stage"]
Order = Literal["blind-first", "labelled-first", "crossed", "unreliable-labels"]


def margin_range(kind: str, method: str) -> tuple[float, str]:
    """Return the greatest margin of a kind of claim, excluded, and what is allowed in words.

    The unit of an attribute's margin follows from how it is judged: points of the scale where it is rated, else d'.
    """
    rated = kind == "attribute" and METHODS[method].answer_kind == "rate"
    if rated and method == "small-impairment":
        return 4.0, "a number above 0 and below 4: grades of the scale from 5.0 to 1.0"
    return MARGINS["rated" if rated else kind]


def _all_or_names(value: object) -> str | list[str]:
    if value == "all":
        return "all"
    if isinstance(value, list) and value and all(isinstance(name, str) and name for name in value):
        return value
    raise PydanticCustomError("all_or_names", "neither 'all' nor a list of clips")


def _method(value: object) -> str:
    if isinstance(value, str) and value in METHODS:
        return value
    raise PydanticCustomError("literal_error", "no method of this name")


Hash = Annotated[
    str,
    Field(pattern=r"^[0-9a-f]{8,64}$"),
    Words("the first 8 or more characters of the hash that `blindtest impression` printed: 0-9 and a-f"),
]
Files = Annotated[list[FilePath], Field(min_length=1), Words("a list of paths in [ ]; * stands for any text")]
Day = Annotated[date, Words("a date without quotes, such as 2026-03-02")]
Share = Annotated[float, Field(gt=0, lt=1), Words("a number above 0 and below 1")]
MethodName = Annotated[
    Any,
    PlainValidator(_method),
    WithJsonSchema({"enum": sorted(METHODS)}),
    Words(", ".join(repr(name) for name in sorted(METHODS)), choices=tuple(sorted(METHODS))),
]
Looks = Annotated[Any, PlainValidator(looks), WithJsonSchema(LOOKS_SCHEMA), Words(LOOKS_WORDS)]
AllOrNames = Annotated[
    Any,
    PlainValidator(_all_or_names),
    WithJsonSchema(
        {"anyOf": [{"const": "all"}, {"type": "array", "items": {"type": "string", "minLength": 1}, "minItems": 1}]}
    ),
    Words("'all', or a list of ids of clips"),
]


Capturable = Literal[
    "seatings", "impulse_response", "harmonics", "impedance", "sensitivity", "rig", "amplifier", "serial", "revision",
    "firmware", "worn",
]  # fmt: skip


class StorageTable(Table):
    """Where the answers are kept; study.db beside the study file."""

    later = ("url_from",)


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


class RenderingTable(Table):
    """How conditions are made audible."""

    over: Literal["inverse", "worn"] = Field(
        "inverse",
        description="inverse: the playback unit's response is divided out; worn: the clip goes to it as it is",
    )
    rate_hz: int | None = Field(
        None, ge=8_000, le=192_000, description="the sample rate that every clip is brought to; else each keeps its own"
    )
    match: Literal["heard", "file", "1khz"] = Field(
        "heard", description="the measure by which the stimuli of a clip are made equally loud"
    )
    ceiling_dbtp: float = Field(-1.0, ge=-20, le=-0.1, description="the highest true peak of a stimulus, in dBTP")


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
    hump: HumpTable | None = Field(None, description="one peaking section: { frequency_hz = 1000, gain_db = 3, q = 1 }")
    shelf: ShelfTable | None = Field(
        None, description="one shelf: { type = 'low', frequency_hz = 200, gain_db = 3, q = 0.7 }"
    )


class ConditionTable(Table):
    """What is compared: an ordered chain of stages."""

    id: Id = Field(description="a short name that claims refer to")
    stages: list[StageTable] = Field(
        max_length=20, description="the stages in order, as [{ response = 'unit-id' }]; [] is the clip as it is"
    )
    label: Label | None = Field(None, description="the name that listeners read where names are shown")
    anchor: Literal["low", "mid", "high"] | None = Field(
        None,
        description="low: a rendering of plainly poor quality, mid: a middling one, high: a plainly good one; rated "
        "beside the devices",
    )
    reference: bool = Field(
        False, description="true for the original that ratings against one give openly and hide once more"
    )
    decoy: bool = Field(False, description="true for a rendering that no claim speaks of and that is never named")
    grid: GridTable | None = Field(
        None, description="the levels of one of its stages, where a threshold is looked for on them or listeners set it"
    )
    factors: FactorsTable | None = Field(
        None, description="stages that are switched on and off, to tell which is heard: { stages = ['response', ...] }"
    )
    hardware: ConnectionTable | None = Field(
        None, description="the real unit that it is heard through, where [hardware] switches units"
    )


class ClipTable(Table):
    """A piece of programme material."""

    id: Id = Field(description="a short name for the clip")
    file: FilePath = Field(description="the path of the audio file")
    in_s: float = Field(0.0, ge=0, le=86_400, description="where the excerpt begins, in seconds")
    out_s: float | None = Field(None, gt=0, le=86_400, description="where the excerpt ends, in seconds")
    title: Text | None = Field(None, description="what it is, as it shall stand in the report")
    chosen_by: Text | None = Field(None, description="who chose it")
    chosen: Day | None = Field(None, description="the day it was chosen")
    licence: Text | None = Field(None, description="its licence, as an SPDX identifier such as CC0-1.0")
    loudness_lufs: float | None = Field(
        None, ge=-70, le=0, description="the loudness at which it is heard, in LUFS; else chosen at the first rendering"
    )


class ClaimTable(Table):
    """What was said, as a statement that can fail."""

    later = ("method",)
    later_values: ClassVar[dict[str, tuple[str, ...]]] = {"kind": LATER_KINDS}
    id: Id = Field(description="a short name for the claim")
    kind: Kind = Field(
        description="which kind of claim it is: heard, preferred, attribute, threshold, keeps listening, rated, "
        "matched or stage"
    )
    device: Id = Field(
        description="the id of the condition that it speaks of: what is preferred, has more of it, or is rated higher"
    )
    comparator: Id | None = Field(None, description="the id of the condition that it is held against")
    stage: Text | None = Field(None, description="stage: which of the device's factors is heard")
    effect: Literal["either", "raises", "lowers"] | None = Field(
        None, description="stage: what it does to ratings, raises or lowers; else either: it is heard at all"
    )
    clips: AllOrNames = Field("all", description="'all', or the ids of the clips it holds for")
    margin: float | None = Field(
        None,
        gt=0,
        lt=100,
        description="the smallest difference that matters; heard: share of trials heard beyond guessing; "
        "preferred: probability beyond 1/2; attribute: d', or points of the scale where it is rated; threshold: the "
        "level that is heard; rated: points of the scale; matched: how far from the match settings may lie, in the "
        "grid's unit",
    )
    attribute: Label | None = Field(
        None,
        description="attribute: which one, where the protocol rates several; 'quality' is the scale that names none",
    )
    primary: bool | None = Field(
        None, description="true for the one primary claim of the study; else the first is the primary one"
    )
    quote: Text | None = Field(None, description="the words of the impression that the claim is made of")
    impression: Hash | None = Field(None, description="the hash of the impression that the quote stands in")
    kept: Annotated[float, Words("a number above 0, up to 1")] | None = Field(
        None, gt=0, le=1, description="rated: the share of the labelled effect that counts as surviving"
    )
    direction: Literal["two-sided", "claimed"] | None = Field(
        None,
        description="preferred, attribute: two-sided, or claimed to test the claimed direction only, sealed beforehand",
    )


class ProtocolTable(Table):
    """Which protocol, and which of its numbers differ here."""

    use: Annotated[str, Field(min_length=1, max_length=1000), Words("a name in protocols/ or a path")] = Field(
        description="the protocol: a name such as abx, or the path of a protocol file in this folder"
    )
    order: Order | None = Field(
        None,
        description="which phase a listener has first, if not as in the protocol: blind-first, "
        "labelled-first, or crossed for half of a panel each; unreliable-labels has one phase and no other order",
    )
    changes: Annotated[dict[str, dict[str, Any]], Words("numbers of blocks, such as test.trials = 40")] = Field(
        default_factory=dict, description="numbers of the protocol's blocks that differ here"
    )


class ListenersTable(Table):
    """How many there are, what they are told, and how long their answers are kept."""

    planned: int = Field(1, ge=1, le=10_000, description="the number of listeners that are planned")
    consent: FilePath | None = Field(None, description="the text shown before the first question")
    keep_until: Day | None = Field(None, description="the day after which answers are to be erased")


class StudyFile(Table):
    """A study: what is compared, on which clips, by which protocol."""

    format: Annotated[Literal[1], Words("1")] = Field(description="format = 1")
    title: Text = Field(description="a line that says what is compared")
    reviewer: Text = Field(description="a pseudonym; real names live elsewhere, if at all")
    storage: StorageTable | None = Field(None, description="where the answers are kept")
    unit: list[UnitTable] = Field(default_factory=list, max_length=200, description="[[unit]] for each measured unit")
    playback: PlaybackTable | None = Field(None, description="what the listener wears or sits before")
    rendering: RenderingTable = Field(
        default_factory=lambda: RenderingTable.model_validate({}), description="how conditions are made audible"
    )
    hardware: HardwareTable | None = Field(None, description="how real units are switched, that can't be rendered")
    condition: list[ConditionTable] = Field(
        min_length=2, max_length=200, description="[[condition]] for each thing that is compared, two at least"
    )
    clip: list[ClipTable] = Field(
        min_length=1, max_length=10_000, description="[[clip]] for each piece of programme material, one at least"
    )
    claim: list[ClaimTable] = Field(default_factory=list, description="[[claim]] for what was said")
    protocol: ProtocolTable = Field(description="[protocol] with use = 'abx'")
    listeners: ListenersTable = Field(
        default_factory=lambda: ListenersTable.model_validate({}), description="consent and retention"
    )


class ControlsTable(Table):
    """Trials whose truth is known beforehand, among those that count and never counted."""

    every: int = Field(ge=1, le=1000, description="every = 5, one control for every so many trials that count")
    audible: Id | None = Field(
        None, description="the id of a condition that surely differs: it is held against the comparator"
    )
    inaudible: bool = Field(False, description="true to hear the comparator against itself, too")


class StoppingTable(Table):
    """By which rule a block ends; its `trials` are then the most there can be."""

    rule: Literal["fixed", "group-sequential", "sprt", "e-process"] = Field(
        description="fixed (the number of trials), group-sequential (a few looks), sprt (Wald's ratio test of guessing "
        "against the margin) or e-process (a bet against guessing and one against the margin)"
    )
    looks: Looks | None = Field(
        None, description="group-sequential: after which trials it may end, the last being `trials`, or how often"
    )
    spending: Literal["obrien-fleming", "pocock", "linear"] | None = Field(
        None, description="group-sequential: how alpha is spent over the looks; else obrien-fleming, late"
    )
    beta: float | None = Field(
        None,
        ge=0.001,
        le=0.3,
        description="group-sequential, sprt: the chance to end for guessing where the margin is the truth; else 0.05",
    )

    def to_stopping(self) -> Stopping | None:
        """Return the rule as the other rooms know it, its table not yet computed; None for a fixed number."""
        if self.rule == "fixed":
            return None
        return Stopping(
            rule=self.rule,
            asked_looks=tuple(self.looks) if isinstance(self.looks, list) else self.looks,
            spending=self.spending,
            beta=self.beta,
        )


class BlockTable(Table):
    """One stretch of a protocol."""

    later = ("order", "analysis", "anchors", "recognition", "decoys")
    later_values: ClassVar[dict[str, tuple[str, ...]]] = {"method": LATER_METHODS}
    id: Id = Field(description="a short name that [protocol.changes] refers to")
    phase: Phase = Field(
        description="practice (never counted), worn (the real units), labelled (renderings with names), unreliable "
        "(names that are right on a random half) or blind"
    )
    method: MethodName = Field(description="the test method")
    trials: int | None = Field(None, ge=1, le=1000, description="the number of trials in a sitting")
    repeats: int | None = Field(None, ge=1, le=100, description="rating: how often each clip is rated in a sitting")
    sittings: int = Field(1, ge=1, le=100, description="in how many sittings, each on another day, the block is run")
    ties: bool = Field(False, description="preference: true to allow the answer 'no preference'")
    constant_reference: bool = Field(
        False, description="duo-trio: true to have what the claim names last as the reference of every trial"
    )
    attribute: Label | None = Field(
        None, description="what one of the sounds has more of, or is rated or set in, as it is asked for: 'bass'"
    )
    ends: list[Label] | None = Field(
        None, min_length=2, max_length=2, description="rating of an attribute: what its scale says at 0 and at 100"
    )
    definition: Text | None = Field(
        None, description="rating of an attribute: one sentence that says what is meant, shown with every trial"
    )
    screening: bool = Field(
        False,
        description="ratings against an original: true to leave out afterwards, by the standard's rule, who didn't "
        "find the hidden reference; sealed beforehand",
    )
    task: Literal["odd", "abx"] | None = Field(
        None, description="thresholds: odd (three sounds, one holds the level) or abx"
    )
    start: float | None = Field(
        None, ge=0, le=1, description="staircases: where a track begins, as a share of the grid; 1 is its largest level"
    )
    step: int | None = Field(None, ge=1, le=30, description="staircases: the first step, in levels of the grid")
    halvings: int | None = Field(
        None, ge=0, le=10, description="staircases: at how many of the first reversals the step is halved"
    )
    down: int | None = Field(
        None, ge=1, le=6, description="staircase: how many right answers in a row make a step down"
    )
    ratio: int | None = Field(
        None, ge=1, le=10, description="staircase-weighted: how many times the step down a step up is"
    )
    sets: Literal["equal", "preferred"] | None = Field(
        None, description="adjustment: equal (one sound is set until it equals the other) or preferred; else equal"
    )
    adjusts: Id | None = Field(
        None, description="adjustment: the id of the condition whose grid the listener moves on, where no claim says it"
    )
    against: Id | None = Field(
        None, description="adjustment: the id of the condition that a setting is to equal, where no claim says it"
    )
    controls: ControlsTable | None = Field(
        None, description="control trials, as { audible = 'condition-id', inaudible = true, every = 5 }"
    )
    stopping: StoppingTable | None = Field(
        None, description="a rule by which the block may end early, as { rule = 'sprt' }; else { rule = 'fixed' }"
    )
    choice_after_s: float | None = Field(
        None, ge=5, le=600, description="free-listening: seconds of sound after which the choice is offered; else 30"
    )
    sequence: Literal["drawn", "williams"] = Field(
        "drawn",
        description="ratings: drawn, or williams for orders in which every condition follows every other equally often",
    )
    feedback: bool = Field(False, description="true to show after each practice trial whether it was right")
    spread: Literal["clips"] = Field("clips", description="trials are spread evenly over the clips, order drawn")
    break_after: int | None = Field(
        None, ge=1, le=1000, description="the number of trials after which a rest is offered"
    )
    break_after_min: float | None = Field(
        None, ge=1, le=240, description="the minutes after which a rest is offered, at the next trial"
    )
    confidence: bool = Field(False, description="true to ask with every choice how sure the listener is")
    comments: bool = Field(False, description="true to take a free remark with every trial, kept out of the analysis")
    margin: float | None = Field(
        None,
        gt=0,
        lt=100,
        description="the smallest difference that would matter: share of trials heard beyond guessing, probability of "
        "a preference beyond 1/2, d' along an attribute, or points of the scale",
    )
    deadline_days: float | None = Field(
        None, gt=0, le=366, description="the days after which an unfinished sitting counts as abandoned"
    )

    def to_block(self) -> Block:
        """Return the block as the other rooms know it; trials of a rating that follow from clips are those of one."""
        numbers: dict[str, str | float | int] = {}
        if self.repeats is not None:
            numbers["repeats"] = self.repeats
        if self.ties:
            numbers["ties"] = 1
        if self.constant_reference:
            numbers["constant"] = 1
        if self.attribute is not None:
            numbers["attribute"] = self.attribute
        if self.choice_after_s is not None:
            numbers["choice_after_s"] = self.choice_after_s
        if self.ends is not None:
            numbers["low_end"], numbers["high_end"] = self.ends
        if self.definition is not None:
            numbers["definition"] = self.definition
        if self.screening:
            numbers["screening"] = 1
        if METHODS[self.method].answer_kind == "adjust":
            numbers["sets"] = self.sets or "equal"
        if self.adjusts is not None:
            numbers["adjusts"] = self.adjusts
        if self.against is not None:
            numbers["against"] = self.against
        # The rule of a track is sealed in full, also where the block leaves it at what is usual.
        for name, usual in default_numbers(self.method).items():
            given = getattr(self, name)
            numbers[name] = usual if given is None else given
        return Block(
            id=self.id,
            phase=self.phase,
            method=self.method,
            trials=self.trials if self.trials is not None else self.repeats or 0,
            feedback=self.feedback,
            spread=self.spread,
            break_after=self.break_after,
            margin=self.margin,
            deadline_days=self.deadline_days,
            sittings=self.sittings,
            sequence="williams" if self.sequence == "williams" else "",
            numbers=numbers,
            break_after_min=self.break_after_min,
            confidence=self.confidence,
            comments=self.comments,
            controls=None
            if self.controls is None
            else Controls(
                every=self.controls.every,
                audible=self.controls.audible or "",
                inaudible=self.controls.inaudible,
            ),
            stopping=self.stopping.to_stopping() if self.stopping is not None else None,
        )


class ProtocolFile(Table):
    """A protocol: an ordered list of blocks."""

    later_values: ClassVar[dict[str, tuple[str, ...]]] = {"decides": LATER_KINDS}
    format: Annotated[Literal[1], Words("1")] = Field(description="format = 1")
    title: Text = Field(description="the question that the protocol answers")
    decides: list[Kind] = Field(min_length=1, description="the kinds of claim it decides, as ['heard']")
    source: Text = Field(description="the standard or paper it follows")
    order: Order = Field(
        "blind-first",
        description="where names are shown in one phase: which phase comes first; crossed: half of a panel each; "
        "unreliable-labels: one phase, whose names are right on a random half of the trials",
    )
    block: list[BlockTable] = Field(min_length=1, max_length=50, description="[[block]] for each stretch, in order")

    def to_protocol(self, name: str) -> Protocol:
        """Return the protocol as the other rooms know it."""
        return Protocol(
            name=name,
            title=self.title,
            source=self.source,
            decides=tuple(self.decides),
            blocks=tuple(block.to_block() for block in self.block),
            order="unreliable-labels" if any(block.phase == "unreliable" for block in self.block) else self.order,
        )


def json_schema(of: Literal["study", "protocol"] = "study") -> dict[str, Any]:
    """Return the JSON Schema (draft 2020-12) of study.toml or of a protocol file, for editors.

    Dates of TOML are texts of format `date` in it. What concerns more than one key isn't in it: `blindtest check` says
    that.
    """
    model: type[Table] = StudyFile if of == "study" else ProtocolFile
    schema = model.model_json_schema(mode="validation")
    return {"$schema": "https://json-schema.org/draft/2020-12/schema", **schema}
