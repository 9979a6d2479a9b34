"""A panel when the day comes until which answers may be kept: nobody begins, nothing more is stored, all can withdraw.

What is expected follows from purpose and storage limitation (Regulation (EU) 2016/679, article 5 (1) b and e; from
memory) and from the text that was agreed to: answers are kept until a day, so none is taken after it.
"""

import importlib.util
import re
import shutil
from contextlib import contextmanager
from datetime import UTC, datetime, time, timedelta
from pathlib import Path

import pytest

from blindtest import steps
from blindtest.errors import BlindtestError
from blindtest.session.store import Store
from blindtest.web import PanelServices, hosts_of, make_panel_app, organiser_routes


def module(path):
    spec = importlib.util.spec_from_file_location(path.stem, path)
    made = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(made)
    return made


HERE = Path(__file__).parent
panel_visitor = module(HERE / "panel_visitor.py")
DAY = module(HERE.parent / "panel_folder.py").KEEP_UNTIL
LAST = datetime.combine(DAY, time(12)).astimezone()
"""Noon of the study's `keep_until`, where this machine stands."""
URL = "https://listen.example.org"


class Clock:
    """A clock that stands until it is set."""

    def __init__(self, now):
        self.now = now

    def __call__(self):
        return self.now.astimezone(UTC)


@pytest.fixture
def folder(panel_template, tmp_path):
    return Path(shutil.copytree(panel_template, tmp_path / "study"))


@pytest.fixture
def served(toy):
    """`with served(folder, clock) as (panel, come)`: a panel, and `come()` for somebody with a browser."""

    @contextmanager
    def serve(folder, clock):
        with steps.open_panel(folder, clock=clock) as panel:
            routes = organiser_routes(panel, secret="the-secret", port="8000", is_secure=lambda request: False)
            app = make_panel_app(panel, hosts=hosts_of(8000), services=PanelServices(panel), further=routes)
            yield panel, lambda: panel_visitor.visitor_of(toy, app)

    return serve


def link(folder, clock):
    return steps.invite(folder, 1, url=URL, clock=clock).links[0].partition("#")[2]


def stored(folder):
    """What is on record, tables of replies and sittings alike, in a form to compare."""
    with Store(folder / "study.db", entropy=bytes, create=False) as store:
        return store.panel.counts(), store.panel.replies(), store.sittings(), [store.rows(n + 1) for n in range(4)]


def test_after_the_day_nobody_comes_in_and_nothing_more_is_stored(folder, served):
    clock = Clock(LAST - timedelta(days=1))
    with served(folder, clock) as (panel, come):
        personal, public = link(folder, clock), panel.public_token()
        reading, agreed, at_output, midway, done = (come() for _ in range(5))
        invited = reading.open(public)
        assert invited["closes"] == str(DAY), "the last day to begin, since the study file names none"
        agreed.agree(public, agreed.open(public))
        at_output.agree(public, at_output.open(public))
        at_output.step("questions", age="30 to 44 years", equipment="headphones")
        for one in (midway, done):
            one.to_the_sitting(public)
            one.to_the_trials()
        done.to_the_end()
        midway.one_trial()
        clock.now = LAST  # the day itself still belongs to them
        assert come().open(personal)["step"] == "invitation"
        assert midway.view()["step"] in ("trial", "feedback")
        assert not panel.closed

        clock.now = LAST + timedelta(days=1)
        before = stored(folder)
        assert before[0].abandoned == 0
        past = {"step": "refused", "why": "past"}
        for token in (personal, public):
            assert come().open(token) == past
        # Whoever had the page open when the day was over.
        assert reading.agree(public, invited) == past
        for one, step, said in (
            (agreed, "questions", {"age": 1, "equipment": 0}),
            (at_output, "output", {"rate_hz": 48_000, "latency_s": None}),
        ):
            told = one.post("/panel/step", {"step": step, "values": said}).json
            assert {key: told[key] for key in past} == past
            assert told["pseudonym"], "the foot of the page offers to have all erased"
            assert one.post("/panel/begin", {}).json == {"begun": False}
        # Who was in a sitting: it ended with the day, as its sealed deadline says; what was answered is not lost.
        assert midway.event("confirmed", trial=1, attempt=1).status == 409
        assert midway.state()["step"] == "thanks"
        after = stored(folder)
        assert after[1] == before[1]
        assert after[3] == before[3]
        assert (after[0].abandoned, after[0].listeners) == (1, 4)
        ended = after[2][0]
        assert (ended.state, ended.reason) == ("abandoned", "deadline passed")
        assert ended.deadline.astimezone() == datetime.combine(DAY + timedelta(days=1), time()).astimezone(), (
            "the end of the day, here"
        )
        # Who had finished reads what they were promised, is told of the day, and can have it erased.
        told = done.state()
        assert (told["step"], told["kept_until"]) == ("thanks", str(DAY))
        assert re.match(r"[0-5] of your 5 answers (was|were) right\.", told["result"][0])  # by chance it is one
        assert come().open(done.resume)["kept_until"] == str(DAY)
        assert done.open(done.resume)["step"] == "thanks"
        assert done.post("/panel/withdraw", {}).json["why"] == "withdrawn"

        organiser = come()
        organiser.post("/organiser/enter", {"token": "the-secret"})
        state = organiser.get("/organiser/state").json
        assert (state["closed"], state["closes"], state["kept_until"]) == (True, str(DAY), str(DAY))
        with pytest.raises(BlindtestError, match="nobody is let in, and a link would lead nowhere") as refused:
            link(folder, clock)
        assert (refused.value.faults[0].key, refused.value.faults[0].got) == ("listeners.keep_until", str(DAY))
    assert steps.verify(folder).ok
    assert steps.look_at_panel(folder, clock=clock).closed


def test_a_later_day_opens_it_again_and_leaves_what_was_sealed(folder, served):
    clock = Clock(LAST - timedelta(days=1))
    with served(folder, clock) as (panel, come):
        one = come()
        one.to_the_sitting(panel.public_token())
        resume = one.resume
    path = folder / "study.toml"
    path.write_text(
        path.read_text(encoding="utf-8").replace(str(DAY), str(DAY.replace(year=DAY.year + 1))), encoding="utf-8"
    )
    clock.now = LAST + timedelta(days=1)
    with served(folder, clock) as (panel, come):
        assert come().open(panel.public_token())["step"] == "invitation"
        back = come()
        assert back.open(resume)["step"] == "thanks", "the sitting ended on the day that its listener had agreed to"
        other = come()
        other.to_the_sitting(panel.public_token())
        with Store(folder / "study.db", entropy=bytes, create=False) as store:
            first, second = store.sittings()
        assert first.state == "abandoned"
        assert second.deadline - second.created == timedelta(days=7), "the protocol's own: the day is far away"
    assert steps.verify(folder).ok


def test_whether_a_test_decides_and_what_is_kept_then_is_told_before_the_consent(folder, served):
    path = folder / "study.toml"
    text = path.read_text(encoding="utf-8")
    for lines, told in (
        ("", None),
        ("channels = true\n", {"headphones": False, "must_pass": False}),
        ('headphones = "both"\n', {"headphones": True, "must_pass": False}),
        ('channels = true\nheadphones = "dichotic"\nscreening_fail = "end"\n', {"headphones": True, "must_pass": True}),
    ):
        path.write_text(text.replace("public = true\n", f"public = true\n{lines}"), encoding="utf-8")
        with served(folder, Clock(LAST - timedelta(days=30))) as (panel, come):
            assert come().open(panel.public_token())["screening"] == told
