"""Numbers and verdicts in words."""

import re
from dataclasses import replace
from datetime import datetime, timedelta, timezone
from decimal import Decimal
from math import comb

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from blindtest.report.choice_facts import PlanFacts, Results
from blindtest.report.claim_words import said_of
from blindtest.report.heard_words import decisive, score_meaning
from blindtest.report.words import (
    below,
    chance_words,
    clean,
    count_of,
    decibel,
    escaped_markdown,
    frequency_words,
    in_tests,
    interval_words,
    number,
    p_words,
    percent,
    plural,
    sentence,
    short_names,
    spelled,
    typeset,
    up_to,
    when,
)
from blindtest.stats import Companion, conclude


def test_what_only_rounds_to_all_or_nothing_is_not_said_to_be_it():
    assert percent(1.0) == "100\u00a0%"
    assert percent(0.0) == "0\u00a0%"
    assert percent(0.997) == "99.7\u00a0%"
    assert percent(0.99999) == "> 99.9\u00a0%"
    assert percent(0.003) == "0.3\u00a0%"
    assert percent(1e-7) == "< 0.1\u00a0%"
    assert percent(0.4762291801, 1) == "47.6\u00a0%"
    assert percent(0.99999, 1) == "> 99.99\u00a0%"
    assert (percent(0.005), percent(0.995)) == ("0.5\u00a0%", "99.5\u00a0%")


@given(st.floats(0, 1))
def test_a_percentage_is_within_half_a_unit_of_the_share(share):
    text = percent(share, 1).replace("\u00a0%", "")
    if text[0] in "<>":
        assert share < 0.0001 or share > 0.9999
    else:
        assert abs(float(text) - 100 * share) <= 0.0500001


@pytest.mark.parametrize(
    ("p", "text"),
    [(0.0384064, "0.038"), (0.0020905, "0.0021"), (0.2272491, "0.23"), (4.6e-6, "4.6 × 10⁻⁶"), (0.99991, "0.9999")],
)
def test_p_has_two_significant_digits(p, text):
    assert p_words(p) == text


@given(st.floats(1e-4, 0.9949))
@example(0.0998)
@example(0.009951)
@example(1e-4)
def test_p_is_the_decimal_rounded_by_the_standard_library(p):
    assert p_words(p) == format(Decimal(f"{p:.1e}"), "f")


@pytest.mark.parametrize(
    ("said", "typeset_as"),
    [
        ("(p = .43); against the margin p = .814", "(p = 0.43); against the margin p = 0.814"),
        ("blind -1.3 (-4.9 to +2.4)", "blind \u22121.3 (\u22124.9 to +2.4)"),
        ("p = 9.75e-10, 5.36e+07 times", "p = 9.75 × 10⁻¹⁰, 5.36 × 10⁷ times"),
        # Names, dates, versions and steps of a chain stay as they are.
        ("panel-19 on 2026-03-05, BS.1116-3, v1.5, 20-30 Hz", "panel-19 on 2026-03-05, BS.1116-3, v1.5, 20-30 Hz"),
    ],
)
def test_sentences_of_the_statistics_write_numbers_as_the_report_does(said, typeset_as):
    assert typeset(said) == typeset_as


def test_a_claim_and_what_was_looked_at_beside_it_share_one_form_of_a_number(make_report):
    (one,) = make_report((25, 24)).answers
    looks = [
        Companion(
            name=name, sentence="Without it -0.5 has p = .034.", short="it (p = .034)", notable=notable, result=None
        )
        for name, notable in (("one", True), ("other", False))
    ]
    said = said_of(replace(one, companions=tuple(looks)))
    for text in (*said.thoughts, *said.looks, said.passing):
        assert "p = 0.034" in text
        assert "-0.5" not in text


def test_p_near_nothing_and_near_one_is_not_said_to_be_it():
    assert (p_words(None), p_words(0), p_words(1)) == ("–", "0", "1")
    assert p_words(9.99e-5) == "1.0 × 10⁻⁴"
    assert p_words(3.04e-12) == "3.0 × 10⁻¹²"
    assert (p_words(0.995), p_words(0.99949), p_words(0.999961)) == ("0.9950", "0.9995", "> 0.9999")


