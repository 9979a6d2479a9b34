"""The operator's page: routes and handlers, an application of its own on a port of its own.

It shares no route and no cookie with the listener's page, so that neither can show what belongs to the other.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Protocol

from pydantic import BaseModel, ConfigDict, Field, ValidationError
from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import HTMLResponse, JSONResponse, Response
from starlette.routing import Route
from starlette.types import ASGIApp

from blindtest.session import OutOfTurn
from blindtest.web.access import Access
from blindtest.web.app import NotStored
from blindtest.web.guard import Guard
from blindtest.web.languages import choose_language, language_of, shell
from blindtest.web.replies import plain_handlers, problem, static_files, token_in
from blindtest.words import worded

__all__ = ["OperatorService", "make_operator_app"]

_TITLE = worded("What to connect")
_STATIC = ("listen.css", "icon.svg", "element.js", "languages.js", "operator.js", "words.js")


class OperatorService(Protocol):
    """A sitting as its operator sees it. Methods block and may be called from any thread."""

    def task(self) -> Mapping[str, Any]:
        """Return what to connect now, as JSON holds it."""

    def connected(self, number: int) -> Mapping[str, Any]:
        """Take it that a connection was made and return what is shown then.

        Raises
        ------
        OutOfTurn
            Another one is asked for now.
        NotStored
            It could not be put on record.
        """

    def mistaken(self, number: int) -> Mapping[str, Any]:
        """Take it that a connection was wrong; raises as `connected`."""


class _Said(BaseModel):
    """What the operator says, and of which connection."""

    model_config = ConfigDict(extra="forbid", strict=True)
    number: int = Field(ge=1, le=10**9)


def make_operator_app(
    service: OperatorService, *, hosts: tuple[str, ...], link_token: str, cookie_secret: str, language: str = ""
) -> ASGIApp:
    """Return the ASGI application of the operator's page; see `make_app` for the parameters."""
    access = Access(
        link_token=link_token, secret=cookie_secret, cookie_name=f"blindtest-operator-{hosts[0].rpartition(':')[2]}"
    )
    page = _Handlers(service=service, access=access, language=language)
    routed = Starlette(
        routes=[
            Route("/", page.shell),
            Route("/static/{name}", page.static),
            Route("/enter", page.enter, methods=["POST"]),
            Route("/language", choose_language, methods=["POST"]),
            Route("/task", page.task),
            Route("/connected", page.connected, methods=["POST"]),
            Route("/mistaken", page.mistaken, methods=["POST"]),
        ],
        exception_handlers=plain_handlers(language),
    )
    routed.router.redirect_slashes = False
    return Guard(routed, hosts=hosts)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Handlers:
    service: OperatorService
    access: Access
    language: str

    async def shell(self, request: Request) -> Response:
        return HTMLResponse(shell("operator.html", language_of(request, self.language), _TITLE))

    async def static(self, request: Request) -> Response:
        name = request.path_params["name"]
        if name not in _STATIC:
            raise HTTPException(404)
        body, media_type = static_files()[name]
        return Response(body, headers={"content-type": media_type})

    async def enter(self, request: Request) -> Response:
        token = token_in(await request.body())
        if not self.access.admits(request) and (token is None or not self.access.spend(token)):
            used = worded("this link was used already, or belongs to an earlier start of the program")
            return problem(403, used, language_of(request, self.language))
        response = JSONResponse({"entered": True})
        self.access.give(response)
        return response

    async def task(self, request: Request) -> Response:
        self._admit(request)
        return JSONResponse(dict(await run_in_threadpool(self.service.task)))

    async def connected(self, request: Request) -> Response:
        return await self._said(request, self.service.connected)

    async def mistaken(self, request: Request) -> Response:
        return await self._said(request, self.service.mistaken)

    async def _said(self, request: Request, taken: Any) -> Response:
        self._admit(request)
        try:
            said = _Said.model_validate_json(await request.body())
        except ValidationError as wrong:
            return problem(422, f"this is not understood: {wrong.errors(include_url=False)[0]['msg']}")
        try:
            return JSONResponse(dict(await run_in_threadpool(taken, said.number)))
        except OutOfTurn as wrong:
            return problem(409, wrong.faults[0].problem, language_of(request, self.language))
        except NotStored:
            told = worded("this could not be stored yet: say it again")
            return problem(503, told, language_of(request, self.language))

    def _admit(self, request: Request) -> None:
        if not self.access.admits(request):
            raise HTTPException(401)
