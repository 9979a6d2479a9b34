"""A panel through its pages: several listeners at once, resumed, on another device, withdrawn, turned away."""

import importlib.util
import json
import os
import shutil
import signal
import sqlite3
from contextlib import contextmanager
from datetime import UTC, date, datetime, timedelta
from hashlib import sha256
from importlib.resources import files
from pathlib import Path

import pytest
from jsonschema import Draft202012Validator

from blindtest import steps
from blindtest.cli.commands import main
from blindtest.errors import BlindtestError
from blindtest.session.kept_record import KeptRecord
from blindtest.session.record_lines import record_lines
from blindtest.session.store import Store
from blindtest.steps.panel.playback import panel_moves_words
from blindtest.web import PanelServices, hosts_of, make_panel_app, panel_page

spec = importlib.util.spec_from_file_location("panel_visitor", Path(__file__).with_name("panel_visitor.py"))
panel_visitor = importlib.util.module_from_spec(spec)
spec.loader.exec_module(panel_visitor)

ANSWERED = 6
"""Trials of the study's sitting: one of practice, five that count."""


class Clock:
    """A clock that goes on by one second whenever it is read, and can be set forward."""

    def __init__(self):
        self.now = datetime.now(UTC)

    def __call__(self):
        self.now += timedelta(seconds=1)
        return self.now


@pytest.fixture
def folder(panel_template, tmp_path):
    return Path(shutil.copytree(panel_template, tmp_path / "study"))


def edit(folder, old, new):
    path = folder / "study.toml"
    text = path.read_text(encoding="utf-8")
    assert old in text
    path.write_text(text.replace(old, new), encoding="utf-8")


@pytest.fixture
def served(toy):
    """`with served(folder) as (panel, come)`: a panel, and `come()` for somebody with a browser of their own."""

    @contextmanager
    def serve(folder, *, clock=None):
        with steps.open_panel(folder, clock=clock or Clock()) as panel:
            services = PanelServices(panel)
            app = make_panel_app(panel, hosts=hosts_of(8000), services=services)
            panel.services = services
            yield panel, lambda: panel_visitor.visitor_of(toy, app)

    return serve


def links(folder, count):
    shown = steps.invite(folder, count, url="https://listen.example.org")
    assert all(link.startswith("https://listen.example.org/#") for link in shown.links)
    return [link.partition("#")[2] for link in shown.links]


def register(folder):
    with Store(folder / "study.db", entropy=os.urandom) as store:
        return store.sittings(), {n: store.rows(n) for n in (one.number for one in store.sittings())}, store.faults()


def test_three_listeners_at_once_do_not_mix(folder, served):
    with served(folder) as (panel, come):
        tokens = links(folder, 2)
        people = [come() for _ in range(3)]
        for one, token in zip(people, [*tokens, panel.public_token()], strict=True):
            one.to_the_sitting(token)
        for one in people:
            one.to_the_trials()
        for _ in range(20):
            for one, choice in zip(people, "AAB", strict=True):
                if one.view()["step"] != "finished":
                    one.one_trial(choice)
        assert [one.view()["step"] for one in people] == ["finished"] * 3
        assert [one.state()["step"] for one in people] == ["thanks"] * 3
        assert people[0].state()["result"] is None, "the study has not ended"
        names = [one.state()["pseudonym"] for one in people]
        assert panel.counts().to_dict() == {
            "invited": 2, "invited_used": 2, "by_public_link": 1, "listeners": 3, "withdrawn": 0, "open": 0,
            "finished": 3, "abandoned": 0, "not_begun": 0,
        }  # fmt: skip
    # The analysis says what a panel can't know.
    told = steps.analyze(folder).text()
    assert "equipment of their own, which nobody measured" in told
    assert "15 trials" in told or "of 15" in told
    sittings, rows, faults = register(folder)
    assert faults == ()
    assert sorted(one.listener for one in sittings) == sorted(names)
    for one in sittings:
        said = "AAB"[names.index(one.listener)]
        assert len({row["trial"] for row in rows[one.number]}) == ANSWERED
        assert {row["response"] for row in rows[one.number]} == {said}
        assert {row["listener"] for row in rows[one.number]} == {one.listener}


