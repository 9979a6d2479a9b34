"""The study files that `blindtest new` writes: one for each kind of question, complete but for what is empty.

Every line with FILL IN is empty on purpose: `blindtest check` names it until it is filled in. A line with # can be had
by taking the # away; it is right as it stands. Each part of `template_texts` and `template_claims` begins with the
empty lines that set it apart.
"""

import json
from dataclasses import dataclass

from blindtest.design import METHODS, Block, Protocol
from blindtest.study.attribute_reach import ALTERNATIVES
from blindtest.study.template_claims import (
    CLAIM,
    CLAIM_BY_SOUND,
    CLAIM_INTRO,
    CLAIM_OF,
    CLAIM_OF_A_SCALE,
    CLAIMS_OF_TUNING,
    MARGIN_OF_PAIRS,
)
from blindtest.study.template_texts import (
    AGAINST_ORIGINAL,
    ANCHORS,
    ANY_NUMBER,
    CLIP,
    CONDITIONS,
    CORRECTED,
    FACTORS,
    GRID,
    HEAD,
    LISTENERS,
    LOW_AND_MID,
    MEASUREMENTS,
    NO_MEASUREMENTS,
    PANEL,
    PLAYBACK,
    SET_BY_HAND,
    UNITS,
    WORN_AS_IT_IS,
    WORN_PLAYBACK,
    WORN_UNIT,
)

__all__ = ["StudyTemplate", "protocol_part", "study_template"]


@dataclass(frozen=True, slots=True, kw_only=True)
class StudyTemplate:
    """A study to fill in: the text of study.toml, the folders for measurements, what is said in measurements/."""

    text: str
    units: tuple[str, ...]
    measurements: str


def study_template(protocol: Protocol, use: str) -> StudyTemplate:
    """Return the study file that goes with a protocol; `use`: how the study file names it.

    A correction for `tuning`, anchors and a panel where something is rated labelled and blind, else two devices over a
    third.
    """
    if protocol.name == "tuning":
        parts = (HEAD, WORN_UNIT, WORN_PLAYBACK, CORRECTED, CLIP, CLAIMS_OF_TUNING)
        return _template(parts, protocol, use, units=("device",))
    if protocol.decides == ("threshold",):
        parts = (HEAD, WORN_AS_IT_IS, GRID, CLIP, CLAIM_INTRO, CLAIM_OF["threshold"])
        return _template(parts, protocol, use, units=())
    if protocol.decides == ("attribute",) and (rates := _rating_block(protocol)) is not None:
        return _of_a_scale(protocol, use, rates)
    if any(block.phase == "unreliable" for block in protocol.blocks):
        clips = CLIP + "".join(_another_clip(name) for name in ("two", "three"))
        parts = (HEAD, UNITS, PLAYBACK, CONDITIONS, clips, CLAIM_INTRO + CLAIM_BY_SOUND)
        return _template(parts, protocol, use, units=("first", "second", "worn"), panel=ANY_NUMBER)
    if protocol.decides == ("stage",):
        clips = CLIP + "".join(_another_clip(name) for name in ("two", "three"))
        claim = CLAIM_OF["stage"]
        if any(block.method == "stage-pair" for block in protocol.blocks):
            claim = claim.replace("# margin = 8                             # points of 100", MARGIN_OF_PAIRS)
        parts = (HEAD, _one_and_worn(), PLAYBACK, FACTORS, clips, CLAIM_INTRO + claim)
        return _template(parts, protocol, use, units=("first", "worn"), panel=PANEL)
    if protocol.decides == ("matched",):
        claim = CLAIM_INTRO + CLAIM_OF["matched"]
        parts = (HEAD, UNITS, PLAYBACK, SET_BY_HAND, CLIP, claim)
        return _template(parts, protocol, use, units=("first", "second", "worn"))
    rated = "rated" in protocol.decides
    conditions = CONDITIONS + (ANCHORS if rated else "")
    clips = CLIP + "".join(_another_clip(name) for name in ("two", "three") if rated)
    if protocol.decides == ("heard",):
        claims = CLAIM
    else:
        claims = CLAIM_INTRO + "".join(CLAIM_OF[kind] for kind in protocol.decides)
    parts = (HEAD, UNITS, PLAYBACK, conditions, clips, claims)
    return _template(parts, protocol, use, units=("first", "second", "worn"), panel=PANEL if rated else LISTENERS)


