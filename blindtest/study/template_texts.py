"""Texts that a new study folder is made of, but for its claims: tables to fill in, each with its comments."""

__all__ = [
    "AGAINST_ORIGINAL",
    "ANCHORS",
    "ANY_NUMBER",
    "CLIP",
    "CLIPS_WORDS",
    "CONDITIONS",
    "CORRECTED",
    "FACTORS",
    "GRID",
    "HEAD",
    "LISTENERS",
    "LOW_AND_MID",
    "MEASUREMENTS",
    "NO_MEASUREMENTS",
    "PANEL",
    "PLAYBACK",
    "SET_BY_HAND",
    "UNITS",
    "WORN_AS_IT_IS",
    "WORN_PLAYBACK",
    "WORN_UNIT",
]

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


UNITS = """

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


PLAYBACK = """

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


CONDITIONS = """

# What is compared: two conditions. stages = [] is the clip as it is.

[[condition]]
id = "first"
stages = [{ response = "first" }]        # the id of a unit

[[condition]]
id = "second"
stages = [{ response = "second" }]
"""


CLIP = """

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


WORN_UNIT = """

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


WORN_PLAYBACK = """

[playback]                               # what the listener wears
unit = "device"                          # stimuli are made equally loud as heard through it
# field_curve = "measurements/field.txt" # the rig's own response in a diffuse field; else ISO 11904-1 stands in

[rendering]
over = "worn"                            # the clip goes to the device as it is, or through the correction
match = "heard"                          # equally loud as heard; or file | 1khz; goes into the seal
ceiling_dbtp = -1.0                      # no stimulus peaks higher
# rate_hz = 48_000                       # bring every clip to this sample rate first; else each keeps its own
"""


CORRECTED = """

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


ANCHORS = """
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


WORN_AS_IT_IS = """

[rendering]
over = "worn"                            # clips go as they are to whatever is worn
ceiling_dbtp = -1.0                      # no stimulus peaks higher
# rate_hz = 48_000                       # bring every clip to this sample rate first; else each keeps its own
"""


GRID = """

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


SET_BY_HAND = """

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


FACTORS = """

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


AGAINST_ORIGINAL = """

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


LOW_AND_MID = """
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


LISTENERS = """
# [listeners]
# planned = 1                            # how many there will be
# consent = "consent.md"                 # shown before the first question; optional if you are the only listener
# keep_until = 2027-03-01
"""


PANEL = """
[listeners]
planned = ""                             # FILL IN: how many there will be, a number without quotes: 24 make a panel;
                                         # 1 is judged by days, and `blindtest check` says how many it takes
# consent = "consent.md"                 # shown before the first question; optional if you are the only listener
# keep_until = 2027-03-01
"""


ANY_NUMBER = """
[listeners]
planned = ""                             # FILL IN: how many there will be, a number without quotes: 1, or 12 and more
# consent = "consent.md"                 # shown before the first question; optional if you are the only listener
# keep_until = 2027-03-01
"""


MEASUREMENTS = """\
Response files: any delimited text with frequency and level, as your bench exported it.

Put the files of each unit into its own folder here, one file for each seating (five or more are better than one):
{folders}. A file may hold one channel or left and right side
by side. Put nothing else into those folders.
"""


NO_MEASUREMENTS = """\
Response files of measured units go here, a folder for each, if study.toml names any. A threshold needs none, nor do
ratings against an original.
"""


CLIPS_WORDS = """\
Music: WAV, FLAC, Ogg or MP3, mono or stereo. 8 to 15 seconds of each are plenty; study.toml says from where to where.
A clip may also lie elsewhere: study.toml may name any path.
"""
