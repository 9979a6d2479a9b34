"""The study files that `blindtest new` writes: one for each kind of question, complete but for what is empty.

Every line with FILL IN is empty on purpose: `blindtest check` names it until it is filled in. A line with # can be had
by taking the # away; it is right as it stands. Each part below begins with the empty lines that set it apart.
"""

import json
from dataclasses import dataclass

from blindtest.design import METHODS, Block, Protocol
from blindtest.study.attribute_reach import ALTERNATIVES

__all__ = ["CLIPS_WORDS", "HEAD", "StudyTemplate", "protocol_part", "study_template"]

HEAD = """\
#:schema ./study.schema.json
# Editors that read JSON Schema for TOML find the one of this file by the line above: they then complete keys, show what
# each is for and underline mistakes. `blindtest check` says the same and more.
#
# Everything that is empty, "", has to be filled in; `blindtest check` says what is still missing.
# A line that begins with # is a comment. Paths are relative to this file.

format = 1
title = ""                               # FILL IN: a line that says what is compared
reviewer = ""                            # FILL IN: a pseudonym; real names live elsewhere, if at all
"""

_UNITS = """

# What was measured: one [[unit]] for each. Put the response files of every seating into the folder it names.

[[unit]]
id = "first"                             # a short name of your choice; conditions and [playback] refer to it
name = ""                                # FILL IN: the name that stands in the report
kind = "headphone"                       # headphone | loudspeaker | electronics
rig = ""                                 # FILL IN: the measurement rig; responses of different rigs are never combined
level = "spl"                            # spl | relative: what the dB in the files are
reference_point = "eardrum"              # where the responses hold: eardrum | diffuse-field | free-field | electrical
responses = ["measurements/first/*"]     # every seating, left and right in one file; or left = [...] and right = [...]
# measured = 2026-03-02                  # the day, without quotes
# serial_suffix = "0417"
# revision = "B"
# trusted_band_hz = [20, 10_000]         # where the measurement is to be trusted; else 20 Hz to 10 kHz at the eardrum

[[unit]]
id = "second"
name = ""                                # FILL IN
kind = "headphone"
rig = ""                                 # FILL IN: the same rig as above
level = "spl"
reference_point = "eardrum"
responses = ["measurements/second/*"]

[[unit]]                                 # what you will wear; take this unit out if it is one of the two above
id = "worn"
name = ""                                # FILL IN
kind = "headphone"
rig = ""                                 # FILL IN: the same rig as above
level = "spl"
reference_point = "eardrum"
responses = ["measurements/worn/*"]
"""

_PLAYBACK = """

[playback]                               # what the listener wears or sits before
unit = "worn"                            # its response is divided out
max_boost_db = 12                        # of the one inverse that all conditions share
# field_curve = "measurements/field.txt" # the rig's own response in a diffuse field; else ISO 11904-1 stands in

[rendering]
over = "inverse"                         # inverse: a device is rendered over the playback unit, whose response is
                                         # divided out; worn: the clip goes to it as it is
match = "heard"                          # equally loud as heard; or file | 1khz; goes into the seal
ceiling_dbtp = -1.0                      # no stimulus peaks higher
# rate_hz = 48_000                       # bring every clip to this sample rate first; else each keeps its own
"""

_CONDITIONS = """

# What is compared: two conditions. stages = [] is the clip as it is.

[[condition]]
id = "first"
stages = [{ response = "first" }]        # the id of a unit

[[condition]]
id = "second"
stages = [{ response = "second" }]
"""

_CLIP = """

# Music: one [[clip]] for each; WAV, FLAC, Ogg or MP3. Take as many as you like: copy the table.

[[clip]]
id = "one"
file = ""                                # FILL IN: such as "clips/strings.flac"
in_s = 0.0                               # where the excerpt begins, in seconds
# out_s = 12.0                           # where it ends; else at the end of the file
title = ""                               # FILL IN: what it is
# chosen_by = "reviewer"
# chosen = 2026-01-15                    # the day; before the unit was heard?
# licence = "CC0-1.0"                    # without one the audio never enters a bundle
# loudness_lufs = -25.0                  # how loud it is heard; else chosen at the first rendering and kept
"""

_CLAIM = """

# What is claimed. Without this table: that the two conditions can be told apart, by the margin of the protocol.

# [[claim]]
# id = "different"
# kind = "heard"
# device = "first"
# comparator = "second"
# margin = 0.5                           # share of trials heard beyond guessing that would matter
"""

