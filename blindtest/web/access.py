"""Who may sit in: a link that works once, exchanged for a cookie.

The link carries its token behind `#`, so that it reaches no server log, no Referer and no prefetching mail or chat
program; the page posts it once and forgets it. The cookie is the study's remembered secret: a browser or server that
was killed finds its way back without a new link.
"""

from dataclasses import dataclass
from hashlib import sha256
from hmac import compare_digest

from starlette.requests import Request
from starlette.responses import Response

__all__ = ["Access"]

_KEPT_S = 30 * 86_400


@dataclass(slots=True, kw_only=True)
class Access:
    """The link's token, which is spent by its first use, and the cookie it is exchanged for."""

    link_token: str
    secret: str
    cookie_name: str
    spent: bool = False

    @property
    def cookie(self) -> str:
        """What the cookie holds: a hash, so that the remembered secret itself never leaves."""
        return sha256(b"listener's cookie " + self.secret.encode()).hexdigest()

    def admits(self, request: Request) -> bool:
        """Return whether the request carries the cookie."""
        return compare_digest(request.cookies.get(self.cookie_name, "").encode(), self.cookie.encode())

    def spend(self, token: str) -> bool:
        """Return whether `token` opens the door; it does so once."""
        if self.spent or not compare_digest(token.encode(), self.link_token.encode()):
            return False
        self.spent = True
        return True

    def give(self, response: Response) -> None:
        """Set the cookie: not for scripts, not for other sites."""
        response.set_cookie(self.cookie_name, self.cookie, max_age=_KEPT_S, httponly=True, samesite="strict", path="/")
