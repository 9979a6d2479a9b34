"""What stands before every handler: who may ask, how much, and with which headers every answer leaves.

A page of any other site can make a browser send requests to 127.0.0.1, or point its own name at that address (DNS
rebinding). So Host must be one of ours; whatever changes something must come from our own page (Origin, RFC 6454;
Fetch Metadata, W3C) as JSON, which a foreign form cannot send; and the cookie is SameSite=Strict.
"""

from collections.abc import Collection, Mapping

from starlette.responses import JSONResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from blindtest.web.heads import head_of

__all__ = ["LARGEST_BODY", "SECURITY_HEADERS", "Guard", "TooLarge"]

LARGEST_BODY = 65_536
"""Bytes; the largest event a page sends is an answer of some hundred bytes."""

_POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; worker-src 'self'; "
    "base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
)
SECURITY_HEADERS = {
    "cache-control": "no-store",
    "content-security-policy": _POLICY,
    "cross-origin-embedder-policy": "require-corp",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "permissions-policy": "camera=(), geolocation=(), microphone=()",
    "referrer-policy": "no-referrer",
    "x-content-type-options": "nosniff",
    "x-frame-options": "DENY",
}
"""On every response, the same for all."""
HSTS = "max-age=31536000"
"""Where the page is reached by https: a year, RFC 6797."""
_OURS = {name.encode(): value.encode() for name, value in SECURITY_HEADERS.items()}
_HSTS_SENT = ((b"strict-transport-security", HSTS.encode()),)


class TooLarge(Exception):
    """The body is longer than `LARGEST_BODY`; raised while a handler reads it."""


class Guard:
    """An ASGI middleware: refuses what does not come from our page, and sets the headers of all responses."""

    def __init__(self, app: ASGIApp, *, hosts: Collection[str], secure_hosts: Collection[str] = ()) -> None:
        self.app = app
        self.hosts = frozenset(host.lower() for host in (*hosts, *secure_hosts))
        self.origins = {f"http://{host.lower()}" for host in hosts}
        # Behind a proxy that speaks TLS: there the page's own address begins with https.
        self.origins |= {f"https://{host.lower()}" for host in secure_hosts}
        self.secure = frozenset(host.lower() for host in secure_hosts)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass a permitted request on, answer any other."""
        if scope["type"] == "lifespan":
            await self.app(scope, receive, send)
            return
        if scope["type"] != "http":
            return
        taken = 0
        head = head_of(scope)
        host = head.get(b"host", b"").decode("latin-1").lower()
        secure = host in self.secure

        async def guarded_send(message: Message) -> None:
            if message["type"] == "http.response.start":
                kept = [(name, value) for name, value in message["headers"] if name not in _OURS]
                message["headers"] = [*kept, *_OURS.items(), *(_HSTS_SENT if secure else ())]
            await send(message)

        async def limited_receive() -> Message:
            nonlocal taken
            message = await receive()
            taken += len(message.get("body", b""))
            if taken > LARGEST_BODY:
                raise TooLarge
            return message

        once = [name for name, _ in scope["headers"]].count(b"host") == 1
        refusal = self._refusal(scope["method"], scope["path"], host if once else "", head)
        if refusal is not None:
            await refusal(scope, receive, guarded_send)
            return
        await self.app(scope, limited_receive, guarded_send)

    def _refusal(self, method: str, path: str, host: str, head: Mapping[bytes, bytes]) -> JSONResponse | None:
        if host not in self.hosts:
            return _refused(421, "this address is not served here")
        if head.get(b"sec-fetch-site", b"none") not in (b"same-origin", b"none") and path != "/":
            return _refused(403, "only the listener's own page may ask for this")
        if method in ("GET", "HEAD"):
            return None
        if method != "POST":
            return _refused(405, "this is not done here")
        origin = head.get(b"origin", b"").decode("latin-1").lower()
        if origin not in self.origins or origin.partition("://")[2] != host:
            return _refused(403, "only the listener's own page may send this")
        if head.get(b"content-type", b"").partition(b";")[0].strip().lower() != b"application/json":
            return _refused(415, "events are sent as JSON")
        length = head.get(b"content-length", b"0")
        if not length.isdigit() or int(length[:12]) > LARGEST_BODY:
            return _refused(413, "the request is too large")
        return None


def _refused(status: int, problem: str) -> JSONResponse:
    return JSONResponse({"problem": problem}, status_code=status)