@pytest.mark.parametrize(
    ("share", "said", "most", "under"),
    [
        (0.876, "88 %", "up to 88 %", "less than 88 %"),
        (0.99996, "more than 99.9 %", "more than 99.9 %", "less than 100 %"),
        (0.0000001, "less than 0.1 %", "less than 0.1 %", "less than 0.1 %"),
    ],
)
def test_a_share_in_a_sentence_has_no_sign_of_comparison(share, said, most, under):
    found = [one.replace("\u00a0", " ") for one in (spelled(share), up_to(share), below(share))]
    assert found == [said, most, under]


def test_chances_as_frequencies():
    # 12 of 16 by guessing: 2517 of the 65536 ways to answer, counted in methods 9.1.
    assert chance_words(2517 / 65536) == "about 1 in 26"
    assert chance_words(1 / 2231) == "about 1 in 2\u202f200"
    assert chance_words(0.57) == "57\u00a0%"
    assert chance_words(0.0) == "less than 1 in a billion"
    assert chance_words(0.1) == "10\u00a0%"
    assert chance_words(0.0999) == "about 1 in 10"
    assert chance_words(1 / 99) == "about 1 in 99"
    assert chance_words(1 / 104) == "about 1 in 100"
    assert chance_words(1 / 1_249_999) == "about 1 in 1\u202f200\u202f000"
    assert chance_words(1e-9) == "about 1 in 1\u202f000\u202f000\u202f000"
    assert (in_tests(0.57), in_tests(1 / 50)) == ("in 57\u00a0% of such tests", "in about 1 in 50 such tests")


def test_signs_and_infinity():
    assert number(-1.006) == "\u22121.01"
    assert number(-0.001) == "0.00"
    assert number(float("inf")) == "∞"
    assert decibel(1.5) == "+1.50"
    assert decibel(0.001) == "0.00"
    assert decibel(-0.001) == "0.00"
    assert (decibel(-1.5), decibel(None), decibel(12.34, 1)) == ("\u22121.50", "–", "+12.3")
    assert (decibel(float("inf")), number(float("-inf"))) == ("+∞", "\u2212∞")
    assert (number(None), number(float("nan")), percent(None), percent(float("nan"))) == ("–",) * 4


def test_counts_frequencies_and_moments():
    assert (plural(1, "clip"), plural(0, "clip"), plural(2, "day", "days")) == (
        "1\u00a0clip",
        "0\u00a0clips",
        "2\u00a0days",
    )
    assert count_of(23, 28) == "23 of 28"
    assert interval_words((0.63, 0.9416)) == "63\u00a0% to 94\u00a0%"
    assert interval_words((0.63, 0.9416), 1) == "63.0\u00a0% to 94.2\u00a0%"
    assert (frequency_words(999.5), frequency_words(1000), frequency_words(12500)) == (
        "999.5\u00a0Hz", "1\u00a0kHz", "12.5\u00a0kHz",
    )  # fmt: skip
    plus_two = datetime(2026, 3, 9, 1, 30, 5, 999_999, tzinfo=timezone(timedelta(hours=2)))
    assert when(plus_two) == "2026-03-08 23:30:05 UTC"
    assert when(datetime(2026, 3, 9, 1, 30, 5)) == "2026-03-09 01:30:05"
    assert when(None) == "–"


def test_a_remark_becomes_a_sentence():
    assert sentence("four clips are few") == "Four clips are few."
    assert [sentence(text) for text in ("Why?", "no!", "Done.", "", " ")] == ["Why?", "No!", "Done.", "", ""]


def test_names_are_cut_at_the_comma_only_while_they_differ():
    assert short_names(["Heron, open", "Plover, closed"]) == ["Heron", "Plover"]
    assert short_names(["Heron, open", "Heron, closed"]) == ["Heron, open", "Heron, closed"]
    assert short_names([", open", "Plover, closed"]) == [", open", "Plover, closed"]
    assert short_names(["Heron, open", "Heron, open"]) == ["Heron", "Heron"]


def test_a_text_stays_on_its_line_and_in_its_direction():
    assert clean("a\r\nb\x00\x1b[31m\u2028c") == "a b [31m c"
    assert "\u202e" not in clean("abc\u202edef")


