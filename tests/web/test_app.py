"""The page's server: who is let in, what leaves, and that an answer is acknowledged only when it is durable.

Sources: RFC 9110 (Host, Origin with RFC 6454), RFC 6265bis (SameSite, HttpOnly), W3C Fetch Metadata, W3C CSP 3.
"""

import asyncio
import json
import threading
import time

import pytest

from blindtest.errors import Fault, Missing
from blindtest.web.guard import Guard


@pytest.fixture
def record(toy):
    return toy.Memory()


@pytest.fixture
def served(toy, record):
    return toy.service(record=record)


@pytest.fixture
def outsider(toy, served):
    return toy.Visitor(toy.app(served))


@pytest.fixture
def visitor(outsider):
    assert outsider.enter().status == 200
    return outsider


@pytest.fixture
def in_trial(visitor):
    visitor.event("began")
    visitor.event("level_set", gain_db=-20.0)
    assert visitor.view()["step"] == "trial"
    return visitor


# --- who is let in -------------------------------------------------------------------------------------------------


def test_the_link_opens_once(toy, served):
    application = toy.app(served)
    first, second = toy.Visitor(application), toy.Visitor(application)
    assert first.enter().status == 200
    assert second.enter().status == 403
    assert second.get("/view").status == 401
    assert first.get("/view").status == 200


def test_who_has_the_cookie_may_use_any_link(visitor):
    assert visitor.enter("a stale link").status == 200


def test_the_cookie_outlives_the_server(toy, visitor):
    """The secret is the study's, the link's token is the run's."""
    later = toy.Visitor(toy.app(toy.service(), link_token="second-link"), cookie=visitor.cookie)
    assert later.get("/view").status == 200


def test_the_cookie_is_for_this_page_only(outsider):
    words = {part.strip().lower() for part in outsider.enter().header("set-cookie").split(";")[1:]}
    assert {"httponly", "samesite=strict", "path=/"} <= words


@pytest.mark.parametrize("path", ["/facts", "/view", "/sound/x"])
def test_nothing_of_the_sitting_without_the_cookie(outsider, path):
    assert outsider.get(path).status == 401
    assert outsider.get(path, cookie="blindtest-8000=guess").status == 401
    assert outsider.get(path, cookie="blindtest-8000=gu\u00e9ss").status == 401


def test_no_event_without_the_cookie(outsider, served):
    body = json.dumps({"sitting": served.sitting, "event": {"event": "began"}}).encode()
    assert outsider.ask("POST", "/event", body).status == 401
    assert served.view()["step"] == "ready"


@pytest.mark.parametrize("host", ["evil.example", "127.0.0.1", "127.0.0.1:8001", "evil.example:8000", "", None])
def test_a_foreign_host_is_refused(visitor, host):
    """DNS rebinding: a name of somebody else's that points here arrives with that name in Host."""
    for path in ("/", "/view", "/static/listen.js"):
        assert visitor.get(path, host=host).status == 421


@pytest.mark.parametrize(
    "origin", ["http://evil.example", "null", "http://127.0.0.1:8001", "https://127.0.0.1:8000", None]
)
def test_a_foreign_page_cannot_send(visitor, served, origin):
    body = json.dumps({"sitting": served.sitting, "event": {"event": "began"}}).encode()
    assert visitor.ask("POST", "/event", body, {"origin": origin}).status == 403
    assert served.view()["step"] == "ready"


def test_a_foreign_form_cannot_send(visitor, served):
    body = json.dumps({"sitting": served.sitting, "event": {"event": "began"}}).encode()
    for kind in ("text/plain", "application/x-www-form-urlencoded", None):
        assert visitor.ask("POST", "/event", body, {"content-type": kind}).status == 415
    assert served.view()["step"] == "ready"


def test_a_foreign_page_cannot_embed_the_sound(visitor):
    token = visitor.view()["next"][0]
    for site in ("cross-site", "same-site"):
        assert visitor.get(f"/sound/{token}", **{"sec-fetch-site": site}).status == 403
    assert visitor.get(f"/sound/{token}", **{"sec-fetch-site": "same-origin"}).status == 200


