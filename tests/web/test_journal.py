"""The journal as a middleware: which answers are noted, how long they took, and what it only passes on."""

import asyncio
import json
from datetime import UTC, datetime

import pytest

from blindtest.web import journal


def journalled(tmp_path, monkeypatch, *, status=None, scope=None):
    """Return the lines that a request leaves which `status` answers after 1/4 s, and what the app was given."""
    given = []

    async def app(scope, receive, send):
        given.append(scope["type"])
        if status is None:
            raise RuntimeError("within")
        if scope["type"] == "http":
            await send({"type": "http.response.start", "status": status})

    async def send(_message):
        pass

    times = iter((10.0, 10.25))
    monkeypatch.setattr(journal, "monotonic", lambda: next(times))
    noted = journal.Journal(app, tmp_path / "j", clock=lambda: datetime(2031, 5, 1, 9, 0, 0, 5000, tzinfo=UTC))
    asked = {"type": "http", "method": "GET", "path": "/view", **(scope or {})}
    asyncio.run(noted(asked, None, send))
    return [json.loads(line) for line in (tmp_path / "j").read_text(encoding="utf-8").splitlines()], given


@pytest.mark.parametrize(("status", "lines"), [(200, 0), (399, 0), (400, 1), (503, 1)])
def test_what_was_refused_or_failed_is_noted(tmp_path, monkeypatch, status, lines):
    written, _ = journalled(tmp_path, monkeypatch, status=status)
    line = {"at": "2031-05-01T09:00:00.005+00:00", "method": "GET", "path": "/view", "status": status, "ms": 250.0}
    assert written == [line] * lines


def test_a_handler_that_breaks_is_noted_as_500(tmp_path, monkeypatch):
    with pytest.raises(RuntimeError, match="within"):
        journalled(tmp_path, monkeypatch)
    assert json.loads((tmp_path / "j").read_text(encoding="utf-8"))["status"] == 500


def test_what_is_no_request_is_passed_on(tmp_path, monkeypatch):
    assert journalled(tmp_path, monkeypatch, status=500, scope={"type": "lifespan"}) == ([], ["lifespan"])