@given(st.text(max_size=60))
def test_markdown_prints_a_text_as_it_is(text):
    """Rendered by markdown-it-py (CommonMark with tables), a user's text is text: no element, the same letters."""
    markdown_it = pytest.importorskip("markdown_it")
    parser = markdown_it.MarkdownIt("commonmark").enable(["table", "strikethrough"])
    tokens = parser.parse(f"**Title.** {escaped_markdown(text)}")
    inline = next(token for token in tokens if token.type == "inline")
    assert [token.type for token in inline.children if token.type != "text"] == ["strong_open", "strong_close"]
    assert "".join(token.content for token in inline.children).strip() == f"Title. {clean(text)}".strip()
    cells = [
        token
        for token in parser.parse(f"| a | b |\n|---|---|\n| {escaped_markdown(text)} | end |\n")
        if token.type == "inline"
    ]
    assert [cell.content for cell in cells[:2]] == ["a", "b"]
    assert len(cells) == 4
    assert "".join(token.content for token in cells[2].children).strip() == clean(text).strip()
    assert cells[3].content == "end"


def test_bare_addresses_stay_text():
    assert "://" not in escaped_markdown("see https://example.invalid/x")
    assert "www" not in escaped_markdown("see www.example.invalid")
    assert "@" not in escaped_markdown("write to a@example.invalid")


# --- verdicts ---------------------------------------------------------------------------------------------------


def result_parts(report):
    said = said_of(report.answers[0], report.names)
    return said.word, said.sentence, said.beside


CASES = {"shown": (25, 24), "negligible": (15, 14), "open": (17,)}


@pytest.mark.parametrize("word", CASES)
def test_a_verdict_never_stands_alone(make_report, word):
    """Count, estimate, interval, what was tested, and what could have been detected, beside every word."""
    report = make_report(CASES[word])
    verdict, sentence, beside = result_parts(report)
    pooled = report.results.pooled
    assert verdict == word
    assert f"{pooled.correct} of {pooled.trials} answers were right" in sentence
    assert f"{percent(pooled.share)} of trials were heard" in sentence
    low, high = pooled.share_interval
    assert f"95\u00a0% interval {percent(low)} to {percent(high)}" in sentence
    text = " ".join(beside)
    assert f"p = {p_words(pooled.p_value)}" in text
    assert f"lower limit of the proportion right {percent(pooled.lower_limit, 1)}" in text
    assert f"p = {p_words(pooled.similarity_p_value)}" in text
    assert f"upper limit of the proportion right {percent(pooled.upper_limit, 1)}" in text
    assert "could have told from guessing" in text
    assert f"{report.plan.critical_number} or more right" in text


def test_unanswered_trials_stand_against_the_conclusion_in_the_sentence(make_report):
    _, sentence, beside = result_parts(make_report((25, 22), unanswered=4))
    assert "47 of 56 planned trials count as right, the 4 unanswered ones taken as wrong" in sentence
    told = "4\u00a0planned trials stayed unanswered; they are counted against the conclusion: taken as wrong 47 of 56 "
    told += "are right, taken as right 51 of 56, and of the answered ones alone 47 of 52."
    assert told in beside
    verdict, sentence, _ = result_parts(make_report((12, 11), unanswered=4))
    assert verdict == "negligible"
    assert "27 of 56 planned trials count as right, the 4 unanswered ones taken as right" in sentence
    assert "estimated" not in sentence, "a bound is no estimate"


def test_what_nobody_answered_is_told_as_no_answer(make_report):
    """What was planned stands in for the answers in the numbers; as answers it would be a mean of nothing."""
    report = make_report(results=Results.of(conclude(0, 0, method="abx", margin=0.5, unanswered=28)))
    verdict, sentence, beside = result_parts(report)
    assert (verdict, sentence) == (
        "open",
        "Whether Heron and Plover can be told apart stays open: no planned trial was answered.",
    )
    text = " ".join(beside)
    assert "taken as wrong 0 of 28 are right, taken as right 28 of 28." in text
    assert "the answered ones alone" not in text


def test_what_stays_open_gives_no_share_of_trials_that_nobody_answered(make_report):
    """9 of 11 and 17 without an answer: not "0 % of trials were heard, 0 to 5 %", which reads as negligible."""
    report = make_report((9,), unanswered=17)
    verdict, sentence, _ = result_parts(report)
    assert (verdict, decisive(report.results)) == ("open", report.results.pooled)
    assert "stays open: 9 of 11 answers were right" in sentence
    assert "an estimated 64\u00a0% of trials were heard beyond guessing" in sentence
    assert "17 more of 28 planned trials stayed unanswered, so that between 9 and 26 of 28 are right." in sentence