def test_only_a_secure_address_says_so_and_there_the_page_comes_by_https(toy):
    """RFC 6797, 7.2: no such header over plain http. RFC 6454: https is another origin than http."""
    application = Guard(toy.app(toy.service()).app, hosts=["a.example"], secure_hosts=["B.example"])
    asked = toy.Visitor(application)
    for host, own, other in (("a.example", "http", "https"), ("b.example", "https", "http")):
        page = asked.get("/", host=host)
        assert page.status == 200
        assert (page.header("strict-transport-security") is not None) is (own == "https")
        wanted = {"host": host, "origin": f"{own}://{host}"}
        assert asked.ask("POST", "/event", b"{}", wanted).status == 401
        assert asked.ask("POST", "/event", b"{}", {**wanted, "origin": f"{other}://{host}"}).status == 403


def test_the_guard_passes_on_when_the_server_starts_and_ends_and_nothing_but_http(toy):
    passed = []

    async def inner(scope, receive, send):
        passed.append((scope["type"], receive, send))

    for kind in ("lifespan", "websocket"):
        asyncio.run(Guard(inner, hosts=["a.example"])({"type": kind}, "receive", "send"))
    assert passed == [("lifespan", "receive", "send")]


def test_the_loopback_name_serves_too(visitor):
    assert visitor.get("/view", host="localhost:8000").status == 200


# --- what leaves ---------------------------------------------------------------------------------------------------


def test_every_response_has_the_security_headers(in_trial):
    in_trial.get("/nowhere")
    in_trial.get("/view", host="evil.example")
    in_trial.ask("DELETE", "/view")
    in_trial.ask("POST", "/view", b"{}")
    in_trial.get("/")
    in_trial.get("/static/listen.js")
    in_trial.get("/static/../app.py")
    assert {sent.status for sent in in_trial.sent} >= {200, 404, 405, 421}
    for sent in in_trial.sent:
        assert sent.header("cache-control") == "no-store", sent.asked
        assert sent.header("x-content-type-options") == "nosniff"
        assert sent.header("referrer-policy") == "no-referrer"
        assert sent.header("cross-origin-resource-policy") == "same-origin"
        policy = sent.header("content-security-policy")
        assert "default-src 'none'" in policy
        assert "unsafe" not in policy
        assert "frame-ancestors 'none'" in policy
        for name in ("date", "server", "etag", "last-modified", "accept-ranges", "content-encoding", "vary"):
            assert sent.header(name) is None, f"{sent.asked}: {name}"


def test_the_shell_is_the_same_for_everybody_and_holds_no_inline_code(outsider, visitor):
    page = outsider.get("/").body.decode()
    assert page == visitor.get("/").body.decode()
    assert "<script>" not in page
    assert "style=" not in page
    assert "http:" not in page
    assert "https:" not in page


def test_all_slots_leave_alike(in_trial):
    view = in_trial.view()
    sounds = [in_trial.get(f"/sound/{slot['token']}", range="bytes=0-99") for slot in view["slots"]]
    assert [sound.status for sound in sounds] == [200, 200, 200]
    assert len({sound.headers for sound in sounds}) == 1
    assert len({len(sound.body) for sound in sounds}) == 1
    assert len({sound.body[:44] for sound in sounds}) == 1
    assert len({sound.body for sound in sounds}) == 3, "X is not equal to A or B byte for byte"


def test_an_unknown_token_says_nothing(in_trial):
    past = in_trial.view()["slots"][0]["token"]
    in_trial.listen(in_trial.view())
    in_trial.answer(in_trial.view())
    while in_trial.view()["trial"] < 1:
        in_trial.event("continued", trial=0)
    in_trial.listen(in_trial.view())
    in_trial.answer(in_trial.view())
    in_trial.event("continued", trial=1)
    answers = {
        (r.status, r.headers, r.body) for r in map(in_trial.get, (f"/sound/{past}", "/sound/none", "/sound/%00"))
    }
    assert len(answers) == 1
    assert answers.pop()[0] == 404