_WORN_UNIT = """

# What was measured, and what you will wear. Put the response files of every seating into the folder it names.

[[unit]]
id = "device"                            # a short name of your choice; the correction and [playback] refer to it
name = ""                                # FILL IN: the name that stands in the report
kind = "headphone"                       # headphone | loudspeaker | electronics
rig = ""                                 # FILL IN: the measurement rig
level = "spl"                            # spl | relative: what the dB in the files are
reference_point = "eardrum"              # where the responses hold: eardrum | diffuse-field | free-field | electrical
responses = ["measurements/device/*"]    # every seating, left and right in one file; or left = [...] and right = [...]
# measured = 2026-03-02                  # the day, without quotes
# serial_suffix = "0417"
# revision = "B"
# trusted_band_hz = [20, 10_000]         # where the measurement is to be trusted; else 20 Hz to 10 kHz at the eardrum
"""

_WORN_PLAYBACK = """

[playback]                               # what the listener wears
unit = "device"                          # stimuli are made equally loud as heard through it
# field_curve = "measurements/field.txt" # the rig's own response in a diffuse field; else ISO 11904-1 stands in

[rendering]
over = "worn"                            # the clip goes to the device as it is, or through the correction
match = "heard"                          # equally loud as heard; or file | 1khz; goes into the seal
ceiling_dbtp = -1.0                      # no stimulus peaks higher
# rate_hz = 48_000                       # bring every clip to this sample rate first; else each keeps its own
"""

_CORRECTED = """

# What is compared: the clip as it is, and through the correction that brings the device towards a target: a file of
# frequency and level like a response, such as "measurements/target.txt". Both are brought to the same level from 300 Hz
# to 3 kHz (or over align_hz = [from, to]); what lies outside band_hz is left alone, narrow notches aren't filled, no
# boost is larger than max_boost_db.

[[condition]]
id = "native"
stages = []

[[condition]]
id = "corrected"
stages = [{ correction = { unit = "device", target = "", band_hz = [20, 8000], max_boost_db = 6 } }] # FILL IN: target
"""

_ANCHORS = """
# Two renderings that are rated beside them in both phases: one plainly poor, one plainly good.

[[condition]]
id = "low-anchor"
anchor = "low"
stages = [{ lowpass_hz = 3500 }]         # the low anchor of ITU-R BS.1534-3

[[condition]]
id = "high-anchor"
anchor = "high"
stages = []                              # the clip as it is

# A decoy makes recognition harder: no claim speaks of it, and it is never named.

# [[condition]]
# id = "decoy"
# decoy = true
# stages = [{ response = "first" }, { tilt_db_per_octave = -0.5 }]
"""

_CLAIMS_OF_TUNING = """

# What is claimed. Each claim is answered by a block of its own; what would refute it, `blindtest check` says.

[[claim]]
id = "heard"                             # can the correction be heard?
kind = "heard"
device = "native"                        # A of the test
comparator = "corrected"                 # B
# margin = 0.5                           # share of trials heard beyond guessing that would matter; else the protocol's

[[claim]]
id = "liked"                             # is it preferred?
kind = "preferred"
device = "corrected"                     # what is preferred: name it first
comparator = "native"
# margin = 0.3                           # probability of a preference beyond 1/2 that would matter; else the protocol's
# direction = "two-sided"                # claimed: only the claimed direction is tested, and that is sealed
"""

_WORN_AS_IT_IS = """

[rendering]
over = "worn"                            # clips go as they are to whatever is worn
ceiling_dbtp = -1.0                      # no stimulus peaks higher
# rate_hz = 48_000                       # bring every clip to this sample rate first; else each keeps its own
"""

_GRID = """

# What is compared: the clip as it is, and the same with more or less of one thing. The grid stands for as many
# renderings, "bump@0.5" and so on; the number of its stage is replaced by each of the values.
# Other stages that a grid can run over: { gain_db = 1 } (a level difference) and { tilt_db_per_octave = 0.5 }.

[[condition]]
id = "clip"
stages = []

[[condition]]
id = "bump"
stages = [{ hump = { frequency_hz = 1000, gain_db = 6, q = 1 } }]
grid = { stage = "hump", values = [0.5, 1, 1.5, 2, 2.5, 3, 3.5, 4, 4.5, 5, 5.5, 6] }
"""

