"""study.toml and protocol files as pydantic models: which keys there are, what each may hold.

The models are strict: an unknown key is an error (a misspelt key must never become a default), a number in quotes is
text, infinities and NaN are refused. What concerns more than one key is checked in `checks.py`; here stands only what
can be said of one key by itself. Keys that belong to later stages of the tool are listed as `later`, so that they can
be refused by name. Each description completes the sentence "write ...": it is said when the key is missing, and shown
by editors that read the JSON Schema.
"""

from typing import Annotated, Any, ClassVar, Literal

from pydantic import Field, PlainValidator, WithJsonSchema
from pydantic_core import PydanticCustomError

from blindtest.design import METHODS, Protocol
from blindtest.study.block_tables import LATER_METHODS, BlockTable, ControlsTable, StoppingTable
from blindtest.study.correction_tables import CorrectionTable
from blindtest.study.hardware_tables import ConnectionTable, HardwareTable
from blindtest.study.panel_tables import PanelTable
from blindtest.study.stage_tables import FactorsTable, GridTable, RecordingTable, StageTable
from blindtest.study.storage import StorageTable
from blindtest.study.table import FilePath, Format, Id, Label, Language, Table, Text, Words
from blindtest.study.unit_tables import Day, PlaybackTable, UnitTable

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
    if kind == "stage" and METHODS[method].answer_kind == "choose":
        return 50.0, "a number above 0 and below 50: percentage points of preference beyond 50"
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


Hash = Annotated[
    str,
    Field(pattern=r"^[0-9a-f]{8,64}$"),
    Words("the first 8 or more characters of the hash that `blindtest impression` printed: 0-9 and a-f"),
]
AllOrNames = Annotated[
    Any,
    PlainValidator(_all_or_names),
    WithJsonSchema(
        {"anyOf": [{"const": "all"}, {"type": "array", "items": {"type": "string", "minLength": 1}, "minItems": 1}]}
    ),
    Words("'all', or a list of ids of clips"),
]


class RenderingTable(Table):
    """How conditions are made audible."""

    over: Literal["inverse", "worn"] = Field(
        "inverse",
        description="inverse: the playback unit's response is divided out; worn: the clip goes to it as it is",
    )
    rate_hz: int | None = Field(
        None, ge=8_000, le=192_000, description="the sample rate that every clip is brought to; else each keeps its own"
    )
    second_rate_hz: int | None = Field(
        None,
        ge=8_000,
        le=192_000,
        description="a second rate at which everything is rendered too, for a panel's browsers whose output runs at it",
    )
    match: Literal["heard", "file", "1khz"] = Field(
        "heard", description="the measure by which the stimuli of a clip are made equally loud"
    )
    ceiling_dbtp: float = Field(-1.0, ge=-20, le=-0.1, description="the highest true peak of a stimulus, in dBTP")


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
    variants: bool = Field(
        False,
        description="true to ask claims about its harmonics of both topologies and both polarities: four conditions",
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
    language: Language | None = Field(None, description="the language of the page, for listeners who choose none on it")


class StudyFile(Table):
    """A study: what is compared, on which clips, by which protocol."""

    format: Format = Field(description="format = 1")
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
    panel: PanelTable | None = Field(None, description="how many listeners take it over the web")


class ProtocolFile(Table):
    """A protocol: an ordered list of blocks."""

    later_values: ClassVar[dict[str, tuple[str, ...]]] = {"decides": LATER_KINDS}
    format: Format = Field(description="format = 1")
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