def test_an_inner_fault_shows_no_trace(toy, capsys):
    class Broken:
        sitting = "s"

        def facts(self):
            raise RuntimeError("a secret in the trace")

    visitor = toy.Visitor(toy.app(Broken()))
    visitor.enter()
    # Starlette answers, then raises again for the server's own log.
    with pytest.raises(RuntimeError):
        visitor.get("/facts")
    assert visitor.app is not None
    sent = _answer_before_raise(toy, visitor)
    assert sent["status"] == 500
    assert b"secret" not in sent["body"]
    assert b"Traceback" not in sent["body"]


def _answer_before_raise(toy, visitor):
    sent = {"body": b""}

    async def send(message):
        if message["type"] == "http.response.start":
            sent["status"] = message["status"]
            sent["headers"] = dict(message["headers"])
        else:
            sent["body"] += message.get("body", b"")

    async def receive():
        return {"type": "http.request", "body": b"", "more_body": False}

    scope = {
        "type": "http",
        "method": "GET",
        "path": "/facts",
        "raw_path": b"/facts",
        "query_string": b"",
        "scheme": "http",
        "http_version": "1.1",
        "headers": [(b"host", b"127.0.0.1:8000"), (b"cookie", visitor.cookie.encode())],
    }
    with pytest.raises(RuntimeError):
        asyncio.run(visitor.app(scope, receive, send))
    assert sent["headers"][b"content-security-policy"]
    return sent


# --- events --------------------------------------------------------------------------------------------------------


def test_a_whole_sitting(toy, visitor, record, served):
    assert visitor.view()["step"] == "ready"
    visitor.event("began")
    level = visitor.view()["level"]
    assert visitor.get(f"/sound/{level}").status == 200
    visitor.event("level_set", gain_db=-12)
    steps = []
    while (view := visitor.view())["step"] != "finished":
        steps.append(view["step"])
        if view["step"] == "trial":
            visitor.listen(view)
            reply = visitor.answer(view, "B")
            assert reply.status == 200
            assert reply.json["view"]["saved"] == view["saved"] + 1
        else:
            visitor.event("continued", trial=view["trial"])
    assert steps == ["trial", "feedback"] * 2 + ["trial", "trial", "break", "trial", "trial"]
    assert [row["trial"] for row in record.rows] == [0, 1, 2, 3, 4, 5]
    assert {row["response"] for row in record.rows} == {"B"}
    assert record.state == "finished"
    assert served.over.is_set()


def test_an_answer_is_durable_before_it_is_acknowledged(toy):
    """The record blocks: as long as it does, no acknowledgement leaves and no other view is shown."""
    entered, release = threading.Event(), threading.Event()

    class Slow(toy.Memory):
        def answered(self, answer):
            entered.set()
            assert release.wait(60)
            super().answered(answer)

    record = Slow()
    visitor = toy.Visitor(toy.app(toy.service(record=record)))
    visitor.enter()
    visitor.event("began")
    visitor.event("level_set", gain_db=0)
    view = visitor.view()
    visitor.listen(view)
    replies = []
    asking = threading.Thread(target=lambda: replies.append(visitor.answer(view)))
    asking.start()
    assert entered.wait(60)
    asking.join(0.2)
    assert replies == []
    release.set()
    asking.join(60)
    assert replies[0].json["view"]["saved"] == 1
    assert len(record.rows) == 1


def test_an_answer_that_cannot_be_stored_is_not_acknowledged_and_can_be_sent_again(toy):
    class Full(toy.Memory):
        full = True

        def answered(self, answer):
            if self.full:
                raise Missing(Fault(problem="the disk is full", file="/secret/place/study.db"))
            super().answered(answer)

    record = Full()
    visitor = toy.Visitor(toy.app(toy.service(record=record)))
    visitor.enter()
    visitor.event("began")
    visitor.event("level_set", gain_db=0)
    view = visitor.view()
    visitor.listen(view)
    refused = visitor.answer(view, "B")
    assert refused.status == 503
    assert b"secret" not in refused.body
    assert visitor.view()["saved"] == 0
    assert visitor.view()["trial"] == view["trial"]
    record.full = False
    again = visitor.event("confirmed", trial=0, attempt=1, values={"choice": "B"})
    assert again.status == 200
    assert again.json["view"]["saved"] == 1
    assert len(record.rows) == 1


