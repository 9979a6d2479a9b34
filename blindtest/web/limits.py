"""How much one link may ask for, so that no visitor, page or program can take the server from the others.

A token bucket (RFC 2697's committed burst, without its colours) for each visitor and kind of request. Who is asking is
told by the cookie; no address is kept, not even here. Whoever has no cookie yet, or one that nobody was given, shares
one bucket with all others of whom nothing is known: else a cookie made up anew for each request would be a new visitor,
and nothing limited. Behind a proxy, limits by address are the proxy's (the guide's example has them). Counters live in
memory only.
"""

from collections import OrderedDict
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from hashlib import sha256
from math import ceil

from starlette.requests import Request
from starlette.types import ASGIApp, Receive, Scope, Send

from blindtest.web.heads import cookie_in, head_of
from blindtest.web.languages import language_of
from blindtest.web.replies import problem
from blindtest.words import worded

__all__ = ["LIMITS", "Limit", "Limits"]

_LONGEST = 4096
"""Characters of a field `Cookie` that are looked at."""
_MOST_KEPT = 20_000
"""Buckets kept; the one that was longest unused is given up, and begins full when it comes back."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Limit:
    """So many requests a second on average, and so many at once, under these paths."""

    paths: tuple[str, ...]
    """Beginnings of paths; '' stands for all."""
    per_s: float
    burst: float
    strangers: float = 1.0
    """Times as much for all those together who have no cookie that is known."""


LIMITS: tuple[Limit, ...] = (
    Limit(paths=("/sound/", "/panel/sound/"), per_s=4.0, burst=60.0, strangers=1.0),
    Limit(paths=("/panel/open", "/panel/consent", "/organiser/enter"), per_s=0.5, burst=10.0, strangers=40.0),
    Limit(paths=("/event", "/panel/"), per_s=10.0, burst=60.0, strangers=5.0),
    Limit(paths=("",), per_s=20.0, burst=200.0, strangers=20.0),
)
"""A page asks for some ten files when it opens, for up to twelve sounds a trial, and posts an event for each switch.

The first of them that fits holds. The numbers are ours, chosen well above what a listener's page needs; not measured.
"""


@dataclass(slots=True)
class _Bucket:
    left: float
    at: float


class Limits:
    """An ASGI middleware: answers 429 where a visitor asks for more than their share.

    Parameters
    ----------
    app : what is limited
    clock : seconds, never backwards
    cookies : names of cookies that tell a visitor; the first that is known counts
    known : whether what a cookie holds was given to somebody; must not wait
    language : the study's own, for those who choose none
    """

    def __init__(
        self,
        app: ASGIApp,
        *,
        clock: Callable[[], float],
        cookies: Sequence[str],
        limits: Sequence[Limit] = LIMITS,
        known: Callable[[str], bool] = lambda cookie: True,
        language: str = "",
    ) -> None:
        self.app = app
        self._clock = clock
        self._cookies = tuple(cookies)
        self._limits = tuple(limits)
        self._known = known
        self._language = language
        self._buckets: OrderedDict[tuple[str, int], _Bucket] = OrderedDict()

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass the request on, or say when to come again."""
        if scope["type"] == "http":
            wait_s = self.wait_s(scope["path"], head_of(scope).get(b"cookie", b"").decode("latin-1"))
            if wait_s > 0:
                words = worded("too many requests at once: this page waits and tries again")
                refusal = problem(429, words, language_of(Request(scope), self._language))
                refusal.headers["retry-after"] = str(ceil(wait_s))
                await refusal(scope, receive, send)
                return
        await self.app(scope, receive, send)

    def wait_s(self, path: str, cookies: str) -> float:
        """Count a request; return 0, or after how many seconds one like it would be let through."""
        number, limit = next((place, one) for place, one in enumerate(self._limits) if path.startswith(one.paths))
        who = self._visitor(cookies)
        share = 1.0 if who else limit.strangers
        now = self._clock()
        bucket = self._buckets.pop((who, number), None) or _Bucket(limit.burst * share, now)
        bucket.left = min(limit.burst * share, bucket.left + (now - bucket.at) * limit.per_s * share)
        bucket.at = now
        self._buckets[who, number] = bucket
        if len(self._buckets) > _MOST_KEPT:
            self._buckets.popitem(last=False)
        if bucket.left < 1.0:
            return (1.0 - bucket.left) / (limit.per_s * share)
        bucket.left -= 1.0
        return 0.0

    def _visitor(self, cookies: str) -> str:
        """Return a hash of the cookie that tells this visitor, or '' for a stranger."""
        for name in self._cookies:
            # The look costs a tenth of the reading, and one of the names is hardly ever there.
            if name in cookies and (value := cookie_in(cookies[:_LONGEST], name)) and self._known(value):
                return sha256(value.encode()).hexdigest()[:32]
        return ""
