"""A response's head and body sent as one: one system call to send it, and whoever waits for it is woken once.

uvicorn writes the two one right after the other, and each would go out by itself.
"""

from asyncio import Transport
from typing import Any

from uvicorn.protocols.http.auto import AutoHTTPProtocol

__all__ = ["JoinedWrites", "JoiningProtocol"]

_BEGINS = b"HTTP/1.1 "
_CONTINUE = b"HTTP/1.1 100 "
"""No response yet: whoever waits for it sends no body before."""


class JoinedWrites:
    """A transport that keeps the head of a response until its body is written, or the response ends without one.

    All else is the transport's own.
    """

    def __init__(self, transport: Transport) -> None:
        self._transport = transport
        self._head = b""

    def write(self, data: bytes) -> None:
        """Send `data`, after the head where one was kept; keep it where it is a head."""
        if self._head:
            data, self._head = self._head + data, b""
        elif data.startswith(_BEGINS) and not data.startswith(_CONTINUE):
            self._head = data
            return
        self._transport.write(data)

    def complete(self) -> None:
        """Send what is kept: the response is complete."""
        if self._head:
            self.write(b"")

    def close(self) -> None:
        """Close when all that was written is sent."""
        self.complete()
        self._transport.close()

    def __getattr__(self, name: str) -> Any:
        return getattr(self._transport, name)


class JoiningProtocol(AutoHTTPProtocol):  # type: ignore[misc, valid-type]
    """uvicorn's protocol for HTTP as it is installed, on a transport that joins what is written."""

    def connection_made(self, transport: Transport) -> None:
        """Begin a connection."""
        super().connection_made(JoinedWrites(transport))

    def on_response_complete(self) -> None:
        """Go on to the next request."""
        self.transport.complete()
        super().on_response_complete()