_SET_BY_HAND = """

# What is compared: two conditions made equally loud, and one of them again at levels around that match. The grid stands
# for as many renderings, "second@-3" and so on; 0 is the match, and listeners move among them without a number.

[[condition]]
id = "first"
stages = [{ response = "first" }]

[[condition]]
id = "second"
stages = [{ response = "second" }, { gain_db = 0 }]
grid = { stage = "gain_db", values = [-4, -3.5, -3, -2.5, -2, -1.5, -1, -0.5, 0, 0.5, 1, 1.5, 2, 2.5, 3, 3.5, 4] }
"""

_FACTORS = """

# What is compared: a chain whose stages are switched on and off. The factors stand for all combinations, here four,
# "first@response+hump-" and so on; stages that they don't name are always on. fraction = "1/2" keeps half of them: what
# these can't tell apart, `blindtest check` says. An anchor on the same pages ties the scale.

[[condition]]
id = "first"
stages = [{ response = "first" }, { hump = { frequency_hz = 3000, gain_db = 3, q = 2 } }]
factors = { stages = ["response", "hump"] }

[[condition]]
id = "low-anchor"
anchor = "low"
stages = [{ response = "first" }, { lowpass_hz = 3500 }]
"""

_AGAINST_ORIGINAL = """

# What is compared: the original, and what became of it. stages = [] is the clip as it is; a recording stands in for the
# clips by files of your own, such as one = "clips/one-coded.wav"; align = true shifts them in time onto the clip.

[[condition]]
id = "original"
reference = true                         # given openly, and hidden once more
stages = []

[[condition]]
id = "first"
stages = [{ recording = { files = { one = "", two = "", three = "", four = "", five = "" }, align = true } }] # FILL IN

[[condition]]
id = "second"
stages = [{ recording = { files = { one = "", two = "", three = "", four = "", five = "" }, align = true } }] # FILL IN
"""

_LOW_AND_MID = """
# Two anchors are hidden among them, by low-passes of the standard's kind.

[[condition]]
id = "low-anchor"
anchor = "low"
stages = [{ lowpass_hz = 3500 }]         # ITU-R BS.1534-3, 5.1

[[condition]]
id = "mid-anchor"
anchor = "mid"
stages = [{ lowpass_hz = 7000 }]         # ITU-R BS.1534-3, 5.1
"""

_CLAIM_OF_A_SCALE = """
[[claim]]
id = "higher"
kind = "attribute"
device = "first"                         # what is rated higher: name it first
comparator = "second"
# clips = "all"                          # or the ids of the clips it holds for
# margin = {margin:<29}# {unit} that matter; else the protocol's
# attribute = "quality"                  # which scale, where the protocol rates several
# direction = "two-sided"                # claimed: only the claimed direction is tested, and that is sealed
# quote = "clearly the cleaner one"      # words of the impression that this is about; then put it on record, and write
                                         # impression = "..." with the hash that `blindtest impression` prints
"""

_CLAIM_INTRO = """

# What is claimed. What would refute it, `blindtest check` says.
"""

