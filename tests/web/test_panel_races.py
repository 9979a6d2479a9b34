"""What a listener, or chance, could do to a panel at an unlucky moment: each was a fault once."""

import importlib.util
import json
import os
import shutil
import time
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path
from threading import Event

import numpy as np
import pytest

from blindtest import steps
from blindtest.session.laid_player import LaidPlayer, clear_laid
from blindtest.session.player import Sound
from blindtest.session.store import Store
from blindtest.steps.panel import open_panel as panel_step
from blindtest.web import PanelServices, hosts_of, make_panel_app
from blindtest.web.limits import Limit

spec = importlib.util.spec_from_file_location("panel_visitor", Path(__file__).with_name("panel_visitor.py"))
panel_visitor = importlib.util.module_from_spec(spec)
spec.loader.exec_module(panel_visitor)


@pytest.fixture
def folder(panel_template, tmp_path):
    return Path(shutil.copytree(panel_template, tmp_path / "study"))


@pytest.fixture
def served(toy):
    """`with served(folder) as (panel, services, come)`: a panel, and `come()` for somebody with a browser."""

    @contextmanager
    def serve(folder, **options):
        seconds = iter(range(10**6))
        begun = datetime.now(UTC)
        with steps.open_panel(folder, clock=lambda: begun + timedelta(seconds=next(seconds))) as panel:
            services = PanelServices(panel)
            app = make_panel_app(panel, hosts=hosts_of(8000), services=services, **options)
            yield panel, services, lambda: panel_visitor.visitor_of(toy, app)

    return serve


def register(folder):
    with Store(folder / "study.db", entropy=os.urandom) as store:
        sittings = store.sittings()
        return sittings, store.faults(), {one.number: store.remembered(f"playback/{one.number}") for one in sittings}


def agreed(visitor, panel):
    """Somebody who answered what is asked and has not begun."""
    token = panel.public_token()
    visitor.agree(token, visitor.open(token))
    visitor.step("questions", age="30 to 44 years", equipment="headphones")
    assert visitor.step("output", rate_hz=48_000, latency_s=0.02).json["step"] == "sitting"
    return visitor.state()["pseudonym"]


def test_who_withdraws_while_their_plan_is_drawn_leaves_no_sitting_behind(folder, served, monkeypatch):
    with served(folder) as (panel, _, come):
        one = come()
        name = agreed(one, panel)
        whole = panel_step.new_sitting

        def withdrawn_meanwhile(*given, **named):
            panel.withdraw(name)
            return whole(*given, **named)

        monkeypatch.setattr(panel_step, "new_sitting", withdrawn_meanwhile)
        assert one.post("/panel/begin", {}).json == {"begun": False}
        assert panel.counts().open == 0
    sittings, faults, _ = register(folder)
    assert faults == ()
    assert [(entry.listener != name, entry.forgotten is not None) for entry in sittings] == [(True, True)]
    assert name.encode() not in b"".join(path.read_bytes() for path in folder.glob("study.db*"))


def test_what_is_said_while_it_is_erased_is_not_kept(folder, served, monkeypatch):
    with served(folder) as (panel, _, come):
        one = come()
        token = panel.public_token()
        one.agree(token, one.open(token))
        name, whole = one.state()["pseudonym"], panel._store.panel.keep

        def withdrawn_meanwhile(*given, **named):
            panel.withdraw(name)
            whole(*given, **named)

        monkeypatch.setattr(panel._store.panel, "keep", withdrawn_meanwhile)
        told = one.post("/panel/step", {"step": "questions", "values": {"age": 1, "equipment": 0}})
        assert (told.status, json.loads(told.body)) == (200, {"step": "refused", "why": "unknown"})


def test_the_session_of_somebody_who_was_forgotten_ends_within_a_minute(folder, served):
    """`blindtest forget` is another program: the one that serves the panel looks the session up again."""
    with served(folder) as (panel, services, come):
        one, later = come(), [0.0]
        services._clock = lambda: later[0]
        one.to_the_sitting(panel.public_token())
        one.to_the_trials()
        name = one.state()["pseudonym"]
        assert steps.forget(folder, name).sittings == (1,)
        later[0] = 61.0
        assert [one.get(path).status for path in ("/view", "/panel/state")] == [401, 401]
        assert services.count == 0


