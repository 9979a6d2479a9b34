"""Our own table of a sitting of whole tracks, from simulated listeners to the command's numbers."""

import runpy
from pathlib import Path

import numpy as np
import pytest
from scipy.stats import binomtest

from blindtest.session import Liking, SimulatedListener, rows_of, simulate_sitting, simulated_clock
from blindtest.stats import trial_table, write_trial_table

P = runpy.run_path(str(Path(__file__).parents[2] / "session" / "plans.py"))
HERON, PLOVER = P["CONDITIONS"]


@pytest.fixture(scope="module")
def answers():
    """Twenty tracks of somebody who likes the heron better, two of practice before; no clip twice is needed."""
    blocks = (P["block"]("practice", "free-listening", 2, "practice"), P["block"]("test", "free-listening", 20))
    rng = np.random.default_rng(11)
    listener = SimulatedListener(pseudonym="L1", liking=Liking(utility={HERON: 1.5, PLOVER: 0.0}))
    return simulate_sitting(P["make"](blocks, 3), listener, rng, simulated_clock(P["START"], rng, 0.5)).answers


def test_the_command_reads_a_row_for_each_value(answers, tmp_path, value):
    path = tmp_path / "trials.csv"
    write_trial_table(trial_table(row for answer in answers for row in rows_of(answer)), path)
    found, code = value(path, "--method", "free-listening", "--device", HERON, "--margin", "0.2")
    assert code == 0
    counted = answers[2:]
    truth = [{slot.name: slot.condition for slot in answer.drawn.slots} for answer in counted]
    picked = [names[answer.values["choice"]] for names, answer in zip(truth, counted, strict=True)]
    assert found["choice"]["pooled"]["chosen"] == picked.count(HERON)
    assert found["choice"]["pooled"]["tracks"] == 20
    assert found["choice"]["p_value"] == pytest.approx(binomtest(picked.count(HERON), 20).pvalue)
    shares = []
    for names, answer in zip(truth, counted, strict=True):
        of = {names[slot]: answer.values[slot] for slot in names}
        shares.append(of[HERON] / sum(of.values()))
    assert found["dwell"]["estimate"] == pytest.approx(np.mean(shares) - 0.5, abs=1e-9)
    skipped = sum(answer.values["ended"] == "skipped" for answer in counted)
    assert sum(found["skips"]["skips"]) == skipped


def test_what_was_not_measured_is_left_out(answers, tmp_path, value):
    """One track ended before a choice, of another nobody knows how it went on."""
    rows = [dict(row) for answer in answers[2:] for row in rows_of(answer)]
    for row in rows:
        if row["trial"] == 2 and row["slot"] != "start":
            row["response"] = "over" if row["slot"] == "ended" else ""
        if row["trial"] == 3 and row["slot"] in ("played", "ended"):
            row["response"] = {"played": "", "ended": "interrupted"}[row["slot"]]
    path = tmp_path / "trials.csv"
    write_trial_table(trial_table(rows), path)
    found, code = value(path, "--method", "free-listening", "--device", HERON)
    assert code == 0
    assert (found["choice"]["pooled"]["tracks"], found["choice"]["pooled"]["without_choice"]) == (19, 1)
    assert sum(found["skips"]["tracks"]) == 18


def test_a_choice_that_was_no_slot_is_refused_with_its_line(answers, tmp_path, said):
    rows = [dict(row) for answer in answers[2:] for row in rows_of(answer)]
    rows[0]["response"] = "9"
    path = tmp_path / "trials.csv"
    write_trial_table(trial_table(rows), path)
    _, err, code = said(path, "--method", "free-listening", "--device", HERON)
    assert code == 3
    assert "trials.csv:2: response: not on this track, got '9'" in err
