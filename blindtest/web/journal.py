"""What was refused or failed, a line of JSON each, for whoever runs the server: when, what for, how it was answered.

Nothing of who asked: no address, cookie, link, body or browser's name; and of a path only its kind, since what
stands behind it is a token. A line is built by the JSON encoder, so that nothing asked for can end it early.
"""

import json
import logging
from collections.abc import Callable
from datetime import datetime
from pathlib import Path
from time import monotonic

from starlette.types import ASGIApp, Message, Receive, Scope, Send

from blindtest.errors import BlindtestError, Fault

__all__ = ["Journal"]

NOTED_FROM = 400
"""The lowest status that is noted."""
KINDS = ("/panel/sound/", "/sound/", "/static/")
"""Beginnings of paths behind which a name or token stands."""
KNOWN = frozenset(
    ("/", "/sitting", "/facts", "/view", "/event", "/language", "/panel/open", "/panel/consent", "/panel/state",
     "/panel/step", "/panel/begin", "/panel/withdraw", "/organiser")
)  # fmt: skip
_log = logging.getLogger("blindtest.web")


class Journal:
    """An ASGI middleware that notes what was answered with an error."""

    def __init__(self, app: ASGIApp, path: Path, *, clock: Callable[[], datetime]) -> None:
        self.app = app
        self._clock = clock
        try:
            self._file = path.open("a", encoding="utf-8", buffering=1)
        except OSError as reason:
            raise BlindtestError(
                Fault(
                    problem=f"the journal can't be written: {reason.strerror or reason}",
                    file=str(path),
                    key="--journal",
                    remedy="name another file",
                )
            ) from reason

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass the request on; note how it was answered."""
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        begun, status = monotonic(), 500

        async def noted_send(message: Message) -> None:
            nonlocal status
            if message["type"] == "http.response.start":
                status = message["status"]
            await send(message)

        try:
            await self.app(scope, receive, noted_send)
        finally:
            if status >= NOTED_FROM:
                self._note(scope["method"], scope["path"], status, monotonic() - begun)

    def _note(self, method: str, path: str, status: int, seconds: float) -> None:
        kind = next((one for one in KINDS if path.startswith(one)), path if path in KNOWN else "other")
        line = {
            "at": self._clock().isoformat(timespec="milliseconds"),
            "method": method if method in ("GET", "HEAD", "POST") else "other",
            "path": kind,
            "status": status,
            "ms": round(1000 * seconds, 1),
        }
        try:
            self._file.write(json.dumps(line) + "\n")
        except OSError:
            _log.error("the journal can't be written any more")