def test_sessions_are_looked_up_again_before_anybody_waits_for_it(folder, served):
    with served(folder) as (panel, services, come):
        one, later, asked = come(), [0.0], []
        services._clock, services._renewed = lambda: later[0], 0.0
        one.to_the_sitting(panel.public_token())
        one.to_the_trials()
        (session,) = services._sessions
        whole = panel.listeners_of
        panel.listeners_of = lambda given: asked.append(list(given)) or whole(given)
        later[0] = 24.0
        assert not services.due()
        later[0] = 26.0
        assert services.due()
        assert not services.due(), "one looks them up, not each who comes meanwhile"
        services.renew()
        assert asked == [[session]]
        later[0] = 52.0
        assert services.due()
        services.renew()
        assert asked == [[session]] * 2
        later[0] = 86.0
        assert services.known(session) is not None, "nobody waits for it"
        # Through a page, and told by what is on record since: gone within the minute.
        assert steps.forget(folder, one.state()["pseudonym"]).sittings == (1,)
        later[0] = 112.0
        assert one.get("/view").status in (200, 401)
        for _ in range(1000):
            if services.known(session) is None:
                break
            one.get("/static/listen.css")  # lets the loop go on
            time.sleep(0.02)
        assert services.known(session) is None
        assert one.get("/view").status == 401


def test_a_fault_inside_an_event_is_answered_in_our_words(folder, served, monkeypatch):
    with served(folder) as (panel, _, come):
        one = come()
        one.to_the_sitting(panel.public_token())
        one.to_the_trials()

        def broken(self, event):
            raise RuntimeError("a secret in the trace")

        monkeypatch.setattr("blindtest.web.sitting_service.SittingService.is_quick", broken)
        sent = []

        async def send(message):
            sent.append(message)

        async def ask():
            body = json.dumps({"sitting": one.name, "event": {"event": "loaded", "trial": 0, "attempt": 1}}).encode()
            head = {"host": "127.0.0.1:8000", "origin": "http://127.0.0.1:8000", "content-type": "application/json",
                    "cookie": one.cookie}  # fmt: skip
            scope = {"type": "http", "method": "POST", "path": "/event", "query_string": b"",
                     "headers": [(name.encode(), value.encode()) for name, value in head.items()]}  # fmt: skip

            async def receive():
                return {"type": "http.request", "body": body, "more_body": False}

            await one.app(scope, receive, send)

        with pytest.raises(RuntimeError, match="secret"):
            panel_visitor.LOOP.run(ask())
        assert sent[0]["status"] == 500
        assert b"something went wrong inside" in sent[1]["body"]
        assert b"secret" not in sent[1]["body"]
        assert (b"x-frame-options", b"DENY") in sent[0]["headers"]


def test_what_somebody_said_when_they_stopped_is_erased_with_all_else(folder, served):
    with served(folder) as (panel, _, come):
        one = come()
        one.to_the_sitting(panel.public_token())
        one.to_the_trials()
        one.one_trial()
        one.event("abandoned", reason="my name is Marked")
        assert one.post("/panel/withdraw", {}).json["why"] == "withdrawn"
    sittings, faults, playback = register(folder)
    assert faults == ()
    assert [entry.reason for entry in sittings] == [""]
    assert playback == {1: None}
    assert b"Marked" not in b"".join(path.read_bytes() for path in folder.glob("study.db*"))


def test_who_is_on_record_takes_no_second_place_by_the_public_link(folder, served):
    with served(folder) as (panel, _, come):
        one = come()
        token = panel.public_token()
        state = one.open(token)
        first = one.agree(token, state)
        again = one.agree(token, state)
        assert again == {key: first[key] for key in first if key != "resume"}
        assert panel.counts().listeners == 1


BROWSER = "b" * 27
"""What a page draws before it sends a consent."""


def consents(visitor, token, state, browser=BROWSER):
    """Send a consent as a page does."""
    body = {"token": token, "consent_sha256": state["consent_sha256"], "browser": browser}
    return visitor.post("/panel/consent", body)


def test_a_consent_whose_answer_was_lost_takes_no_second_place(folder, served):
    """Sent again it comes without a cookie: the one that was given never arrived."""
    path = folder / "study.toml"
    path.write_text(path.read_text(encoding="utf-8").replace("public = true", "public = true\npublic_places = 2"))
    with served(folder) as (panel, _, come):
        token = panel.public_token()
        one = come()
        state = one.open(token)
        assert state["public"] is True
        lost = consents(one, token, state).json
        one.cookie = ""
        assert one.open(token)["step"] == "invitation"
        again = consents(one, token, state)
        assert again.json == lost, "the same pseudonym, and the same link to come back by"
        assert again.header("set-cookie")
        assert panel.counts().listeners == 1
        other = come()
        assert consents(other, token, state, "o" * 27).json["pseudonym"] != lost["pseudonym"]
        # Also once all places are taken, and when the panel has been closed meanwhile.
        one.cookie = ""
        assert consents(one, token, state).json == lost
        steps.close_panel(folder)
        assert consents(come(), token, state, "n" * 27).json == {"step": "refused", "why": "closed"}
        one.cookie = ""
        assert consents(one, token, state).json["pseudonym"] == lost["pseudonym"]
        # The link leads on, elsewhere too; and nothing of what the browser drew lies in the database.
        assert come().open(lost["resume"])["pseudonym"] == lost["pseudonym"]
        left = b"".join(path.read_bytes() for path in folder.glob("study.db*"))
        assert BROWSER.encode() not in left
        assert lost["resume"].encode() not in left