def test_before_consent_nothing_is_stored(folder, served):
    with served(folder) as (panel, come):
        (token,) = links(folder, 1)
        before = panel.counts()
        one = come()
        state = one.open(token)
        assert state["step"] == "invitation"
        assert state["consent_sha256"] == sha256((folder / "consent.md").read_bytes()).hexdigest()
        assert one.cookie == ""
        for path in ("/panel/state", "/facts", "/view", "/sound/x", "/panel/sound/x"):
            assert one.get(path).status == 401
        for path, body in (
            ("/panel/step", {"step": "questions", "values": {}}),
            ("/panel/begin", {}),
            ("/panel/withdraw", {}),
        ):
            assert one.post(path, body).status == 401
        assert panel.counts() == before
        page_left_open = state["consent_sha256"]
    # What was read is not what is shown now: nobody agrees to a text they did not see.
    (folder / "consent.md").write_text("We keep it for ever.", encoding="utf-8")
    with served(folder) as (panel, come):
        told = come().post("/panel/consent", {"token": token, "consent_sha256": page_left_open})
        assert told.status == 409
        assert "changed meanwhile" in told.json["problem"]
        assert panel.counts().listeners == 0


def test_questions_are_asked_once_and_each_answer_is_one_of_those_offered(folder, served):
    with served(folder) as (panel, come):
        one = come()
        token = panel.public_token()
        state = one.agree(token, one.open(token))
        assert state["step"] == "questions"
        age, equipment = state["questions"]
        assert age["options"] == [
            "under 18 years", "18 to 29 years", "30 to 44 years", "45 to 59 years", "60 years or more",
        ]  # fmt: skip
        assert (age["rather_not_say"], equipment["rather_not_say"]) == (True, False)
        for said, problem in (
            ({"age": "43", "equipment": "headphones"}, "age: not one of the answers"),
            ({"age": None, "equipment": None}, "equipment: an answer is asked for"),
            ({"age": None, "equipment": "headphones", "shoe size": "42"}, "shoe size: no such question"),
        ):
            told = one.step("questions", **said)
            assert told.status == 422
            assert problem in told.json["problem"]
        assert one.step("questions", age=None, equipment="loudspeakers").json["step"] == "output"
        # A page left open sends again: what was kept stays.
        assert one.step("questions", age="18 to 29 years", equipment="headphones").json["step"] == "output"
        assert one.step("no such step").status == 422
        assert one.step("output", rate_hz="fast").status == 422
        assert one.step("output", rate_hz=44_100, latency_s=None).json["step"] == "sitting"
    with Store(folder / "study.db", entropy=os.urandom) as store:
        (kept,) = store.panel.replies()
    assert kept.kept["questions"] == {"age": None, "equipment": "loudspeakers"}
    assert kept.kept["output"] == {"rate_hz": 44_100, "latency_s": None}
    assert kept.consent_sha256 == sha256((folder / "consent.md").read_bytes()).hexdigest()


def test_another_language_changes_no_answer(folder, served):
    with served(folder) as (panel, come):
        one = come()
        token = panel.public_token()
        state = one.agree(token, one.open(token))
        german = one.get("/panel/state", **{"accept-language": "de"}).json
        assert german["questions"][0]["options"][0] == "unter 18 years", "the unit is the organiser's own"
        assert german["questions"][1] == state["questions"][1], "the organiser's words stay as written"
        assert one.post("/panel/step", {"step": "questions", "values": {"age": 0, "equipment": 1}}).status == 200
    with Store(folder / "study.db", entropy=os.urandom) as store:
        (kept,) = store.panel.replies()
    assert kept.kept["questions"] == {"age": "under 18 years", "equipment": "loudspeakers"}


