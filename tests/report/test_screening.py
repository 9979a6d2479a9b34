"""What listeners played on, as the page, the block and the analysis say it."""

from dataclasses import replace

import pytest

from blindtest.design import ScreeningRules, ScreeningTest
from blindtest.report import (
    ScreenedFacts,
    ScreeningFacts,
    ScreeningTestFacts,
    html,
    markdown,
    played_on_words,
)


def facts(on_fail="record", dichotic_pass=6, passed=18):
    rules = ScreeningRules(
        tests=(
            ScreeningTest(name="channels", pass_mark=5, tries=3),
            ScreeningTest(name="antiphase", pass_mark=5),
            ScreeningTest(name="dichotic", pass_mark=dichotic_pass),
        ),
        on_fail=on_fail,
    )
    return ScreeningFacts(
        rules=rules,
        listeners=31,
        passed_all=17,
        turned_away=0 if on_fail == "record" else 12,
        tests=(
            ScreeningTestFacts.of(
                rules, "channels", taken=31, passed_first=27, passed=30, unfinished=0, verdicts=(("swapped", 1),)
            ),
            ScreeningTestFacts.of(rules, "antiphase", taken=30, passed_first=24, passed=24, unfinished=1),
            ScreeningTestFacts.of(rules, "dichotic", taken=30, passed_first=passed, passed=passed, unfinished=0),
        ),
        rates_hz=((44_100, 9), (48_000, 22)),
        screened=ScreenedFacts(listeners=0, of=30, result=None, why_not="nobody passed every test"),
    )


def said(found):
    return " ".join(played_on_words(found)).replace("\u00a0", " ")


def test_counts_rates_and_the_corrected_share_stand_beside_each_other():
    words = said(facts())
    assert "24 of 30 passed (5 of 6 right, or more); guesses alone pass it with a probability of 0.018. 1 more" in words
    assert "27 of 31 passed (5 of 6 right, or more), 30 by their last try" in words
    assert "The others: left and right exchanged 1." in words
    assert "at 6 of 6: 20 % of those on loudspeakers pass, 20 % of those on headphones fail (Milne et al. 2021" in words
    assert "at 5 of 6: 5 % of those on loudspeakers pass, 0 % of those on headphones fail (Woods et al. 2017" in words
    # (18/30 + .8 - 1) / (.8 + .8 - 1) is two thirds; limits by the code of asht::prevSeSp (R) as published, by hand.
    assert "the share truly on headphones is 67 %, 95 % interval 36 % to 95 %" in words
    assert "(0 of 30 listeners): nobody passed every test." in words
    assert "A browser cannot tell what it plays on" in words


def test_published_rates_give_no_share_at_another_pass_mark():
    words = said(facts(dichotic_pass=5))
    assert "They do not hold for the pass mark used here." in words
    assert words.count("the share truly on headphones is") == 1
    assert facts(dichotic_pass=5).tests[2].to_dict()["share"] is None


def test_who_was_turned_away_is_counted():
    words = said(facts(on_fail="end"))
    assert "Who failed a headphone test took no further part: so it was sealed. 12 did." in words
    assert "Exploratory" not in words


def test_a_test_that_nobody_took_gives_no_share():
    rules = facts().rules
    one = ScreeningTestFacts.of(rules, "dichotic", taken=0, passed_first=0, passed=0, unfinished=2)
    assert one.share is None
    assert one.to_dict()["published"]["false_pass"] == pytest.approx(0.2)


def test_the_page_has_a_section_of_it_and_the_block_a_paragraph(make_report):
    report = make_report()
    with_it = replace(report, screening=facts())
    page = html(with_it, figures={})
    assert '<a href="#played-on">What it was played on</a>' in page
    assert '<h2 id="played-on">' in page
    assert "Loudspeakers that pass" in page
    assert "**Played on.**" in markdown(with_it)
    assert "played-on" not in html(report, figures={})
    assert "Played on." not in markdown(report)
