"""How long sittings take, by our estimate, and what the standards say of that; keys that come with an answer.

Sources: ITU-R BS.1116-3 (10 to 15 trials in 20 to 30 minutes, excerpts of about 10 to 25 s), by a secondary source and
from memory; ISO 4120:2021 (replicate answers), by its scope. 35 s for a pair of 10 s excerpts: our assumption in
`blindtest power --seconds`.
"""

from dataclasses import replace

import pytest

from blindtest import steps
from blindtest.design import Block
from blindtest.study import check_study, examine, load_study
from blindtest.study.lengths import _small_impairment, sitting_lengths, trial_seconds

BLIND = """\
format = 1
title = "A protocol of our own"
decides = ["{kind}"]
source = "made for a test"

[[block]]
id = "practice"
phase = "practice"
method = "{method}"
trials = 1

[[block]]
id = "test"
phase = "blind"
method = "{method}"
{numbers}
"""


def notes(folder) -> str:
    examined = examine(folder)
    assert examined.faults == (), [str(fault) for fault in examined.faults]
    return "\n".join(map(str, examined.notes))


@pytest.fixture
def of(changed, folder):
    """`of(method, numbers, kind)`: the study with a protocol of its own."""

    def write(method, numbers, kind="heard"):
        (folder / "own.toml").write_text(BLIND.format(method=method, numbers=numbers, kind=kind))
        return changed(('use = "abx"', 'use = "own.toml"'))

    return write


def block(method, **more):
    return Block(id="b", phase="blind", method=method, trials=1, **more)


def test_the_estimate_of_a_trial_agrees_with_what_is_usual():
    assert trial_seconds(block("preference"), ("a", "b"), 10.0) == 35.0
    # 10 to 15 trials in 20 to 30 minutes are 80 to 180 s a trial; 17 s is the middle of 10 to 25 s.
    assert 80 <= trial_seconds(block("small-impairment"), ("original", "a"), 17.0) <= 180
    assert trial_seconds(block("free-listening"), ("a", "b"), 240.0) == 240.0, "the programme runs on to its end"


def test_a_long_sitting_without_a_rest_is_noted_and_one_with_rests_is_not(changed, folder):
    study = load_study(folder)
    (length,) = sitting_lengths(study, {"strings": 12.0})
    assert (length.name, length.trials) == ("", 32)
    # 4 practice trials and 28, a rest after 14: 3 sounds of 12 s, 1.25 times, and 10 s: 55 s each.
    assert length.minutes == pytest.approx(32 * 55 / 60)
    assert length.without_rest == pytest.approx(18 * 55 / 60)
    assert "without a rest" not in notes(folder)
    changed(("[protocol]\n", "[protocol]\nchanges.test.trials = 200\nchanges.test.break_after = 200\n"))
    assert "a sitting goes on for about 75 min without a rest (an estimate, 204 trials in about 75 min)" in notes(
        folder
    )


def test_rests_by_the_clock_are_counted_as_rests(changed):
    folder = changed(
        ("[protocol]\n", "[protocol]\nchanges.test = { trials = 200, break_after = 200, break_after_min = 20 }\n")
    )
    assert "without a rest" not in notes(folder)
    (length,) = sitting_lengths(load_study(folder), {"strings": 3.25})
    assert 20 <= length.without_rest < 21


def test_a_clip_that_ends_before_its_choice_is_noted(of, changed):
    of("free-listening", "trials = 8\nchoice_after_s = 5\nmargin = 0.4", "keeps listening")
    folder = changed(
        (
            "[protocol]",
            '[[claim]]\nid = "k"\nkind = "keeps listening"\ndevice = "heron"\ncomparator = "plover"\n\n[protocol]',
        )
    )
    text = notes(folder)
    assert "clip.strings: lasts 3.25 s, and block test offers its choice after 5 s of sound" in text


class Noted:
    def __init__(self):
        self.texts = []

    def note(self, place, text):
        self.texts.append(text)


@pytest.mark.parametrize(
    ("trials", "rests", "noted"),
    [
        (15, {}, False), (16, {}, True), (40, {"break_after": 15}, False), (40, {"break_after": 16}, True),
        (40, {"break_after_min": 30.0}, False), (40, {"break_after_min": 31.0}, True),
    ],
)  # fmt: skip
def test_gradings_of_small_impairments_have_a_rest_after_fifteen(folder, trials, rests, noted):
    """ITU-R BS.1116-3: 10 to 15 trials in 20 to 30 minutes, then a rest."""
    study = load_study(folder)
    graded = Block(id="grade", phase="blind", method="small-impairment", trials=trials, **rests)
    found = Noted()
    _small_impairment(replace(study, protocol=replace(study.protocol, blocks=(graded,))), {}, found)
    assert any("trials without a rest" in text for text in found.texts) is noted
    # One excerpt, two systems: five are asked for at least.
    assert "1 excerpts: ITU-R BS.1116-3 asks for one and a half times" in found.texts[-1]
    assert found.texts[-1].endswith("here 5")


@pytest.mark.parametrize(("listeners", "noted"), [(1, False), (20, True)])
def test_replicate_answers_of_assessors_are_noted(of, changed, listeners, noted):
    of("triangle", "trials = 24\nmargin = 0.5")
    folder = changed(("[protocol]", f"[listeners]\nplanned = {listeners}\n\n[protocol]"))
    assert ("24 answers of each of 20 listeners are replicates, and ISO 4120:2021 counts" in notes(folder)) is noted


def test_a_clip_that_is_called_like_a_condition_is_refused(changed):
    folder = changed(('id = "strings"', 'id = "heron"'))
    (fault,) = check_study(folder)
    assert "clip.heron.id: a condition has this id, in line 30, got 'heron'" in str(fault)


def test_what_comes_with_an_answer_reaches_the_block(changed):
    folder = changed(
        ("[protocol]\n", "[protocol]\nchanges.test = { confidence = true, comments = true, break_after_min = 20 }\n")
    )
    made = load_study(folder).protocol.blocks[1]
    assert (made.confidence, made.comments, made.break_after_min) == (True, True, 20.0)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ("confidence = 1", "confidence: .* got 1 .*true"),
        ("break_after_min = 0.5", "break_after_min: .* got 0.5 .*1"),
        ("comments = 'yes'", "comments: .* got 'yes'"),
    ],
)
def test_a_wrong_value_is_said_in_one_line(changed, change, words):
    folder = changed(("[protocol]\n", f"[protocol]\nchanges.test = {{ {change} }}\n"))
    (fault,) = check_study(folder)
    import re

    assert re.search(words, str(fault)), str(fault)


def test_only_a_choice_can_be_more_or_less_sure(of):
    folder = of("free-listening", "trials = 8\nconfidence = true\nmargin = 0.4", "keeps listening")
    assert "block.test.confidence: only an answer that is chosen" in "\n".join(map(str, check_study(folder)))


@pytest.mark.parametrize(("trials", "said"), [(51, False), (52, True)])
def test_power_says_where_trials_take_longer_than_a_session(trials, said):
    """35 s a trial: 51 take 29.75 minutes, 52 take 30.3."""
    text = steps.power(trials=trials).text()
    assert ("ITU-R BS.1116-3 asks for a rest after 20 to 30 (break_after_min = 20" in text) is said
