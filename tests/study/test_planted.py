# ruff: noqa: E501
"""Many mistakes in one study, all to be found in one run: each with file, line, key, what was found and what is allowed.

Every planted line of a TOML file ends in `#! key | got | allowed`, of which the second and third are what the complaint
must contain. Faults in response and clip files are listed beside them. Nothing else may be complained about.
"""

from pathlib import Path

import pytest
import soundfile

from blindtest.errors import Fault
from blindtest.study import check_study

STUDY = """\
format = 2                                          #! format | 2 | 1
titel = "x"                                         #! titel | 'titel' | did you mean 'title'?
reviewer = "  "                                     #! reviewer | empty | pseudonym
[storage]
url_from = "MY_DATABASE"                            #! storage.url_from | not yet: url_from |
[[unit]]
id = "heron"
name = 7                                            #! unit.heron.name | 7 | text of 1 to 500
kind = "hedphone"                                   #! unit.heron.kind | 'hedphone' | 'headphone', 'loudspeaker', 'electronics'
rig = "ear simulator 2"
measured = "2026-03-02"                             #! unit.heron.measured | '2026-03-02' | a date without quotes
level = "SPL"                                       #! unit.heron.level | 'SPL' | 'spl', 'relative'
reference_point = "eardrum"
responses = ["measurements/heron/*.txt", 5]         #! unit.heron.responses | 5 | a path relative to
trusted_band_hz = [20]                              #! unit.heron.trusted_band_hz | a list of 1 | two frequencies
impedance = "measurements/z.txt"                    #! unit.heron.impedance | not yet: impedance |
harmonics = []                                      #! unit.heron.harmonics | not yet: harmonics |
sensitivity_mv_94db = 30                            #! unit.heron.sensitivity_mv_94db | not yet: sensitivity_mv_94db |
[[unit]]                                            #! unit.plover.rig | missing | the measurement rig
id = "plover"
name = "Plover"
kind = "headphone"
level = "spl"
reference_point = "eardrum"
responses = ["measurements/Plover/a.csv", "measurements/plover/broken.csv"] #! unit.plover.responses | 'measurements/Plover/a.csv' | did you mean 'plover'?
trusted_band_hz = [10_000, 20]                      #! unit.plover.trusted_band_hz | [10000, 20] | the lower frequency first
[[unit]]
id = "plover"                                       #! unit.plover.id | 'plover' | line 20
name = "Plover again"
kind = "headphone"
rig = "ear simulator 1"
level = "relative"
reference_point = "eardrum"
left = ["measurements/plover/a.csv"]                #! unit.plover.left | right is missing | right = [...]
[[unit]]
id = "wren"
name = "Wren"
kind = "headphone"
rig = "ear simulator 9"
level = "spl"
reference_point = "diffuse-field"
responses = ["../elsewhere.txt", "measurements/wren/*"] #! unit.wren.responses | '../elsewhere.txt' | only clips may lie elsewhere
#! unit.wren.responses | 'measurements/wren/*' | make the folder
amplifier = { ohm = 1 }                             #! unit.wren.amplifier | not yet: amplifier |
[[unit]]
id = "swift"
name = "Swift"
kind = "headphone"
rig = "ear simulator 2"
level = "spl"
reference_point = "eardrum"
responses = ["measurements/heron/a.txt"]
trusted_band_hz = [20, 20_000]                      #! unit.swift.trusted_band_hz | 20 to 20000 Hz | within 20 to 10000 Hz
[[unit]]                                            #! unit.bare.responses | no measurement | responses = [
id = "bare"
name = "Bare"
kind = "electronics"
rig = "bench"
level = "relative"
reference_point = "electrical"
[playback]
unit = "heronn"                                     #! playback.unit | 'heronn' | did you mean 'heron'?
field_curve = "measurements/field.tx"               #! playback.field_curve | 'measurements/field.tx' | did you mean 'field.txt'?
max_boost_db = "12"                                 #! playback.max_boost_db | '12' | a number from 0 to 40
[rendering]
over = "invers"                                     #! rendering.over | 'invers' | did you mean 'inverse'?
rate_hz = 48_000.0                                  #! rendering.rate_hz | 48000.0 | a whole number from 8000 to 192000
match = "herd"                                      #! rendering.match | 'herd' | 'heard', 'file', '1khz'
ceiling_dbtp = 3.0                                  #! rendering.ceiling_dbtp | 3.0 | from -20 to -0.1
[[condition]]
id = "heron one"                                    #! condition.#1.id | 'heron one' | letters, digits
stages = [{ response = "heron", gain_db = 1.0 },    #! condition.#1.stages.#1 | response, gain_db | exactly one key
          { correction = { unit = "heron" } },      #! condition.#1.stages.#2.correction | not yet: correction |
          { gain_db = inf }]                        #! condition.#1.stages.#3.gain_db | inf | a number from -60 to 20
[[condition]]
id = "plover"
stages = [{ response = "wran" }]                    #! condition.plover.stages.#1.response | 'wran' | did you mean 'wren'?
[[condition]]
id = "third"
stages = [{ response = "heron" },
          { response = "wren" }]                    #! condition.third.stages.#2.response | wren: ear simulator 9 | heron: ear simulator 2
#! condition.third.stages.#2.response | wren: diffuse-field | heron: eardrum
[[condition]]                                       #! condition.fourth.stages | missing | the stages in order
id = "fourth"
[[clip]]
id = "strings"
file = "clips/strings.flac"                         #! clip.strings.file | 'clips/strings.flac' | did you mean 'strings.wav'?
in_s = 2.0
out_s = 1.0                                         #! clip.strings.out_s | 1.0 | above in_s = 2
chosen = 2026-01-15T10:00:00                        #! clip.strings.chosen | '2026-01-15T10:00:00' | a date without quotes
licence = "CC0-1.0"
[[clip]]
id = "drums"
file = "clips/drums.wav"
in_s = 1.0
out_s = 9.0                                         #! clip.drums.out_s | 9.0 | up to 2.000 s
licence = "CC0-1.0"
loudness_lufs = 3                                   #! clip.drums.loudness_lufs | 3 | a number from -70 to 0
[[clip]]
id = "short"
file = "clips/drums.wav"
in_s = 0.5
out_s = 0.75                                        #! clip.short.out_s | 0.25 s | 0.4 s or more
licence = "CC0-1.0"
[[clip]]
id = "late"
file = "clips/drums.wav"
in_s = 5.0                                          #! clip.late.in_s | 5.0 | below 2.000 s
licence = "CC0-1.0"
[[clip]]
id = "silence"
file = "clips/silence.wav"                          #! clip.silence.file | 0 to 1 s | silent
licence = "CC0-1.0"
out_s = 1.0
[[clip]]
id = "text"
file = "clips/text.wav"
licence = "CC0-1.0"
[[claim]]
id = "loved"
kind = "rated"                                      #! claim.loved.kind | not yet: rated | 'heard'
device = "herron"                                   # may mean the condition whose id was refused: not said twice
comparator = "plover"
clips = ["strings", "trumpet"]                      #! claim.loved.clips | 'trumpet' | strings, drums
quote = "could not put it down"                     #! claim.loved.quote | not yet: quote |
impression = "3f9c0a2b"                             #! claim.loved.impression | not yet: impression |
kept = 0.667                                        #! claim.loved.kept | not yet: kept |
primary = "yes"                                     #! claim.loved.primary | 'yes' | true or false
[[claim]]                                           #! claim.two | a second claim | primary
id = "two"
kind = "hered"                                      #! claim.two.kind | 'hered' | did you mean 'heard'?
device = "third"
comparator = "third"                                #! claim.two.comparator | 'third' | held against itself
clips = "some"                                      #! claim.two.clips | 'some' | 'all', or a list
margin = 0                                          #! claim.two.margin | 0 | a number above 0
[protocol]
use = "own.toml"
[protocol.changes]
test.trails = 40                                    #! protocol.changes.test.trails | 'trails' | did you mean 'trials'?
tests.trials = 40                                   #! protocol.changes.tests | no block | did you mean 'test'?
practice.trials = 2.5                               #! protocol.changes.practice.trials | 2.5 | a whole number from 1 to 1000
practice.repeats = 2                                #! protocol.changes.practice.repeats | not yet: repeats |
practice.phase = "blind"                            #! protocol.changes.practice.phase | 'phase' | trials, break_after
[listeners]
consent = "consent.txt"                             #! listeners.consent | 'consent.txt' | did you mean 'consent.md'?
keep_until = "never"                                #! listeners.keep_until | 'never' | a date without quotes
"""

