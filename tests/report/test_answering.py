"""How listeners answered. Quartiles against numpy's; the rule for fast answers is ours."""

from dataclasses import replace

import numpy as np
import pytest

from blindtest.report import figures, html
from blindtest.report.answering import answering, answering_words
from blindtest.report.words import NBSP


def timed(report, times):
    """Return the report with these times, in s, for the first answers that count, and 20 s for the others."""
    left, trials = list(times), []
    for one in report.trials:
        if one.counted and one.answered:
            one = replace(one, time_taken_s=left.pop(0) if left else 20.0, switches=4, confidence=2)
        trials.append(one)
    return replace(report, trials=tuple(trials))


@pytest.fixture(scope="module")
def report(make_report):
    return timed(make_report(), (2.9, 0.5, 3.0, 60.0))


def test_times_of_what_counts_with_quartiles(report):
    (found,) = answering(report)
    times = [one.time_taken_s for one in report.trials if one.counted and one.answered]
    assert found.answers == len(times)
    assert found.time_s == pytest.approx(tuple(np.quantile(times, (0.25, 0.5, 0.75))))
    assert (found.span_s, found.switches) == ((0.5, 60.0), 4)


def test_faster_than_a_second_a_sound_is_fast_and_said(report):
    """Three sounds: 3.0 s is not fast, 2.9 s is."""
    (found,) = answering(report)
    fast = [one for one in report.trials if one.counted and one.answered and one.time_taken_s < 3]
    assert (found.fast, found.fast_below_s) == (2, 3.0)
    assert found.fast_right == sum(one.correct is True for one in fast)
    (said,) = answering_words([found])
    assert f"2{NBSP}answers of {found.answers}" in said
    assert "took less than 1 s for each sound" in said
    assert "they are counted all the same" in said
    assert answering_words(answering(timed(report, ()))) == ()


def test_on_the_real_unit_nothing_is_fast(report):
    worn = replace(report, trials=tuple(replace(one, phase="worn") for one in report.trials))
    (found,) = answering(worn)
    assert (found.fast, found.fast_below_s, found.switches) == (0, None, None)


def test_the_page_shows_them_and_how_sure_answers_were(report, make_report):
    page = html(report, figures={})
    assert '<h2 id="answering">How they answered</h2>' in page
    assert "Sure, 1 to 4" in page
    assert "Sure, 1 to 4" not in html(make_report(), figures={})


@pytest.mark.long
def test_the_figure_holds_the_quartiles_of_every_trial(report):
    drawn = figures(report)["times"]
    own = [one for one in report.trials if one.counted and one.answered]
    assert [row[0] for row in drawn.rows] == sorted({one.trial for one in own})
    assert sum(row[1] for row in drawn.rows) == len(own)
    assert f"of {len(own)} answers" in drawn.description


def test_nothing_is_said_where_nobody_answered(make_report):
    assert answering(replace(make_report(), trials=())) == ()
    assert "How they answered" not in html(replace(make_report(), trials=()), figures={})