def test_a_sitting_goes_on_after_the_server_was_stopped(folder, served):
    with served(folder) as (panel, come):
        one = come()
        one.to_the_sitting(panel.public_token())
        one.to_the_trials()
        one.one_trial()
        one.one_trial()
        answered = one.view()["saved"]
        assert answered == 1
    with served(folder) as (panel, come):
        again = come()
        again.cookie = one.cookie
        assert again.state()["step"] == "sitting"
        assert again.post("/panel/begin", {}).json == {"begun": True}
        view = again.view()
        assert (view["step"], view["saved"], view["gain_db"]) == ("trial", answered, -20)
        again.to_the_end()
    sittings, rows, faults = register(folder)
    assert [one.state for one in sittings] == ["finished"]
    assert faults == ()
    trials = [row["trial"] for row in rows[1]]
    assert sorted(trials) == list(range(ANSWERED)), "nothing asked twice, nothing lost"


def test_a_link_opened_on_another_device_goes_on_there_and_the_old_page_is_told(folder, served):
    with served(folder) as (_, come):
        (token,) = links(folder, 1)
        here, there = come(), come()
        here.to_the_sitting(token)
        here.to_the_trials()
        here.one_trial()
        here.one_trial()
        view = here.view()
        assert (view["step"], view["saved"]) == ("trial", 1)
        here.listen(view)
        state = there.open(token)
        assert (state["step"], state["moved"]) == ("output", True), "what plays there is not known"
        assert there.cookie != here.cookie
        # Nothing of the sitting is to be had before that is answered, on either device.
        assert there.get("/view").status == 401
        assert there.post("/panel/begin", {}).json == {"begun": False}
        there.goes_on(state)
        assert here.get("/view").status == 401
        assert here.event("continued", sitting="x", trial=0).status == 401
        assert here.get("/panel/state").status == 401
        assert here.open() == {"step": "refused", "why": "elsewhere"}, "opened without a link it says so too"
        assert come().open() == {"step": "refused", "why": "no link"}
        # The sitting stands at the same trial. Equipment that nobody knows begins softly: the level is set anew.
        now = there.view()
        assert (now["step"], now["trial"], now["saved"], now["gain_db"]) == ("ready", view["trial"], 1, None)
        there.to_the_trials()
        assert there.view()["step"] == "trial"
        there.to_the_end()
        # And back again, by the same link.
        assert here.open(token)["step"] == "thanks", "nothing is to be heard: nothing is asked"
        assert there.get("/panel/state").status == 401
    assert len(register(folder)[0]) == 1
    with Store(folder / "study.db", entropy=os.urandom) as store:
        (told,) = panel_moves_words(store)
        assert panel_moves_words(KeptRecord(record_lines(store), folder)) == (told,)
    assert told.startswith("1 of 1 listener on record went on on another device or in another browser, 1 within a sit")


def test_a_visitor_of_the_public_link_comes_back_by_a_link_of_their_own(folder, served):
    edit(folder, "public = true", "public = true\npublic_places = 2")
    with served(folder) as (panel, come):
        public = panel.public_token()
        first, second, third = come(), come(), come()
        first.to_the_sitting(public)
        assert first.open(public)["step"] == "sitting", "the same browser: no second place"
        second.to_the_sitting(public)
        state = third.open(public)
        assert third.agree(public, state) == {"step": "refused", "why": "full"}
        assert third.cookie == ""
        assert first.resume not in ("", public, second.resume)
        elsewhere = come()
        elsewhere.goes_on(elsewhere.open(first.resume))
        assert elsewhere.state()["pseudonym"] != second.state()["pseudonym"]
        assert panel.counts().listeners == 2
    # The link is the same after a new start, and its places stay taken.
    with served(folder) as (panel, come):
        assert panel.public_token() == public
        late = come()
        assert late.agree(public, late.open(public))["why"] == "full"


@pytest.mark.parametrize("token", ["", "unknown", "../../etc/passwd", "x" * 101, "a b"])
def test_a_bad_token_opens_nothing(folder, served, token):
    with served(folder) as (panel, come):
        one = come()
        told = one.post("/panel/open", {"token": token})
        assert told.status in (200, 422)
        assert told.status == 422 or told.json["step"] == "refused"
        assert one.cookie == ""
        one.cookie = f"blindtest-panel-8000={token}"
        assert one.get("/view").status == 401
        assert one.post("/panel/consent", {"token": token, "consent_sha256": "0" * 64}).status in (409, 422)
        assert panel.counts().listeners == 0


