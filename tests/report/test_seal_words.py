"""What time stamps show stands where a doubter looks, and no further."""

from dataclasses import replace

from blindtest.report import html
from blindtest.report.doubts import doubts
from blindtest.report.seal_words import seal_limits, seal_words

STAMP = "time stamp on the plan of sitting 1 is of 2026-05-06 08:59:58 UTC within 1 s, before its first answer"


def test_time_stamps_stand_in_the_section_for_doubters_and_under_the_seal(make_report):
    plain = make_report()
    stamped = replace(plain, seal=replace(plain.seal, stamps=(STAMP,)))
    answer = dict(doubts(stamped))["What does the seal show here?"]
    assert f"An authority's {STAMP}." in answer
    assert any("rests on the clock of the computer that recorded them" in one for one in answer)
    assert f"An authority's {STAMP}." in seal_words(stamped)
    assert html(stamped, figures={}).count(STAMP) == 2
    assert not any("RFC 3161" in one for one in (*seal_words(plain), *dict(doubts(plain)).popitem()[1]))


def test_the_plans_of_a_panel_lay_with_its_organiser(make_report):
    """Listeners of a panel have its pages only: that they could have read the plan would be false."""
    alone = make_report()
    panel = replace(alone, seal=replace(alone.seal, of_a_panel=True))
    assert any(words.startswith("The listener could have read the plan") for words in seal_limits(alone))
    assert not any("listener could have read" in words for words in seal_limits(panel))
    assert any(words.startswith("The organiser could have read each plan") for words in seal_limits(panel))
