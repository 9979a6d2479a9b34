"""Token buckets, against their definition: never more than burst + rate x time in any stretch of time."""

import json

import anyio
import pytest
from hypothesis import given
from hypothesis import strategies as st
from starlette.applications import Starlette
from starlette.responses import PlainTextResponse
from starlette.routing import Route

from blindtest.web.limits import LIMITS, Limit, Limits


class Clock:
    now = 0.0

    def __call__(self):
        return self.now


def limited(*limits, clock=None):
    app = Starlette(routes=[Route("/{rest:path}", lambda request: PlainTextResponse("here"), methods=["GET", "POST"])])
    return Limits(app, clock=clock or Clock(), cookies=("visit",), limits=limits)


@given(st.lists(st.floats(0, 3), max_size=60), st.floats(0.5, 5), st.integers(1, 10))
def test_in_any_stretch_of_time_no_more_than_burst_and_rate(pauses, rate, burst):
    clock = Clock()
    limits = limited(Limit(paths=("",), per_s=rate, burst=burst), clock=clock)
    let_through = []
    for pause in pauses:
        clock.now += pause
        if limits.wait_s("/x", "visit=a") == 0:
            let_through.append(clock.now)
    for first in range(len(let_through)):
        for last in range(first, len(let_through)):
            stretch = let_through[last] - let_through[first]
            assert last - first + 1 <= burst + rate * stretch + 1e-6


def test_after_the_wait_that_is_told_the_next_one_is_let_through():
    clock = Clock()
    limits = limited(Limit(paths=("",), per_s=0.5, burst=2), clock=clock)
    assert [limits.wait_s("/x", "visit=a") for _ in range(2)] == [0, 0]
    wait = limits.wait_s("/x", "visit=a")
    assert wait == pytest.approx(2.0)
    clock.now += wait
    assert limits.wait_s("/x", "visit=a") == 0


def test_one_visitor_takes_nothing_from_another_nor_from_strangers():
    limits = limited(Limit(paths=("",), per_s=1, burst=3, strangers=2))
    assert [limits.wait_s("/x", "visit=a") > 0 for _ in range(4)] == [False] * 3 + [True]
    assert limits.wait_s("/x", "visit=b") == 0
    assert [limits.wait_s("/x", "other=1") > 0 for _ in range(7)] == [False] * 6 + [True]


def asked(app, path):
    """Ask through ASGI; return status, headers and body."""
    told = {}

    async def send(message):
        told.update(message)

    async def receive():
        return {"type": "http.request", "body": b"", "more_body": False}

    scope = {"type": "http", "method": "GET", "path": path, "query_string": b"", "headers": [(b"cookie", b"visit=a")]}
    anyio.run(app, scope, receive, send)
    return told["status"], dict(told["headers"]), told["body"]


def test_the_answer_is_a_line_and_says_when():
    app = limited(Limit(paths=("/event",), per_s=0.25, burst=1), Limit(paths=("",), per_s=1, burst=9))
    assert asked(app, "/event")[2] == b"here"
    status, headers, body = asked(app, "/event")
    assert (status, headers[b"retry-after"]) == (429, b"4")
    assert json.loads(body) == {"problem": "too many requests at once: this page waits and tries again"}
    assert asked(app, "/static/x.js")[0] == 200
    soon = limited(Limit(paths=("",), per_s=4, burst=1))
    assert asked(soon, "/")[0] == 200
    status, headers, _ = asked(soon, "/")
    assert (status, headers[b"retry-after"]) == (429, b"1"), "whole seconds, RFC 9110, 10.2.3"


def test_memory_is_bounded(monkeypatch):
    monkeypatch.setattr("blindtest.web.limits._MOST_KEPT", 100)
    limits = limited(Limit(paths=("",), per_s=1, burst=3))
    for number in range(1000):
        limits.wait_s("/x", f"visit={number}")
        assert [limits.wait_s("/x", "visit=busy") > 0] == [number >= 3], "who keeps asking is not forgotten"
    assert len(limits._buckets) == 100
    assert limits.wait_s("/x", "visit=busy") > 0
    assert [limits.wait_s("/x", "visit=999") > 0 for _ in range(3)] == [False, False, True], "nor who came last"


def test_every_path_has_a_limit_and_a_long_cookie_is_not_read_whole():
    limits = limited(*LIMITS)
    for path in ("/", "/event", "/sound/abc", "/panel/open", "/panel/consent", "/panel/state", "/static/listen.js"):
        assert limits.wait_s(path, "visit=a") == 0
    # Whoever hides a cookie behind 4 KiB is a stranger, and what is behind costs nobody anything.
    hidden = limited(Limit(paths=("",), per_s=1, burst=1, strangers=2))
    assert [hidden.wait_s("/", "x=" + "y" * 100_000 + "; visit=a") > 0 for _ in range(3)] == [False, False, True]
    assert hidden.wait_s("/", "x=" + "y" * 4000 + "; visit=a") == 0


def test_what_is_left_grows_with_time_up_to_the_burst_and_strangers_have_their_multiple_of_both():
    """The bucket's definition (RFC 2697, 3): full at first, filled at the rate, never above the burst."""
    clock = Clock()
    limits = limited(Limit(paths=("/a", "/b"), per_s=2, burst=3, strangers=4), clock=clock)
    for who, share in (("visit=a", 1), ("", 4)):
        for stretch in (0.0, 1000.0):
            clock.now += stretch
            assert [limits.wait_s("/a", who) > 0 for _ in range(3 * share + 1)] == [False] * 3 * share + [True]
        assert limits.wait_s("/b", who) == pytest.approx(0.5 / share)
        clock.now += 0.5 / share
        assert [limits.wait_s("/b", who) for _ in range(2)] == [0, pytest.approx(0.5 / share)]
        clock.now += 0.125 / share
        assert limits.wait_s("/a", who) == pytest.approx(0.375 / share), "a quarter of one is there already"


def test_the_first_known_cookie_tells_who_it_is_and_one_made_up_tells_nothing():
    own = Limits(
        limited().app, clock=Clock(), cookies=("first", "second"), known=lambda cookie: cookie != "made up",
        limits=(Limit(paths=("",), per_s=1, burst=1),),
    )  # fmt: skip
    assert own.wait_s("/", "second=b; first=a") == 0
    assert own.wait_s("/", "first=a") > 0
    assert own.wait_s("/", "first=made up; second=b") == 0
    assert own.wait_s("/", "second=b") > 0
    assert own.wait_s("/", "first=made up") == 0
    assert own.wait_s("/", "second=made up") > 0
    assert own.wait_s("/", "") > 0


def test_what_is_not_http_passes():
    seen = []

    async def inner(scope, receive, send):
        seen.append(scope["type"])

    anyio.run(Limits(inner, clock=Clock(), cookies=("visit",)), {"type": "lifespan"}, None, None)
    assert seen == ["lifespan"]
