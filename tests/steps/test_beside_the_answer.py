"""From the study file to the report: how sure answers were, and remarks; what is told when, and what is erased."""

import runpy
from pathlib import Path

import pytest

from blindtest import steps
from blindtest.errors import BlindtestError
from blindtest.report import typeset
from blindtest.session import Commented, SimulatedListener
from blindtest.stats import confidence_look

H = runpy.run_path(str(Path(__file__).with_name("test_protocols.py")))
rendered = H["rendered"]
sit, analyzed, reported, recorded, day = (H[name] for name in ("sit", "analyzed", "reported", "recorded", "day"))
REMARK = "A ring <b>after</b> the stroke"
ASKED = "[protocol.changes]\ntest = { confidence = true, comments = true, break_after_min = 20 }\n#"


@pytest.fixture
def asked(rendered, tmp_path):
    return rendered("abx", tmp_path / "my-study", edits=(("# [protocol.changes]  ", f"{ASKED} "),))


def remark(folder, trial, text, sitting=1):
    """Do what the page does while a trial is open: hand an event to the prepared sitting."""
    with steps.prepare_sitting(folder, listener="L-sure", clock=lambda: day(0)) as prepared:
        assert prepared.entry.number == sitting
        prepared.happened(Commented(trial=trial, attempt=1, text=text, at=day(0)))


def test_sureness_and_remarks_on_their_way_to_the_report(asked):
    sit(asked, SimulatedListener(pseudonym="L-sure", d_prime=1.5), stop_after=10)
    for text in ("to be replaced", REMARK):
        remark(asked, 10, text)
    with pytest.raises(BlindtestError, match="sitting 1 is open: remarks are told when nobody listens any more"):
        steps.report(asked, comments=True, while_open="looking early", clock=lambda: day(1))
    steps.abandon(asked, reason="enough", clock=lambda: day(1))

    said, told = analyzed(asked)
    rows = [row for row in recorded(asked) if row["phase"] == "blind"]
    assert {row["confidence"] for row in rows} <= {"1", "2", "3", "4"}
    (look,) = [one for one in told["claims"][0]["companions"] if one["name"] == "how sure"]
    right, sure = [row["correct"] == "true" for row in rows], [float(row["confidence"]) for row in rows]
    assert look["sentence"] == confidence_look(right, sure).sentence
    assert f"Beside it (how sure): {look['sentence']}" in said
    assert REMARK not in said

    page, block, table = reported(asked)
    assert typeset(look["sentence"]) in page.replace("&#39;", "'")
    assert "What they wrote" not in page
    assert not [text for text in (page, block, str(table)) if "the stroke" in text]
    page, block, table = reported(asked, comments=True)
    assert "A ring &lt;b&gt;after&lt;/b&gt; the stroke" in page
    assert "to be replaced" not in page
    assert not [text for text in (block, str(table)) if "the stroke" in text], "kept out of what is analysed"

    steps.forget(asked, "L-sure", clock=lambda: day(2))
    assert b"the stroke" not in (asked / "study.db").read_bytes()