def test_a_lost_write_keeps_its_time_when_sent_again(toy):
    """A commit that was reported as failed may have reached the disk: the second write must be the same."""
    tried = []

    class Unsure(toy.Memory):
        def answered(self, answer):
            tried.append(answer)
            if len(tried) == 1:
                raise OSError("the connection broke after the commit")
            super().answered(answer)

    visitor = toy.Visitor(toy.app(toy.service(record=Unsure())))
    visitor.enter()
    visitor.event("began")
    visitor.event("level_set", gain_db=0)
    view = visitor.view()
    visitor.listen(view)
    assert visitor.answer(view, "B").status == 503
    assert visitor.event("confirmed", trial=0, attempt=1, values={"choice": "B"}).status == 200
    assert tried[0] == tried[1]


def test_a_confirmation_sent_twice_is_taken_once(in_trial, record):
    view = in_trial.view()
    in_trial.listen(view)
    first = in_trial.answer(view, "A")
    second = in_trial.event("confirmed", trial=0, attempt=1, values={"choice": "A"})
    assert (second.status, second.json) == (first.status, first.json)
    assert len(record.rows) == 1


def test_a_second_tab_cannot_answer_again(in_trial, record):
    view = in_trial.view()
    in_trial.listen(view)
    in_trial.answer(view, "A")
    stale = in_trial.event("confirmed", trial=0, attempt=1, values={"choice": "B"})
    assert stale.status == 409
    assert stale.json["view"]["saved"] == 1
    assert stale.json["remedy"]
    assert [row["response"] for row in record.rows] == ["A"]


def test_a_page_of_another_sitting_cannot_answer_this_one(in_trial, served):
    assert in_trial.event("began", sitting="another").status == 409


def test_an_unheard_answer_is_not_taken(in_trial, record):
    view = in_trial.view()
    in_trial.event("loaded", trial=0, attempt=1)
    refused = in_trial.answer(view)
    assert refused.status == 409
    assert "not heard yet" in refused.json["problem"]
    assert record.rows == []


def test_abandoning_ends_it(in_trial, record, served):
    assert in_trial.event("abandoned", reason="enough").json["view"]["step"] == "abandoned"
    assert record.state == "abandoned"
    assert in_trial.event("loaded", trial=0, attempt=1).status == 409
    assert served.over.is_set()


def test_a_fault_that_spoils_the_trial_gives_new_tokens(in_trial):
    before = in_trial.view()
    after = in_trial.event("faulted", trial=0, attempt=1, kind="interrupted").json["view"]
    assert after["attempt"] == 2
    assert {s["token"] for s in before["slots"]}.isdisjoint(s["token"] for s in after["slots"])
    for slot in after["slots"]:
        assert in_trial.get(f"/sound/{slot['token']}").status == 200
    for slot in before["slots"]:
        assert in_trial.get(f"/sound/{slot['token']}").status == 404


# --- what is malformed or too large --------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "body",
    [
        b"",
        b"null",
        b"[]",
        b"{",
        b"\xff\xfe",
        b'{"sitting": 1, "event": {}}',
        b'{"sitting": "s"}',
        b'{"sitting": "s", "event": {"event": "began"}, "more": 1}',
        b'{"sitting": "s", "event": {"event": "begun"}}',
        b'{"sitting": "s", "event": {"event": "began", "trial": 3}}',
        b'{"sitting": "s", "event": {"event": "loaded", "trial": "0", "attempt": 1}}',
        b'{"sitting": "s", "event": {"event": "chosen", "trial": 0, "attempt": 1, "values": {"choice": NaN}}}',
        b'{"sitting": "s", "event": ' + b'{"event":' * 5000 + b"1" + b"}" * 5000 + b"}",
    ],
)
def test_a_malformed_event_is_refused_in_one_line(visitor, served, body):
    sent = visitor.ask("POST", "/event", body)
    assert sent.status == 422
    assert sent.json["problem"]
    assert "Traceback" not in sent.json["problem"]
    assert served.view()["step"] == "ready"