def test_heard_but_less_than_the_margin_says_both(make_report):
    verdict, _, beside = result_parts(make_report((17,) * 10))
    assert verdict == "negligible"
    assert any("heard more often than by guessing, yet less" in text for text in beside)


def test_without_a_sitting_nothing_is_said(make_report):
    verdict, sentence, beside = result_parts(make_report(results=None))
    assert verdict == "open"
    assert "Nobody has finished a sitting" in sentence
    assert beside


def test_score_is_named_by_how_many_listened(make_report):
    def meaning(right):
        results = make_report(right).results
        return score_meaning(results, guess_rate=0.5, method="ABX", model="differencing")

    assert "share of trials heard" in meaning((20,))[0]
    assert "distinguishers" in meaning((20, 15))[0]
    assert "differencing" in meaning((20,))[1]


# --- facts taken over from the statistics -----------------------------------------------------------------------


def _at_least(count, trials, p):
    return sum(comb(trials, k) * p**k * (1 - p) ** (trials - k) for k in range(count, trials + 1))


def test_plan_of_28_trials_by_enumeration():
    """Claims 2: with 28 trials and margin .5, 19 right show it (power .86), 16 or fewer make it negligible (.83)."""
    plan = PlanFacts.of(28, method="abx", margin=0.5)
    assert (plan.critical_number, plan.similarity_critical_number) == (19, 16)
    assert plan.chance_shown_at_margin == pytest.approx(_at_least(19, 28, 0.75), rel=1e-9)
    assert plan.chance_negligible_if_guessing == pytest.approx(1 - _at_least(17, 28, 0.5), rel=1e-9)
    assert (round(plan.chance_shown_at_margin, 2), round(plan.chance_negligible_if_guessing, 2)) == (0.86, 0.83)
    for share, shown, negligible in zip(plan.shares, plan.chance_shown, plan.chance_negligible, strict=True):
        p = 0.5 + share / 2
        assert shown == pytest.approx(_at_least(19, 28, p), abs=1e-12)
        assert negligible == pytest.approx(1 - _at_least(17, 28, p), abs=1e-12)
    share, chance = plan.detectable
    assert _at_least(19, 28, 0.5 + share / 2) == pytest.approx(chance, abs=1e-9)


def test_a_plan_too_short_to_show_anything():
    plan = PlanFacts.of(4, method="abx", margin=None)
    assert plan.critical_number is None
    assert plan.detectable is None
    assert set(plan.chance_shown) == {0.0}


def test_results_are_those_of_the_statistics():
    # Of the 2**16 ways to answer, 2517 have twelve or more right; R 4.2.2, binom.test(12, 16)$conf.int.
    results = Results.of(conclude(12, 16, method="abx", margin=0.5, unanswered=0))
    assert results.pooled.p_value == pytest.approx(2517 / 2**16, rel=1e-12)
    assert results.pooled.interval == pytest.approx((0.4762291801, 0.9273379617), abs=1e-9)
    assert results.pooled.share == pytest.approx(0.5)
    assert results.conclusion == "shown"
    assert results.unanswered_as_wrong is None


def test_unanswered_trials_are_counted_both_ways():
    results = Results.of(conclude(12, 16, method="abx", margin=0.5, unanswered=4))
    assert (results.unanswered_as_wrong.correct, results.unanswered_as_wrong.trials) == (12, 20)
    assert (results.unanswered_as_right.correct, results.unanswered_as_right.trials) == (16, 20)
    assert results.conclusion == "open"


@pytest.mark.parametrize("word", CASES)
def test_every_number_of_the_sentence_comes_from_the_result(make_report, word):
    report = make_report(CASES[word])
    pooled = report.results.pooled
    known = {
        *(str(n) for n in (pooled.correct, pooled.trials, 50, 95)),
        *(
            re.sub("[^0-9.]", "", percent(x))
            for x in (pooled.proportion, pooled.share, *pooled.share_interval, report.protocol.margin)
        ),
    }
    assert set(re.findall(r"\d+(?:\.\d+)?", result_parts(report)[1])) <= known
