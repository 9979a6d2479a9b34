"""Exchange the truth of every sound of the screening: not one byte for the listener may change, the samples apart."""

import hashlib
import importlib.util
import shutil
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from blindtest import steps
from blindtest.design import CHOICES, TRIALS, ScreeningRules, ScreeningTest
from blindtest.session import Screening, ScreeningAnswer, screening_wav
from blindtest.steps.panel import screening as panel_screening
from blindtest.web import hosts_of, make_panel_app

spec = importlib.util.spec_from_file_location("panel_visitor_here", Path(__file__).parents[1] / "web/panel_visitor.py")
panel_visitor = importlib.util.module_from_spec(spec)
spec.loader.exec_module(panel_visitor)

RATE = 8_000
HEADER = 44


def of_test(name: str) -> Screening:
    rules = ScreeningRules(tests=(ScreeningTest(name=name, pass_mark=6),))  # type: ignore[arg-type]
    return Screening(rules=rules, seed=bytes(range(32)))


@pytest.mark.parametrize("name", CHOICES)
def test_what_is_shown_and_served_is_the_same_whatever_is_right(name: str) -> None:
    screening = of_test(name)
    lengths = set()
    for trial in range(TRIALS):
        other = replace(screening, swapped=True)
        now = screening.place
        assert now is not None
        assert screening.truth(now) != other.truth(now)
        assert screening.shown() == other.shown()
        token = screening.shown()["sound"]["token"]
        served, otherwise = screening_wav(screening, token, RATE), screening_wav(other, token, RATE)
        assert served is not None
        assert otherwise is not None
        assert served[:HEADER] == otherwise[:HEADER]
        assert served != otherwise, "the sound itself differs"
        lengths |= {len(served), len(otherwise)}
        # The same answers whatever is right, so that only what was true differs in what follows.
        choice = CHOICES[name][trial % 3]
        screening = screening.answered(ScreeningAnswer(place=now, choice=choice))
    assert len(lengths) == 1


def test_what_is_shown_holds_no_word_of_what_sounds() -> None:
    shown = of_test("antiphase").shown()
    assert set(shown["sound"]) == {
        "test", "attempt", "trial", "number", "of", "part", "parts", "token", "options",
    }  # fmt: skip
    assert shown["sound"]["options"] == ["1", "2", "3"]
    assert shown["told"] == ""


def walked(toy, folder, monkeypatch, *, swapped):
    """Return all that the panel sent to somebody who takes both headphone tests, and what was right."""
    count, now = 0, datetime(2026, 3, 2, 10, tzinfo=UTC)

    def entropy(n):
        nonlocal count
        count += 1
        return hashlib.shake_256(f"the same in every run/{count}".encode()).digest(n)

    def clock():
        nonlocal now
        now += timedelta(seconds=1)
        return now

    of = panel_screening.screening_of
    truths = []

    def exchanging(rules, one):
        screening = replace(of(rules, one), swapped=swapped)
        if screening.place is not None:
            truths.append(screening.truth(screening.place))
        return screening

    monkeypatch.setattr(panel_screening, "screening_of", exchanging)
    with steps.open_panel(folder, clock=clock, entropy=entropy) as panel:
        visitor = panel_visitor.visitor_of(toy, make_panel_app(panel, hosts=hosts_of(8000)))
        token = panel.public_token()
        visitor.agree(token, visitor.open(token))
        visitor.step("questions", age=None, equipment="headphones")
        state = visitor.step("output", rate_hz=None, latency_s=None).json
        while state["step"] == "screening":
            now_shown = state["sound"]
            visitor.get(f"/panel/sound/{state['level']}")
            visitor.get(f"/panel/sound/{now_shown['token']}")
            place = {key: now_shown[key] for key in ("test", "attempt", "trial")}
            choice = "123"[now_shown["trial"] % 3]
            state = visitor.step("screening", **place, choice=choice, interruptions=0).json
        assert state["step"] == "sitting"
        # On another device as well, where sounds are drawn anew.
        there = panel_visitor.visitor_of(toy, visitor.app)
        there.open(visitor.resume)
        state = there.step("output", rate_hz=None, latency_s=None).json
        for choice in "123":
            now_shown = state["sound"]
            there.get(f"/panel/sound/{now_shown['token']}")
            place = {key: now_shown[key] for key in ("test", "attempt", "trial")}
            state = there.step("screening", **place, choice=choice, interruptions=0).json
        return visitor.sent + there.sent, truths


def test_through_the_panels_pages_nothing_changes_but_samples(toy, panel_template, tmp_path, monkeypatch):
    """From the consent to the sitting, with the truth of every sound exchanged: headers, lengths, all that is said."""
    walks = []
    for swapped in (False, True):
        folder = Path(shutil.copytree(panel_template, tmp_path / f"study{swapped}"))
        path = folder / "study.toml"
        text = path.read_text(encoding="utf-8").replace("public = true\n", 'public = true\nheadphones = "both"\n')
        path.write_text(text, encoding="utf-8")
        with monkeypatch.context() as patched:
            walks.append(walked(toy, folder, patched, swapped=swapped))
    (sent, right), (otherwise, wrong) = walks
    assert all(a != b for a, b in zip(right, wrong, strict=True)), "the truth was really exchanged"
    assert len(sent) == len(otherwise) > 36
    sounds = 0
    for one, other in zip(sent, otherwise, strict=True):
        assert (one.asked, one.status, one.headers, len(one.body)) == (
            other.asked, other.status, other.headers, len(other.body),
        )  # fmt: skip
        if one.header("content-type") == "audio/wav":
            sounds += 1
            assert one.body[:HEADER] == other.body[:HEADER]
        else:
            assert one.body == other.body, one.asked
    assert sounds == 27