_MARGIN_OF_PAIRS = "# margin = 15                            # percentage points of preference beyond 50"
_CLAIM_OF = {
    "heard": """
[[claim]]
id = "different"
kind = "heard"
device = "first"                         # A of the test
comparator = "second"                    # B
# margin = 0.5                           # share of trials heard beyond guessing that would matter; else the protocol's
""",
    "preferred": """
[[claim]]
id = "preferred"
kind = "preferred"
device = "first"                         # what is preferred: name it first
comparator = "second"
# clips = "all"                          # or the ids of the clips it holds for
# margin = 0.3                           # probability of a preference beyond 1/2 that would matter; else the protocol's
# direction = "two-sided"                # claimed: only the claimed direction is tested, and that is sealed
# quote = "more of it, please"           # words of the impression that this is about; then put it on record, and write
                                         # impression = "..." with the hash that `blindtest impression` prints
""",
    "attribute": """
[[claim]]
id = "more"
kind = "attribute"
device = "first"                         # what has more of it: name it first
comparator = "second"
# clips = "all"                          # or the ids of the clips it holds for
# margin = 1.0                           # d' along the attribute that would matter; else the protocol's
# direction = "two-sided"                # claimed: only the claimed direction is tested, and that is sealed
# quote = "more bass"                    # words of the impression that this is about; then put it on record, and write
                                         # impression = "..." with the hash that `blindtest impression` prints
""",
    "threshold": """
[[claim]]
id = "enough"                            # what is claimed: a bump of 2 dB is enough to be heard
kind = "threshold"
device = "bump"                          # the condition with the grid
comparator = "clip"                      # what every level is held against
margin = 2                               # the level, in the unit of the grid
""",
    "stage": """
[[claim]]
id = "peak"                              # what is claimed: the hump is heard. Another stage, another claim
kind = "stage"
device = "first"                         # the condition with the factors
stage = "hump"                           # which of them
# effect = "either"                      # raises or lowers: what it does to ratings; then the other way refutes it
# margin = 8                             # points of 100 that matter; else the protocol's
# quote = "a peak in the voices"         # words of the impression that this is about; then put it on record, and write
                                         # impression = "..." with the hash that `blindtest impression` prints
""",
    "matched": """
[[claim]]
id = "as-loud"                           # what is claimed: the match holds for these listeners, within half a dB
kind = "matched"
device = "second"                        # the condition with the grid: what they set
comparator = "first"                     # what they set it equal to
margin = 0.5                             # how far from the match the mean setting may lie, in the unit of the grid
""",
    "keeps listening": """
[[claim]]
id = "stays"
kind = "keeps listening"
device = "first"                         # what listeners choose to play on: name it first
comparator = "second"
# clips = "all"                          # or the ids of the tracks it holds for
# margin = 0.3                           # probability of a choice beyond 1/2 that would matter; else the protocol's
# direction = "two-sided"                # claimed: only the claimed direction is tested, and that is sealed
# quote = "I can't stop listening"       # words of the impression that this is about; then put it on record, and write
                                         # impression = "..." with the hash that `blindtest impression` prints
""",
    "rated": """
[[claim]]
id = "better"
kind = "rated"
device = "first"                         # what is rated higher: name it first
comparator = "second"
# clips = "all"                          # or the ids of the clips it holds for
# margin = 8                             # points of 100 that matter; else the protocol's
# kept = 0.667                           # share of the labelled effect that counts as surviving
# quote = "could not put it down"        # words of the impression that this is about; then put it on record, and write
                                         # impression = "..." with the hash that `blindtest impression` prints
""",
}

_CLAIM_BY_SOUND = """
[[claim]]
id = "better"
kind = "rated"                           # its sound is rated above, whatever name it bears
device = "first"                         # what is rated higher: name it first
comparator = "second"
# clips = "all"                          # or the ids of the clips it holds for
# margin = 8                             # points of 100 that matter; else the protocol's
# quote = "could not put it down"        # words of the impression that this is about; then put it on record, and write
                                         # impression = "..." with the hash that `blindtest impression` prints
"""

_LISTENERS = """
# [listeners]
# planned = 1                            # how many there will be
# consent = "consent.md"                 # shown before the first question; optional if you are the only listener
# keep_until = 2027-03-01
"""

_PANEL = """
[listeners]
planned = ""                             # FILL IN: how many there will be, a number without quotes: 24 make a panel;
                                         # 1 is judged by days, and `blindtest check` says how many it takes
# consent = "consent.md"                 # shown before the first question; optional if you are the only listener
# keep_until = 2027-03-01
"""

_ANY_NUMBER = """
[listeners]
planned = ""                             # FILL IN: how many there will be, a number without quotes: 1, or 12 and more
# consent = "consent.md"                 # shown before the first question; optional if you are the only listener
# keep_until = 2027-03-01
"""

_MEASUREMENTS = """\
Response files: any delimited text with frequency and level, as your bench exported it.

Put the files of each unit into its own folder here, one file for each seating (five or more are better than one):
{folders}. A file may hold one channel or left and right side
by side. Put nothing else into those folders.
"""

_NO_MEASUREMENTS = """\
Response files of measured units go here, a folder for each, if study.toml names any. A threshold needs none, nor do
ratings against an original.
"""