def test_withdrawing_erases_everything_and_the_record_still_verifies(folder, served):
    with served(folder) as (panel, come):
        stays, goes = come(), come()
        (token,) = links(folder, 1)
        goes.to_the_sitting(token, age="60 years or more")
        goes.to_the_trials()
        goes.one_trial()
        name = goes.state()["pseudonym"]
        stays.to_the_sitting(panel.public_token())
        cookie = goes.cookie
        assert goes.post("/panel/withdraw", {}).json == {"step": "refused", "why": "withdrawn"}
        goes.cookie = cookie
        assert goes.get("/view").status == 401
        assert goes.open(token) == {"step": "refused", "why": "withdrawn"}
        assert (
            panel.counts().to_dict() | {"open": 1, "abandoned": 1, "withdrawn": 1, "listeners": 1}
            == panel.counts().to_dict()
        )
        stays.to_the_trials()
        stays.to_the_end()
    left = b"".join(path.read_bytes() for path in folder.glob("study.db*"))
    assert name.encode() not in left
    assert b"60 years or more" not in left
    sittings, _, faults = register(folder)
    assert faults == ()
    assert [one.state for one in sittings] == ["abandoned", "finished"]
    assert sittings[0].forgotten is not None


def test_forget_erases_a_panel_listener_who_never_listened(folder, served):
    with served(folder) as (panel, come):
        one = come()
        token = panel.public_token()
        one.agree(token, one.open(token))
        name = one.state()["pseudonym"]
    shown = steps.forget(folder, name)
    assert shown.sittings == ()
    assert "Erased" in shown.text()
    assert steps.verify(folder).ok
    with pytest.raises(BlindtestError, match="no such listener"):
        steps.forget(folder, name)


@pytest.mark.parametrize("how", ["forgotten by command", "its deadline passed"])
def test_a_page_whose_sitting_ended_on_record_is_told_so(folder, served, how):
    clock = Clock()
    with served(folder, clock=clock) as (panel, come):
        one = come()
        one.to_the_sitting(panel.public_token())
        one.to_the_trials()
        view = one.view()
        one.listen(view)
        if how == "forgotten by command":
            with Store(folder / "study.db", entropy=os.urandom) as store:
                store.forget(one.state()["pseudonym"], at=clock(), clean=False)
        else:
            clock.now += timedelta(days=8)
            assert panel.counts().abandoned == 1
        told = one.answer(view)
        if how == "forgotten by command":
            assert told.status == 401, "not asked to send it again and again"
            assert one.get("/view").status == 401
        else:
            assert (told.status, told.json["problem"][:36]) == (409, "the deadline of this sitting passed ")
            assert one.state()["step"] == "thanks"
        assert panel.counts().open == 0


def test_nothing_of_a_browser_or_its_place_is_stored_or_logged(folder, served, caplog, capfd):
    # Of eight letters, as a language may be (RFC 5646, 2.1; from memory): a pseudonym holds five, drawn from all.
    marks = {"user-agent": "Marked-Agent/7", "accept-language": "qmarkedq", "x-forwarded-for": "203.0.113.77"}
    with served(folder) as (_, come):
        (token,) = links(folder, 1)
        one = come()
        plain = one.ask
        one.ask = lambda method, path, body=b"", headers=None, chunks=1: plain(
            method, path, body, {**marks, **(headers or {})}, chunks
        )
        one.to_the_sitting(token)
        one.to_the_trials()
        one.to_the_end()
    with sqlite3.connect(folder / "study.db") as database:
        stored = "\n".join(database.iterdump())
    session = one.cookie.partition("=")[2]
    written = stored + caplog.text + "".join(capfd.readouterr())
    for secret in (*marks.values(), "127.0.0.1", token, session):
        assert secret not in written, secret
    assert len(token) >= 27, "160 bits in base 64"
    assert len(session) >= 27