def test_a_consent_by_a_personal_link_sent_again_is_the_same_listeners(folder, served):
    with served(folder) as (panel, _, come):
        token = steps.invite(folder, 1, url="https://listen.example.org").links[0].partition("#")[2]
        one = come()
        state = one.open(token)
        assert state["public"] is False
        first = consents(one, token, state).json
        assert (first["step"], first["resume"]) == ("questions", None)
        assert consents(one, token, state).json == {key: first[key] for key in first if key != "resume"}
        one.cookie = ""
        assert consents(one, token, state).json == first
        assert consents(come(), token, state, "o" * 27).json == {"step": "refused", "why": "taken"}
        assert panel.counts().listeners == 1


def test_a_consent_sent_again_after_withdrawing_brings_nothing_back(folder, served):
    with served(folder) as (panel, _, come):
        token = panel.public_token()
        one = come()
        state = one.open(token)
        consents(one, token, state)
        one.post("/panel/withdraw", {})
        one.cookie = ""
        assert consents(one, token, state).json == {"step": "refused", "why": "withdrawn"}
        assert panel.counts().listeners == 0
        for unfit in ("short", "x" * 101, "b" * 26 + "/", None, 7):
            assert consents(one, token, state, unfit).status == 422


def test_a_browser_looked_up_while_another_took_over_is_not_believed_later(folder, served):
    with served(folder) as (panel, services, come):
        one = come()
        name = agreed(one, panel)
        services.forget_sessions(name)
        session = one.cookie.partition("=")[2]
        whole = panel.listener_of

        def taken_over_meanwhile(held):
            found = whole(held)
            if held == session:
                come().open(one.resume)
            return found

        panel.listener_of = taken_over_meanwhile
        services.listener_of(session)
        panel.listener_of = whole
        assert services.listener_of(session) is None
        assert one.get("/panel/state").status == 401


def test_a_cookie_that_was_made_up_is_no_visitor_of_its_own(folder, served):
    limits = (Limit(paths=("",), per_s=0.001, burst=12, strangers=1),)
    with served(folder, limits=limits) as (panel, _, come):
        one = come()
        token = panel.public_token()
        one.agree(token, one.open(token))
        assert one.get("/panel/state").status == 200
        stranger, seen = come(), []
        for number in range(40):
            stranger.cookie = f"blindtest-panel-8000=made-up-{number}"
            seen.append(stranger.get("/panel/state").status)
        assert seen.count(429) >= 28
        assert one.get("/panel/state").status == 200, "who is known has a share of their own"


@pytest.mark.parametrize("rate", [10**400, -(10**400), True, "48000", [], {"a": 1}], ids=lambda rate: str(rate)[:9])
def test_no_number_is_too_large_to_be_refused_in_words(folder, served, rate):
    with served(folder) as (panel, _, come):
        one = come()
        token = panel.public_token()
        one.agree(token, one.open(token))
        one.step("questions", age="30 to 44 years", equipment="headphones")
        told = one.post("/panel/step", {"step": "output", "values": {"rate_hz": rate, "latency_s": None}})
        assert told.status == 422
        assert "not a number from" in json.loads(told.body)["problem"]


def test_sounds_of_a_trial_that_ends_while_they_are_waited_for_are_not_there(tmp_path):
    """A request that waits for a file which nobody will make is answered, not failed."""
    clear_laid(tmp_path / "sounds")
    go, begun = Event(), Event()
    samples = np.zeros((1000, 2), dtype=np.int32)

    def slow():
        begun.set()
        assert go.wait(60)
        return samples

    def sound(token, made):
        return Sound(token=token, samples=made, rate=48_000, dither=lambda count: b"d" * count)

    with ThreadPoolExecutor(1) as makers:
        laid = LaidPlayer(tmp_path / "sounds", "s1", makers)
        laid.prepare([sound("a", slow), sound("b", lambda: samples)])
        assert begun.wait(60)
        laid._laid["b"].cancel()  # as the end of the trial does, while a request waits
        assert laid.place("b") is None
        go.set()