def _rating_block(protocol: Protocol) -> Block | None:
    rates = (block for block in protocol.blocks if block.counted and METHODS[block.method].answer_kind == "rate")
    return next(rates, None)


def _of_a_scale(protocol: Protocol, use: str, block: Block) -> StudyTemplate:
    """Return the study of ratings of one moment: against an original, or of devices none of which is one."""
    grades = block.method == "small-impairment"
    claim = CLAIM_OF_A_SCALE.format(margin="0.5" if grades else "8", unit="grades" if grades else "points of 100")
    if not METHODS[block.method].reference:
        clips = CLIP + "".join(_another_clip(name) for name in ("two", "three", "four", "five"))
        devices = (HEAD, UNITS, PLAYBACK, CONDITIONS, clips, CLAIM_INTRO, claim)
        return _template(devices, protocol, use, units=("first", "second", "worn"), panel=PANEL)
    anchors = "" if grades else LOW_AND_MID
    clips = CLIP + "".join(_another_clip(name) for name in ("two", "three", "four", "five"))
    parts = (HEAD, WORN_AS_IT_IS, AGAINST_ORIGINAL + anchors, clips, CLAIM_INTRO, claim)
    return _template(parts, protocol, use, units=(), panel=PANEL)


def _template(
    parts: tuple[str, ...], protocol: Protocol, use: str, *, units: tuple[str, ...], panel: str = ""
) -> StudyTemplate:
    text = "".join(parts) + protocol_part(protocol, use) + (panel or LISTENERS)
    if not units:
        return StudyTemplate(text=text, units=(), measurements=NO_MEASUREMENTS)
    if len(units) > 1:
        words = f"the folders {', '.join(units[:-1])} and {units[-1]} are those that study.toml names"
    else:
        words = f"the folder {units[0]} is the one that study.toml names"
    return StudyTemplate(text=text, units=units, measurements=MEASUREMENTS.replace("{folders}", words))


def _one_and_worn() -> str:
    """Return the units without the second device."""
    first, rest = UNITS.split('[[unit]]\nid = "second"')
    return first + rest[rest.index("[[unit]] ") :].replace("one of the two above", "the one above")


def _another_clip(name: str) -> str:
    return (
        f'\n[[clip]]\nid = "{name}"\n'
        'file = ""                                # FILL IN\n'
        'title = ""                               # FILL IN\n'
    )


def protocol_part(protocol: Protocol, use: str) -> str:
    """Return [protocol], with what can be changed in comments."""
    rows = [f"use = {json.dumps(use, ensure_ascii=False):<39}# a name in protocols/, or a path in this folder"]
    if any(block.phase == "labelled" for block in protocol.blocks):
        row = f"# order = {json.dumps(protocol.order)}"
        rows.append(f"{row:<41}# blind-first | labelled-first | crossed: half of a panel each")
    asking = [block for block in protocol.blocks if block.counted and block.method in ALTERNATIVES]
    if asking:
        rows += ["", "[protocol.changes]                       # what of the protocol's blocks differs here"]
        for block in asking:
            row = f"{block.id}.attribute = {json.dumps(block.numbers.get('attribute', ''), ensure_ascii=False)}"
            rows.append(f'{row:<41}# FILL IN: what one has more of, as "bass": it is asked for in these words')
    else:
        rows += ["", "# [protocol.changes]                     # numbers of the protocol's blocks that differ here"]
    rows += [f"# {block.id}.{key} = {value}" for block in protocol.blocks for key, value in _numbers(block)]
    return "\n\n[protocol]\n" + "\n".join(rows) + "\n"


def _numbers(block: Block) -> list[tuple[str, str]]:
    repeats = block.numbers.get("repeats")
    numbers = [("trials", f"{block.trials}")] if repeats is None else [("repeats", f"{repeats}")]
    if block.sittings > 1:
        numbers.append(("sittings", f"{block.sittings}"))
    if "preferred" in METHODS[block.method].decides and block.counted:
        numbers.append(("ties", "true" if block.numbers.get("ties") else "false"))
    if block.method == "duo-trio" and block.counted:
        numbers.append(("constant_reference", "true" if block.numbers.get("constant") else "false"))
    if METHODS[block.method].adaptive:
        numbers += [(name, json.dumps(value)) for name, value in block.numbers.items()]
    if block.method == "free-listening":
        numbers.append(("choice_after_s", f"{block.numbers.get('choice_after_s', 30):g}"))
    if block.margin:
        numbers.append(("margin", f"{block.margin:g}"))
    return numbers
