"""Studies that rate against an original: what they must have, and what goes beyond the standards' limits.

Sources: ITU-R BS.1534-3 (2015), 5.1; ITU-R BS.1116-3 (2015).
"""

import pytest

from blindtest.design import Block
from blindtest.study.comparing import block_conditions, with_trials
from blindtest.study.condition import StudyCondition
from blindtest.study.findings import Findings
from blindtest.study.originals import check_original
from blindtest.study.reading import parse_toml

ORIGINAL = '[[condition]]\nid = "original"\nreference = true\nstages = []\n'
OTHER = '[[condition]]\nid = "codec"\nstages = [{ gain_db = -1 }]\n'
LOW = '[[condition]]\nid = "low"\nanchor = "low"\nstages = [{ lowpass_hz = 3500 }]\n'
MID = '[[condition]]\nid = "mid"\nanchor = "mid"\nstages = [{ lowpass_hz = 7000 }]\n'
CLIPS = "".join(f'[[clip]]\nid = "c{k}"\nfile = "c{k}.wav"\nout_s = 11.0\n' for k in range(5))
CONDITIONS = (
    StudyCondition(id="codec"),
    StudyCondition(id="low", anchor="low"),
    StudyCondition(id="original", reference=True),
    StudyCondition(id="mid", anchor="mid"),
)


def protocol(method):
    from blindtest.design import Protocol

    block = Block(id="test", phase="blind", method=method, trials=2, numbers={"repeats": 2})
    return Protocol(name="p", title="P", source="s", decides=("attribute",), blocks=(block,))


def findings(text, method="multi-stimulus"):
    source = parse_toml(text.encode(), file="study.toml")
    found = Findings(source)
    check_original(source.data, protocol(method), found)
    return [str(fault) for fault in found.faults], [str(note) for note in found.notes]


def test_a_study_within_the_limits_is_left_alone():
    assert findings(ORIGINAL + OTHER + LOW + MID + CLIPS) == ([], [])


@pytest.mark.parametrize(
    ("text", "words"),
    [
        (OTHER + LOW + MID + CLIPS, "no condition is marked as it"),
        (ORIGINAL + OTHER + '[[condition]]\nid = "again"\nstages = []\n' + CLIPS, "it would be hidden twice"),
        (ORIGINAL + '[[condition]]\nid = "top"\nanchor = "high"\nstages = []\n' + CLIPS, "at the top of the scale"),
    ],
)
def test_what_a_page_cannot_do_without_is_a_fault(text, words):
    faults, _ = findings(text)
    assert len(faults) == 1
    assert words in faults[0]


@pytest.mark.parametrize(
    ("text", "words"),
    [
        (ORIGINAL + OTHER + LOW + CLIPS, "no mid anchor: ITU-R BS.1534-3, 5.1"),
        (ORIGINAL + OTHER + MID + CLIPS, "no low anchor: ITU-R BS.1534-3, 5.1"),
        (ORIGINAL + OTHER + LOW + MID + CLIPS.replace("out_s = 11.0", "out_s = 13.0", 1), "lasts 13 s"),
        (ORIGINAL + OTHER + LOW + MID + CLIPS.partition('[[clip]]\nid = "c4"')[0], "4 items"),
    ],
)
def test_what_goes_beyond_the_standard_is_a_note(text, words):
    faults, notes = findings(text)
    assert faults == []
    assert len(notes) == 1
    assert words in notes[0]


def test_items_are_one_and_a_half_times_the_systems():
    """BS.1534-3, 5.1: four systems ask for six items."""
    systems = "".join(f'[[condition]]\nid = "s{k}"\nstages = [{{ gain_db = -{k + 2} }}]\n' for k in range(3))
    _, notes = findings(ORIGINAL + OTHER + systems + LOW + MID + CLIPS)
    assert len(notes) == 1
    assert "asks for 6 or more" in notes[0]


def test_small_impairments_have_longer_excerpts_and_no_anchors():
    assert findings(ORIGINAL + OTHER + CLIPS, "small-impairment") == ([], [])
    _, notes = findings(ORIGINAL + OTHER + CLIPS.replace("11.0", "5.0", 1), "small-impairment")
    assert "about 10 to 25 s" in notes[0]


def test_the_original_comes_first_and_pages_are_counted():
    multi, small = (protocol(method).blocks[0] for method in ("multi-stimulus", "small-impairment"))
    assert block_conditions(multi, (), CONDITIONS) == ("original", "codec", "low", "mid")
    assert block_conditions(small, (), CONDITIONS) == ("original", "codec")
    more = (*CONDITIONS, StudyCondition(id="second"))
    assert with_trials(protocol("multi-stimulus"), (), more, 5).trials == 5 * 2
    assert with_trials(protocol("small-impairment"), (), more, 5).trials == 5 * 2 * 2, "two objects, twice each"