def test_after_the_last_day_nobody_begins_and_everybody_reads_their_own_result(folder, served):
    edit(folder, "public = true", f"public = true\ncloses = {date.today() + timedelta(days=1)}")
    clock = Clock()
    with served(folder, clock=clock) as (panel, come):
        (unused,) = links(folder, 1)
        done, half = come(), come()
        done.to_the_sitting(panel.public_token())
        done.to_the_trials()
        done.to_the_end()
        half.to_the_sitting(panel.public_token())
        half.to_the_trials()
        half.one_trial()
        clock.now += timedelta(days=2)
        late = come()
        assert late.open(unused) == {"step": "refused", "why": "closed"}
        assert late.open(panel.public_token()) == {"step": "refused", "why": "closed"}
        assert done.state()["result"] is None, "somebody still listens"
        half.to_the_end()
        told = done.state()["result"]
        rows = [row for row in register(folder)[1][1] if row["phase"] == "blind"]
        right = sum(row["correct"] for row in rows)
        assert len(told) == 1
        verb = "was" if right == 1 else "were"
        assert told[0].startswith(f"{right} of your 5 answers {verb} right.")
        # Of 2**5 ways to guess, so many have as many right or more (counted by hand: C(5, k)).
        ways = sum([1, 5, 10, 10, 5, 1][right:])
        assert f"with a chance of {float(f'{100 * ways / 32:.2g}'):g} in 100" in told[0]
        with pytest.raises(BlindtestError, match="the panel is closed"):
            steps.invite(folder, 1, url="https://listen.example.org", clock=clock)


def test_an_own_result_at_once_is_sealed_and_told_when_a_listener_is_done(folder, served):
    edit(folder, "public = true", 'public = true\nown_result = "at once"')
    with served(folder) as (panel, come):
        one = come()
        one.to_the_sitting(panel.public_token())
        one.to_the_trials()
        one.to_the_end()
        assert "of your 5 answers w" in one.state()["result"][0]
    with Store(folder / "study.db", entropy=os.urandom) as store:
        assert store.sealed(panel.sealed.commitment).record["panel"] == {"own_result": "at once"}


def test_overdue_sittings_are_abandoned(folder, served):
    clock = Clock()
    with served(folder, clock=clock) as (panel, come):
        one = come()
        one.to_the_sitting(panel.public_token())
        clock.now += timedelta(days=8)
        assert panel.counts().abandoned == 1
        assert one.state()["step"] == "thanks"


def test_closed_by_the_organiser_while_it_is_served(folder, served):
    with served(folder) as (panel, come):
        one = come()
        one.to_the_sitting(panel.public_token())
        assert steps.close_panel(folder).open_sittings == 1
        assert come().open(panel.public_token()) == {"step": "refused", "why": "closed"}
        with pytest.raises(BlindtestError, match="the panel is closed") as refused:
            steps.invite(folder, 1, url="https://listen.example.org")
        assert refused.value.faults[0].remedy == "", "no later day would open it again"
        one.to_the_trials()
        one.to_the_end()
        assert "of your 5 answers" in one.state()["result"][0]


def test_who_agreed_and_comes_back_too_late_is_told_so(folder, served):
    """They gave no answer, so nobody thanks them for one or promises a result; what is stored of them can be erased."""
    with served(folder) as (panel, come):
        one = come()
        agreed = one.agree(panel.public_token(), one.open(panel.public_token()))
        steps.close_panel(folder)
        told = one.state()
        assert {key: told[key] for key in ("step", "why")} == {"step": "refused", "why": "closed"}
        assert told["pseudonym"] == agreed["pseudonym"], "the page's foot offers to withdraw"
        assert one.open(one.resume) == told
        assert one.post("/panel/begin", {}).json == {"begun": False}
        assert one.post("/panel/withdraw", {}).json == {"step": "refused", "why": "withdrawn"}