@pytest.mark.parametrize("chunks", [1, 7])
@pytest.mark.parametrize("path", ["/event", "/enter"])
def test_a_large_body_is_refused(visitor, path, chunks):
    body = b'{"token": "' + b"x" * 70_000 + b'"}'
    assert visitor.ask("POST", path, body, chunks=chunks).status == 413
    # Also where the length is not said beforehand.
    assert visitor.ask("POST", path, body, {"content-length": None}, chunks=chunks).status == 413


def test_a_body_is_taken_up_to_its_limit_and_no_byte_further(visitor):
    """The limit that is documented, 64 KiB, whether the length is said or only counted as it comes."""
    for size, status in ((65_536, 422), (65_537, 413)):
        for headers in ({}, {"content-length": None}):
            assert visitor.ask("POST", "/event", b" " * size, headers, chunks=2).status == status


def test_a_lied_length_is_refused(visitor):
    assert visitor.ask("POST", "/event", b"{}", {"content-length": "1e3"}).status == 413
    assert visitor.ask("POST", "/event", b"{}", {"content-length": "99999999999999999999"}).status == 413


# --- between the last answer and the end ----------------------------------------------------------------------------


def _at_the_last(toy, record):
    made = toy.plan_of({"single": 1})
    served = toy.service(made, record)
    visitor = toy.Visitor(toy.app(served))
    visitor.enter()
    visitor.event("began")
    visitor.event("level_set", gain_db=-20.0)
    visitor.listen(visitor.view())
    return made, served, visitor


def test_an_end_that_could_not_be_noted_is_noted_when_the_answer_comes_again(toy):
    """The answer is durable, its acknowledgement is not sent: sent again it is not doubled, and the sitting closes."""

    class Stumbling(toy.Memory):
        stumbles = 1

        def answered(self, answer):
            if not self.rows:
                super().answered(answer)

        def ended(self, sitting, at):
            if self.stumbles:
                self.stumbles = 0
                raise OSError("no space left")
            super().ended(sitting, at)

    record = Stumbling()
    _, served, visitor = _at_the_last(toy, record)
    view = visitor.view()
    assert visitor.answer(view).status == 503
    assert (len(record.rows), record.state) == (1, "open")
    assert not served.over.is_set()
    again = visitor.event("confirmed", trial=0, attempt=1, values={"1": 10})
    assert again.json["view"]["step"] == "finished"
    assert (len(record.rows), record.state) == (1, "finished")
    assert served.over.is_set()


def test_killed_before_the_end_was_noted_the_page_is_told_before_the_server_stops(toy):
    from blindtest.session import restored

    record = toy.Memory()
    made, _, visitor = _at_the_last(toy, record)
    visitor.answer(visitor.view())
    sitting = restored(made, record.rows, study="toy", listener="L01")
    later = toy.SittingService(sitting, record=record, samples=toy.samples, rate=toy.RATES.__getitem__)
    assert not later.over.is_set(), "nobody was told yet: a page may still wait with the answer"
    page = toy.Visitor(toy.app(later), cookie=visitor.cookie)
    again = page.event("confirmed", trial=0, attempt=1, values={"1": 10})
    assert again.json["view"]["step"] == "finished"
    assert len(record.rows) == 1
    assert later.over.is_set()


def test_a_server_whose_sitting_is_over_waits_for_its_page_only_so_long(toy):
    opened = toy.open_port()
    waited = threading.Event()
    begun = time.monotonic()
    toy.Server(toy.app(toy.service()), opened).run(until=waited, patience_s=0.5)
    assert 0.5 < time.monotonic() - begun < 10
