"""Claims whose sittings a rule ended, in words and tables: nothing bare, no p value of a fixed number of trials."""

import re
from dataclasses import replace

import pytest

from blindtest.report import ClaimFacts, ClaimResult, StoppedFacts, markdown, said_of, text_of_claim
from blindtest.report.stopped_words import stopped_open, stopped_rows
from blindtest.stats import conclude_stopped, discrimination_test, stop_table, stopped_chances

NAMES = {"heron": "Heron, open-back", "plover": "Plover, closed-back"}
RULES = {"sprt": {}, "e-process": {}, "group-sequential": {"looks": (20, 40, 60), "beta": 0.05}}
HEARD = [True] * 6 + [False] + [True] * 53
LOST = [True, False, False, False, True, False] * 10


def result_of(rule, *series):
    table = stop_table(rule, 60, method="abx", margin=0.5, **RULES[rule])
    own = []
    for number, answers in enumerate(series, start=1):
        end = table.stop(answers)
        own.append((f"L-{number}", answers[: end.trials] if end else answers))
    found = conclude_stopped(table, own, rule=rule, method="abx", margin=0.5)
    chances = stopped_chances(table, rule=rule, method="abx", margin=0.5, listeners=len(own))
    return ClaimResult(
        claim=ClaimFacts(id="different", kind="heard", device="heron", comparator="plover", margin=0.5),
        stopped=StoppedFacts(conclusion=found, chances=chances),
        p_value=found.decisive_p_value,
    )


@pytest.mark.parametrize("rule", RULES)
@pytest.mark.parametrize(("series", "word"), [(HEARD, "shown"), (LOST, "negligible"), (HEARD[:5], "open")])
def test_each_word_says_how_it_ended_and_by_which_rule(rule, series, word):
    result = result_of(rule, series)
    said = said_of(result, NAMES)
    assert (result.word, said.word) == (word, word)
    assert {"shown": "was shown", "negligible": "was negligible", "open": "stays open"}[word] in said.sentence
    (one,) = result.stopped.conclusion.sittings
    text = " ".join([said.sentence, *said.beside, *said.further])
    assert f"{one.correct} of {one.trials}" in text.replace("\N{NO-BREAK SPACE}", " ")
    assert "at most 60" in text.replace("\N{NO-BREAK SPACE}", " ")
    assert "sealed beforehand" in text
    assert "for this listener and these clips" in text
    # The p value of as many trials, had they been fixed, stands nowhere.
    if rule != "e-process" and one.trials > 8:
        fixed = f"{discrimination_test(one.correct, one.trials, method='abx').p_value:.3g}"
        assert fixed not in text or fixed == f"{one.p_value:.3g}"
    assert ("stopped off" in text) == (one.how == "unfinished")
    assert not re.search(r"\bnan\b|None|inf\b", text)


def test_an_e_process_is_told_by_e_values_and_the_others_by_both_p_values():
    heads, rows = stopped_rows(result_of("e-process", HEARD).stopped)
    assert heads[-2:] == ("e against guessing", "e against the margin")
    assert float(rows[0][-2]) >= 20 > float(rows[0][-1])
    heads, rows = stopped_rows(result_of("sprt", LOST).stopped)
    assert heads[-2:] == ("p against guessing", "p against the margin")
    assert float(rows[0][-1]) <= 0.05 < float(rows[0][-2])


def test_several_listeners_stand_one_by_one_and_together():
    result = result_of("sprt", HEARD, LOST)
    text = "\n".join(text_of_claim(result, NAMES))
    assert "L-1 alone: shown" in text
    assert "L-2 alone: negligible" in text
    assert "Listeners together by Fisher's method: whether anybody of them hears it, on these clips." in text
    assert "for this listener" not in text


def test_the_block_holds_the_table_and_what_was_left_unanswered_is_counted_both_ways(make_report):
    result = result_of("e-process", HEARD)
    report = replace(make_report(), results=None, plan=None, claim=result.claim, claims=(result,), truth=())
    assert "| who | right | how it ended |" in markdown(report)
    (text,) = stopped_open(result_of("sprt", HEARD[:5]).stopped)
    text = text.replace("\N{NO-BREAK SPACE}", " ")
    assert text.startswith("55 trials up to the last of the stopping rule stayed unanswered.")
    assert stopped_open(result.stopped) == []


def test_the_figure_shows_each_sitting_between_the_sealed_numbers(make_report):
    from blindtest.report.stopped_figures import stopped_figure

    result = result_of("sprt", HEARD, LOST)
    table = stop_table("sprt", 60, method="abx", margin=0.5)
    series = tuple((f"L-{n}", tuple(own[: table.stop(own).trials])) for n, own in enumerate((HEARD, LOST), start=1))
    drawn = replace(result.stopped, looks=table.looks, high=table.high, low=table.low, series=series)
    report = replace(make_report(), results=None, plan=None, claim=result.claim, truth=())
    figure = stopped_figure(replace(report, claims=(replace(result, stopped=drawn),)))
    # Beside it as a table: the bounds as sealed, and the running count of each.
    assert ("ends for a difference", 8, 8) in figure.rows
    assert ("ends for too little", 8, 2) in figure.rows
    path = [row for row in figure.rows if row[0] == "L-1"]
    assert path[-1] == ("L-1", len(series[0][1]), sum(series[0][1]))
    assert stopped_figure(replace(report, claims=(result,))) is None
