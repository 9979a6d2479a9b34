"""Settings in words: what stands where level is doubted, and that every number comes from the result."""

from dataclasses import replace

import pytest

from blindtest.report import SettingsFacts, cross_check, setting_sentence
from blindtest.report.doubts import doubts
from blindtest.report.words import decibel
from blindtest.stats import settings_test

STARTS = [-2, 2] * 6
RESULT = settings_test(
    [0.5, 1, 0, 0.5, 0.5, 1.5, 0.5, 0, 1, 0.5, 0.5, 1], ["L1"] * 6 + ["L2"] * 6, start=STARTS, margin=2.0
)


def facts(**changes):
    made = SettingsFacts(
        blocks=("set",), sets="equal", device="heron", against="plover", attribute="loudness", unit="dB",
        result=RESULT, claimed=True,
    )  # fmt: skip
    return replace(made, **changes)


def test_it_stands_where_level_is_doubted(make_report):
    report = make_report()
    assert not [text for _, said in doubts(report) for text in said if "from the match" in text]
    report = replace(report, settings=(facts(claimed=False, device=report.compared[0], against=report.compared[1]),))
    (level,) = [said for question, said in doubts(report) if question == "Was one of them simply louder?"]
    (sentence,) = [text for text in level if "from the match" in text]
    assert report.name_of(report.compared[0]).split(",")[0] in sentence
    assert any("their precision" in text for text in level)


def test_the_sentence_has_the_numbers_of_the_result():
    low, high = RESULT.interval
    said = setting_sentence(facts())
    assert f"2 listeners set heron equal to plover at {decibel(RESULT.mean)} dB from the match" in said
    assert f"interval {low:+.2f} to {high:+.2f}" in said
    assert {"shown": ": within ±2 dB of the match (", "open": "stays open ("}[RESULT.word] in said


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"attribute": "bass"}, "equal to plover in bass at"),
        ({"sets": "preferred", "against": ""}, "2 listeners preferred heron at"),
        ({"result": None, "why_not": "nobody has set anything"}, "No settings to tell of: nobody has set anything."),
        (
            {"result": settings_test([1.0, 1.0], margin=2.0)},
            "without spread nothing tells whether the true mean lies within",
        ),
        (
            {"result": settings_test([1.0])},
            "One listener set heron equal to plover at +1.00 dB from the match, in 1\u00a0setting.",
        ),
    ],
)
def test_other_cases(changes, said):
    assert said in setting_sentence(facts(**changes))


def test_what_was_left_out_is_said():
    beside = " ".join(cross_check(facts(unanswered=3, clips=2)))
    assert "3\u00a0planned trials without an answer" in beside
    assert "2 clips share the settings" in beside
