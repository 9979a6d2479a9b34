"""Tables of right and wrong answers, through the command."""

import json
from pathlib import Path

import pytest

REFERENCES = Path(__file__).parents[2] / "references" / "stats"

SIXTEEN = "who,nr,ok\n" + "".join(f"L1,{n},{int(n not in (3, 8, 9, 14))}\n" for n in range(1, 17))
NAMED = ("--column", "listener=who", "--column", "trial=nr", "--column", "correct=ok")


def test_twelve_of_sixteen_by_columns_of_any_name(write, value):
    # R 4.2.2: binom.test(12, 16, alternative = "greater")$p.value is 2517/65536.
    found, code = value(write(SIXTEEN), *NAMED, "--margin", "0.5")
    assert code == 0
    assert found["method"] == "abx"
    assert found["conclusion"]["difference"]["p_value"] == pytest.approx(2517 / 2**16)
    assert found["conclusion"]["word"] == "shown"


def test_listeners_are_those_of_the_reference(write, value):
    # abx_small_tests.json: one-sided exact p and Clopper-Pearson by R 4.2.2 (binom.test), per listener and pair.
    reference = json.loads((REFERENCES / "abx_small_tests.json").read_text())["expected"]["per_listener_pair"]
    header, *rows = (REFERENCES / "data" / "abx_small.csv").read_text().splitlines()
    table = write("\n".join([header, *(row for row in rows if ",pair2," in row)]))
    found, code = value(table, "--method", "abx")
    assert code == 0
    places = [place for place, pair in enumerate(reference["pair"]) if pair == "pair2"]
    assert [one["listener"] for one in found["listeners"]] == [reference["listener"][place] for place in places]
    for place, own in zip(places, found["listeners"], strict=True):
        assert own["result"]["p_value"] == pytest.approx(reference["p_one_sided"][place], abs=1e-12)
        assert own["result"]["interval"][0] == pytest.approx(reference["cp_lo95"][place], abs=1e-9)


def test_a_table_stopped_at_will_is_told_its_error_rate(write, value, said):
    # Peeking from the first trial on, p strictly below .05: peeking_error's own tests hold the rate against the
    # published figures; here the number reaches the reader.
    table = write(SIXTEEN)
    found, _ = value(table, *NAMED)
    rate = found["stopping"]["error_rate"]
    assert 0.08 < rate < 0.2
    text, _, _ = said(table, *NAMED)
    assert f"{rate:.3f}" in text
    planned, _ = value(table, *NAMED, "--planned", 16)
    assert planned["stopping"] == {"planned": 16}


def test_planned_trials_that_are_missing_count_against_the_conclusion(write, value):
    found, _ = value(write(SIXTEEN), *NAMED, "--planned", 18)
    assert found["conclusion"]["unanswered"] == 2
    assert found["conclusion"]["difference"]["trials"] == 18


def test_more_trials_than_planned_are_refused(write, said):
    _, err, code = said(write(SIXTEEN), *NAMED, "--planned", 12)
    assert code == 3
    assert "holds more trials than were planned" in err
    assert "16 trials, 12 planned" in err


def test_cells_that_cannot_be_read_are_named_with_their_lines(write, said):
    text = "listener,correct\nL1,1\nL1,maybe\nL1,0\nL2,7\n"
    _, err, code = said(write(text))
    assert code == 3
    assert "table.csv:3: correct: can't be read, got 'maybe'" in err
    assert "table.csv:5: correct: can't be read, got '7'" in err


def test_a_method_that_is_not_there_is_guessed(write, said):
    _, err, code = said(write(SIXTEEN), "--method", "triangel")
    assert code == 2
    assert "did you mean 'triangle'?" in err


def test_an_option_without_a_use_is_refused(write, said):
    _, err, code = said(write(SIXTEEN), *NAMED, "--device", "heron")
    assert code == 2
    assert "--device: the method abx has no use for this (allowed: --margin, --planned)" in err
