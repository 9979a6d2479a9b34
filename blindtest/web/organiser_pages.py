"""The organiser's page of a panel: counts and the state of the storage, behind a secret of this start of the server.

No result is ever sent here: who runs a panel and knows how it goes can bend it, by inviting others or by stopping.
"""

from collections.abc import Callable
from functools import partial
from hashlib import sha256
from hmac import compare_digest
from typing import TYPE_CHECKING

from anyio import CapacityLimiter, to_thread
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import HTMLResponse, JSONResponse, Response
from starlette.routing import Route

from blindtest.errors import BlindtestError
from blindtest.web.languages import language_of, said_in, shell
from blindtest.web.replies import problem, token_in
from blindtest.words import worded

if TYPE_CHECKING:
    from blindtest.steps import OpenPanel

__all__ = ["organiser_routes"]

_TITLE = worded("The panel")


def organiser_routes(
    panel: "OpenPanel", *, secret: str, port: str, is_secure: Callable[[Request], bool]
) -> list[Route]:
    """Return the routes of the organiser's page.

    Parameters
    ----------
    panel : open for as long as they are served
    secret : what the link holds behind its '#', drawn anew for each start
    port : of the server: cookies are shared by all ports of a host
    is_secure : whether a request came by https, through the proxy in front
    """
    pages = _OrganiserPages(panel, secret=secret, cookie=f"blindtest-organiser-{port}", is_secure=is_secure)
    return [
        Route("/organiser", pages.shell),
        Route("/organiser/enter", pages.enter, methods=["POST"]),
        Route("/organiser/state", pages.state),
    ]


class _OrganiserPages:
    def __init__(self, panel: "OpenPanel", *, secret: str, cookie: str, is_secure: Callable[[Request], bool]) -> None:
        self._panel = panel
        self._secret = secret
        self._cookie = cookie
        self._is_secure = is_secure
        # One at a time: it writes, and nobody waits for it.
        self._looks = CapacityLimiter(1)

    @property
    def _held(self) -> str:
        """What the cookie holds: a hash, so that the secret itself is sent once."""
        return sha256(b"organiser's cookie " + self._secret.encode()).hexdigest()

    def _name(self, request: Request) -> str:
        return f"__Host-{self._cookie}" if self._is_secure(request) else self._cookie

    def _admits(self, request: Request) -> bool:
        return compare_digest(request.cookies.get(self._name(request), "").encode(), self._held.encode())

    async def shell(self, request: Request) -> Response:
        """Return the page's shell, which shows nothing."""
        return HTMLResponse(shell("organiser.html", language_of(request), _TITLE))

    async def enter(self, request: Request) -> Response:
        """Exchange the secret for a cookie."""
        token = token_in(await request.body())
        if not self._admits(request) and (token is None or not compare_digest(token.encode(), self._secret.encode())):
            return problem(403, worded("this is not the secret of this start of the program"), language_of(request))
        response = JSONResponse({"entered": True})
        response.set_cookie(
            self._name(request), self._held, path="/", httponly=True, samesite="strict", secure=self._is_secure(request)
        )  # fmt: skip
        return response

    async def state(self, request: Request) -> Response:
        """Say how the panel stands."""
        if not self._admits(request):
            raise HTTPException(401)
        try:
            standing = await to_thread.run_sync(partial(self._panel.standing), limiter=self._looks)
        except BlindtestError as wrong:
            # The organiser is the one who can put it right.
            return problem(503, "; ".join(map(str, wrong.faults)), language_of(request))
        return JSONResponse(said_in(language_of(request), standing.to_dict()))