def test_a_consent_text_that_was_changed_is_agreed_to_before_a_further_sitting(folder, served):
    with served(folder) as (panel, come):
        public = panel.public_token()
        begun, waiting = come(), come()
        begun.to_the_sitting(public)
        begun.to_the_trials()
        waiting.agree(public, waiting.open(public))
    old = sha256((folder / "consent.md").read_bytes()).hexdigest()
    (folder / "consent.md").write_text("Kept until 2040, and handed on to others.\n", encoding="utf-8")
    new = sha256((folder / "consent.md").read_bytes()).hexdigest()
    with served(folder) as (panel, come):
        begun.app = waiting.app = come().app
        # A sitting that is open goes on as it was agreed to and sealed.
        assert begun.state()["step"] == "sitting"
        assert begun.view()["step"] == "trial"
        assert begun.event("abandoned", reason="").status == 200
        for one in (begun, waiting):
            asked = one.open(public)
            assert (asked["step"], asked["consent_sha256"], asked["consent"][:15]) == (
                "consent",
                new,
                "Kept until 2040",
            )
            assert asked == one.open(one.resume) == one.state()
            one.post("/panel/begin", {})
            assert panel.counts().open == 0, "nothing begins before"
            refused = one.post("/panel/consent", {"token": "", "consent_sha256": old})
            assert (refused.status, refused.json) == (409, {"problem": "the consent text was changed meanwhile"})
            assert one.state() == asked
        name = begun.state()["pseudonym"]
        # The page sends the link that it was opened by, or none where the browser knew its listener.
        assert begun.agree("", asked)["step"] == "sitting"
        assert waiting.agree(waiting.resume, asked)["step"] == "questions"
        assert begun.agree("", asked)["step"] == "sitting", "sent twice it is agreed once"
        assert begun.state()["pseudonym"] == name
        assert panel.counts().listeners == 2
        with Store(folder / "study.db", entropy=os.urandom) as store:
            kept = {one.listener: one for one in store.panelists()}[name]
            assert kept.consent_sha256 == new
            assert [text["text_sha256"] for text in kept.kept["agreed before"]["texts"]] == [old]
        assert begun.post("/panel/withdraw", {}).status == 200
        stranger = come()
        assert stranger.post("/panel/consent", {"token": "", "consent_sha256": new}).json["why"] == "unknown"
    assert steps.verify(folder).ok


def test_told_to_end_a_server_stops_as_by_an_interrupt(folder, monkeypatch):
    """`kill`, containers and service managers send SIGTERM; the panel has things to do before it ends."""
    said, before = [], signal.getsignal(signal.SIGTERM)
    monkeypatch.setattr(panel_page.Server, "run", lambda self: os.kill(os.getpid(), signal.SIGTERM))
    with steps.open_panel(folder) as panel:
        told = panel_page.serve_panel(panel, say=said.append)
    assert said[-1] == "Stopped."
    assert told.counts["listeners"] == 0
    assert signal.getsignal(signal.SIGTERM) == before


class Finalised:
    """Asks the program to end while it is being finalised: what is raised then, Python drops."""

    def __init__(self, number):
        self.number = number

    def __del__(self):
        os.kill(os.getpid(), self.number)


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_asked_to_end_while_garbage_is_collected_a_server_ends(folder, monkeypatch, number):
    """As before its first request, when a server just started is stopped: it was asked once, and went on for ever."""
    said, before = [], signal.getsignal(number)
    whole = panel_page.Server.run

    def run(self):
        Finalised(number)
        whole(self)  # returns: the real server starts, and stops by itself

    monkeypatch.setattr(panel_page.Server, "run", run)
    with steps.open_panel(folder) as panel:
        panel_page.serve_panel(panel, say=said.append)
    assert said[-1] == "Stopped."
    assert signal.getsignal(number) == before


def nonces(folder):
    """Kind of each seal, whether its nonce is opened, and the nonce in what would be published."""
    with Store(folder / "study.db", entropy=os.urandom) as store:
        lines = record_lines(store)["seals.jsonl"].splitlines()
    return sorted((s["kind"], s["opened"] is not None, s["nonce"] is not None) for s in map(json.loads, lines))