PROTOCOL = """\
format = 1                                          #! title | missing | the question
decides = ["preferred"]                             #! decides | 'preferred' | 'heard'
source = ""                                         #! source | empty | the standard or paper
[[block]]
id = "practice"
phase = "practise"                                  #! block.practice.phase | 'practise' | did you mean 'practice'?
method = "abx"
trials = 0                                          #! block.practice.trials | 0 | a whole number from 1 to 1000
order = "drawn"                                     #! block.practice.order | not yet: order |
[[block]]
id = "labels"
phase = "labelled"                                  #! block.labels.phase | not yet: labelled | 'practice', 'blind'
method = "triangle"                                 #! block.labels.method | not yet: triangle | 'abx'
trials = 4
[[block]]
id = "test"
phase = "blind"
method = "abxx"                                     #! block.test.method | 'abxx' | did you mean 'abx'?
trials = 28
feedback = true                                     #! block.test.feedback | True | practice only
margin = 1.0                                        #! block.test.margin | 1.0 | above 0 and below 1
deadline_days = -1                                  #! block.test.deadline_days | -1 | above 0
[[block]]
id = "test"                                         #! block.test.id | 'test' | line 16
phase = "blind"
method = "abx"
trials = true                                       #! block.test.trials | True | a whole number
brake_after = 2                                     #! block.test.brake_after | 'brake_after' | did you mean 'break_after'?
"""