CLIPS_WORDS = """\
Music: WAV, FLAC, Ogg or MP3, mono or stereo. 8 to 15 seconds of each are plenty; study.toml says from where to where.
A clip may also lie elsewhere: study.toml may name any path.
"""


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
        parts = (HEAD, _WORN_UNIT, _WORN_PLAYBACK, _CORRECTED, _CLIP, _CLAIMS_OF_TUNING)
        return _template(parts, protocol, use, units=("device",))
    if protocol.decides == ("threshold",):
        parts = (HEAD, _WORN_AS_IT_IS, _GRID, _CLIP, _CLAIM_INTRO, _CLAIM_OF["threshold"])
        return _template(parts, protocol, use, units=())
    if protocol.decides == ("attribute",) and (rates := _rating_block(protocol)) is not None:
        return _of_a_scale(protocol, use, rates)
    if any(block.phase == "unreliable" for block in protocol.blocks):
        clips = _CLIP + "".join(_another_clip(name) for name in ("two", "three"))
        parts = (HEAD, _UNITS, _PLAYBACK, _CONDITIONS, clips, _CLAIM_INTRO + _CLAIM_BY_SOUND)
        return _template(parts, protocol, use, units=("first", "second", "worn"), panel=_ANY_NUMBER)
    if protocol.decides == ("stage",):
        clips = _CLIP + "".join(_another_clip(name) for name in ("two", "three"))
        claim = _CLAIM_OF["stage"]
        if any(block.method == "stage-pair" for block in protocol.blocks):
            claim = claim.replace("# margin = 8                             # points of 100", _MARGIN_OF_PAIRS)
        parts = (HEAD, _one_and_worn(), _PLAYBACK, _FACTORS, clips, _CLAIM_INTRO + claim)
        return _template(parts, protocol, use, units=("first", "worn"), panel=_PANEL)
    if protocol.decides == ("matched",):
        claim = _CLAIM_INTRO + _CLAIM_OF["matched"]
        parts = (HEAD, _UNITS, _PLAYBACK, _SET_BY_HAND, _CLIP, claim)
        return _template(parts, protocol, use, units=("first", "second", "worn"))
    rated = "rated" in protocol.decides
    conditions = _CONDITIONS + (_ANCHORS if rated else "")
    clips = _CLIP + "".join(_another_clip(name) for name in ("two", "three") if rated)
    if protocol.decides == ("heard",):
        claims = _CLAIM
    else:
        claims = _CLAIM_INTRO + "".join(_CLAIM_OF[kind] for kind in protocol.decides)
    parts = (HEAD, _UNITS, _PLAYBACK, conditions, clips, claims)
    return _template(parts, protocol, use, units=("first", "second", "worn"), panel=_PANEL if rated else _LISTENERS)


def _rating_block(protocol: Protocol) -> Block | None:
    rates = (block for block in protocol.blocks if block.counted and METHODS[block.method].answer_kind == "rate")
    return next(rates, None)


def _of_a_scale(protocol: Protocol, use: str, block: Block) -> StudyTemplate:
    """Return the study of ratings of one moment: against an original, or of devices none of which is one."""
    grades = block.method == "small-impairment"
    claim = _CLAIM_OF_A_SCALE.format(margin="0.5" if grades else "8", unit="grades" if grades else "points of 100")
    if not METHODS[block.method].reference:
        clips = _CLIP + "".join(_another_clip(name) for name in ("two", "three", "four", "five"))
        devices = (HEAD, _UNITS, _PLAYBACK, _CONDITIONS, clips, _CLAIM_INTRO, claim)
        return _template(devices, protocol, use, units=("first", "second", "worn"), panel=_PANEL)
    anchors = "" if grades else _LOW_AND_MID
    clips = _CLIP + "".join(_another_clip(name) for name in ("two", "three", "four", "five"))
    parts = (HEAD, _WORN_AS_IT_IS, _AGAINST_ORIGINAL + anchors, clips, _CLAIM_INTRO, claim)
    return _template(parts, protocol, use, units=(), panel=_PANEL)


def _template(
    parts: tuple[str, ...], protocol: Protocol, use: str, *, units: tuple[str, ...], panel: str = ""
) -> StudyTemplate:
    text = "".join(parts) + protocol_part(protocol, use) + (panel or _LISTENERS)
    if not units:
        return StudyTemplate(text=text, units=(), measurements=_NO_MEASUREMENTS)
    if len(units) > 1:
        words = f"the folders {', '.join(units[:-1])} and {units[-1]} are those that study.toml names"
    else:
        words = f"the folder {units[0]} is the one that study.toml names"
    return StudyTemplate(text=text, units=units, measurements=_MEASUREMENTS.replace("{folders}", words))


def _one_and_worn() -> str:
    """Return the units without the second device."""
    first, rest = _UNITS.split('[[unit]]\nid = "second"')
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