def test_a_stop_at_the_end_opens_the_nonces_and_no_stop_before(folder, served, capsys):
    """As `listen` does at the end of its sitting: the heads of the chains are named first, then the nonces."""
    edit(folder, "public = true", f"public = true\ncloses = {date.today() + timedelta(days=1)}")
    clock = Clock()
    with served(folder, clock=clock) as (panel, come):
        one, half = come(), come()
        for each in (one, half):
            each.to_the_sitting(panel.public_token())
        one.to_the_trials()
        one.to_the_end()
        assert panel.ended() is None, "others may still begin"
        clock.now += timedelta(days=2)
        assert panel.ended() is None, "somebody listens"
        assert nonces(folder) == [("sitting", False, False), ("sitting", False, True), ("study", False, False)]
        half.event("abandoned", reason="")
        # The last day can be set later; then the draws of the study seal are still needed.
        assert panel.ended().to_dict() == {"plans": 2, "study_seals": 0}
        assert nonces(folder) == [("sitting", True, True), ("sitting", True, True), ("study", False, True)]
    with pytest.raises(SystemExit):
        main(["panel", str(folder), "--close"])
    said = capsys.readouterr().out
    assert said.index("last hashes of the answers  blindtest seal") < said.index(
        "nonces of 2 plans, opened now (the stu"
    )
    with pytest.raises(SystemExit):
        main(["panel", str(folder), "--close", "--json"])
    value = json.loads(capsys.readouterr().out)
    schema = json.loads(files("blindtest.cli").joinpath("results.schema.json").read_text(encoding="utf-8"))
    Draft202012Validator(schema).validate(value)
    assert value["nonces_opened"] == {"plans": 2, "study_seals": 1}
    assert {opened for _, opened, _ in nonces(folder)} == {True}
    assert steps.verify(folder).ok


def test_what_is_idle_leaves_memory_and_comes_back_as_it_stood(folder, served):
    seconds = [0.0]
    with served(folder) as (panel, come):
        services = PanelServices(panel, most=2, idle_s=60, clock=lambda: seconds[0])
        app = make_panel_app(panel, hosts=hosts_of(8000), services=services)
        people = [come() for _ in range(4)]
        for one in people:
            one.app = app
            one.to_the_sitting(panel.public_token())
            one.to_the_trials()
            seconds[0] += 1
            assert services.count <= 3, "one more than may stay, as long as it is in use"
        for one in people:
            one.to_the_end()
        seconds[0] += 61
        people[0].view()
        assert services.count == 1
    assert [one.state for one in register(folder)[0]] == ["finished"] * 4


def test_one_program_serves_a_panel_and_no_other_takes_its_sittings(folder, served):
    with served(folder) as (panel, come):
        one = come()
        one.to_the_sitting(panel.public_token())
        name = one.state()["pseudonym"]
        with pytest.raises(BlindtestError, match="the panel of this study is served by another program"):
            steps.open_panel(folder)
        with pytest.raises(BlindtestError, match="the panel of this study is served"):
            steps.prepare_sitting(folder, listener=name)
        other = come()
        other.to_the_sitting(panel.public_token())
        # Nor does one without a name choose among the panel's own.
        for new in ("L-new", ""):
            with pytest.raises(BlindtestError, match="the panel of this study is served"):
                steps.prepare_sitting(folder, listener=new)
        sat = [entry.listener for entry in register(folder)[0]]
        assert sat == [name, other.state()["pseudonym"]], "no sitting stays open that nobody holds"


def test_every_answer_leaves_with_the_same_headers(folder, served):
    with served(folder) as (panel, come):
        one = come()
        one.to_the_sitting(panel.public_token())
        one.to_the_trials()
        one.one_trial()
        names = {
            tuple(sorted(k.decode() for k, _ in sent.headers)) for sent in one.sent if sent.header("set-cookie") is None
        }
        assert len(names) == 1
        cookies = [sent.header("set-cookie") for sent in one.sent if sent.header("set-cookie")]
        assert len(cookies) == 1
        assert {"HttpOnly", "SameSite=strict"} <= {part.strip() for part in cookies[0].split(";")}
        assert "Secure" not in cookies[0], "over http it would not be kept"
        assert one.post("/panel/step", {}, origin="http://elsewhere.example").status == 403
        assert one.get("/panel/state", host="elsewhere.example").status == 421
        assert json.dumps(one.state()).count("tilted") == 0