@pytest.fixture
def planted(tmp_path: Path, noise) -> Path:
    place = tmp_path / "study"
    rows = "\n".join(f"{f}, {90 + i % 3}" for i, f in enumerate((20, 50, 100, 500, 1000, 2000, 5000, 10000)))
    files = {
        "study.toml": STUDY,
        "own.toml": PROTOCOL,
        "consent.md": "text",
        "measurements/field.txt": rows,
        "measurements/heron/a.txt": rows,
        "measurements/plover/a.csv": rows,
        "measurements/plover/broken.csv": "frequency Hz, level dB\n20, 90\nthis, is\nnot, a\nresponse, file\n",
        "clips/text.wav": "these are words",
    }
    for name, text in files.items():
        (place / name).parent.mkdir(parents=True, exist_ok=True)
        (place / name).write_text(text)
    noise(place / "clips/strings.wav")
    noise(place / "clips/drums.wav", seconds=2)
    noise(place / "clips/silence.wav", seconds=2)
    soundfile.write(place / "clips/silence.wav", [[0.0]] * 96_000, 48_000)
    return place


def marks(place: Path, name: str) -> list[tuple[str, int, str, str, str]]:
    """Return file, line, key, got and allowed of every planted fault; a line with the mark alone means the one before."""
    found, last = [], 0
    for number, row in enumerate((place / name).read_text().split("\n"), start=1):
        before, mark, after = row.partition("#!")
        last = number if before.strip() else last
        if mark:
            key, got, allowed = (part.strip() for part in after.split("|"))
            found.append((str(place / name), last, key, got, allowed))
    return found


def matches(fault: Fault, expected: tuple[str, int, str, str, str]) -> bool:
    file, line, key, got, allowed = expected
    text = str(fault)
    return (fault.file, fault.line, fault.key) == (file, line, key) and got in text and allowed in text


def test_all_planted_faults_are_found_in_one_run_and_nothing_else(planted):
    faults = check_study(planted)
    expected = marks(planted, "study.toml") + marks(planted, "own.toml")
    missed = [mark for mark in expected if not any(matches(fault, mark) for fault in faults)]
    assert missed == []
    in_files = {str(planted / "measurements/plover/broken.csv"), str(planted / "clips/text.wav")}
    others = [f for f in faults if f.file not in in_files and not any(matches(f, mark) for mark in expected)]
    assert [str(fault) for fault in others] == []
    assert {fault.file for fault in faults} >= in_files
    broken = [fault for fault in faults if fault.file.endswith("broken.csv")]
    assert all(fault.line is not None for fault in broken)
    assert len(expected) + len(in_files) >= 50
    assert len(faults) == len(expected) + len([fault for fault in faults if fault.file in in_files])


def test_faults_come_sorted_by_line_the_study_file_first(planted):
    faults = check_study(planted)
    own = str(planted / "study.toml")
    first = [fault.line for fault in faults if fault.file == own]
    assert first == sorted(first)
    assert [fault.file for fault in faults][: len(first)] == [own] * len(first)


def test_each_complaint_is_one_line_in_the_form_of_the_conventions(planted):
    for fault in check_study(planted):
        text = str(fault)
        assert "\n" not in text
        assert text.startswith(f"{fault.file}:{fault.line}: " if fault.line else f"{fault.file}: ")
