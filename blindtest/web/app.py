"""The listener's page: routes and handlers.

A handler reads as *parse, call, render*. What a listener may see is decided elsewhere: `ListeningService.view`
returns it as JSON, and sound goes by another route, from token to bytes. Nothing that varies with the content is ever
added here: no Date, ETag, Last-Modified, range or compression, and all slots leave with equal headers.
"""

import logging
from collections.abc import AsyncIterator, Callable, Mapping
from contextlib import AbstractAsyncContextManager, asynccontextmanager
from dataclasses import asdict, dataclass
from datetime import datetime
from typing import Any, Protocol

from pydantic import BaseModel, ConfigDict, Field, JsonValue, ValidationError
from pydantic_core import from_json
from starlette.applications import Starlette
from starlette.background import BackgroundTask
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import HTMLResponse, JSONResponse, Response
from starlette.routing import Route
from starlette.types import ASGIApp

from blindtest.errors import BlindtestError
from blindtest.session import Confirmed, Event, OutOfTurn, event_from_dict
from blindtest.web.access import Access
from blindtest.web.device_desk import PlayerOrder
from blindtest.web.guard import Guard
from blindtest.web.languages import choose_language, language_of, said_in, shell
from blindtest.web.replies import Json, plain_handlers, problem, static_files, token_in
from blindtest.words import worded

__all__ = ["TITLE", "Facts", "ListeningPages", "ListeningService", "NotStored", "make_app"]

_log = logging.getLogger("blindtest.web")
TITLE = worded("Listening test")


@dataclass(frozen=True, slots=True, kw_only=True)
class Facts:
    """What the page says before the first sound; the same whatever the trials hold."""

    level: str | None = None
    """The level this sitting will have, in words ('about 72 dB(A) ...'); None where drive data are missing."""
    level_note: str = ""
    """What that level rests on, in sentences."""
    full_dba: float | None = None
    """The same as a number, dB(A) with the volume at 0 dB: the page shows what its setting comes to."""
    most_gain_db: float = 0.0
    """The page's volume goes no higher."""
    consent: str = ""
    """What the listener agrees to before the first question; empty where nothing was asked for."""
    device: str = ""
    """The sound device that plays, in words; empty where the browser does."""
    switch_s: float | None = None
    """Where somebody connects real units: seconds from what is selected to its sound; else None."""
    warnings: tuple[str, ...] = ()
    """What is known of that device that a listener should know."""
    noise: bool = False
    """Whether the level is set by a noise as loud as the programme, and not by the programme."""
    then: str = ""
    """Where the page goes when the sitting is over; empty where it stays."""


class _EventBody(BaseModel):
    """What the page posts: an event, and the sitting it belongs to, lest a page left open answers another sitting."""

    model_config = ConfigDict(extra="forbid", strict=True)
    sitting: str = Field(max_length=100)
    event: dict[str, JsonValue]


class NotStored(BlindtestError):
    """An event is right but could not be made durable: the page keeps it and sends it again."""


class ListeningService(Protocol):
    """A sitting as the page sees it. Methods block and may be called from any thread."""

    @property
    def sitting(self) -> str:
        """A name of this sitting that says nothing: the page keeps unsent answers under it."""

    def facts(self) -> Facts:
        """Return what is said before the first sound."""

    def view(self) -> Mapping[str, Any]:
        """Return what the listener may see now, as JSON holds it."""

    def handle(self, event: Event) -> Mapping[str, Any]:
        """Take an event and return the new view; an answer is durable before this returns.

        Raises
        ------
        OutOfTurn
            The event came too late, or from another tab; nothing was recorded.
        NotStored
            It could not be made durable.
        BlindtestError
            It is not an event of this sitting at all.
        """

    def spoken(self, language: str) -> None:
        """Take it that an answer was given to a page in this language; never raises."""

    def speaks(self, language: str) -> bool:
        """Return whether that is on record already; never waits."""

    def sound(self, token: str) -> bytes | None:
        """Return the WAV behind a token that the view shows now, or None."""

    def connection(self, token: str) -> Mapping[str, bool] | None:
        """Ask for the connection of what sounds under `token`: 'ready' once it may sound.

        None where nobody connects anything, or the token is none of the trial in hand.
        """

    def order(self, order: PlayerOrder) -> Mapping[str, Any] | None:
        """Hand an order to the sound device and return what may be known of it; None where the browser plays.

        Raises
        ------
        BlindtestError
            It fits nothing that is loaded, or the device does not go on.
        """


def make_app(
    service: ListeningService,
    *,
    clock: Callable[[], datetime],
    hosts: tuple[str, ...],
    link_token: str,
    cookie_secret: str,
    language: str = "",
) -> ASGIApp:
    """Return the ASGI application of one sitting.

    Parameters
    ----------
    service : the sitting
    clock : returns the present time, with its zone; events are stamped with it
    hosts : values of the Host header that are served, see `hosts_of`
    link_token : the token of the link, drawn anew for each run of the server
    cookie_secret : the study's secret, remembered between runs, so that a listener comes back without a new link
    language : the study's own, for those who choose none; '' to follow the browser
    """
    # Cookies are shared by all ports of a host: the name keeps two studies on one machine apart.
    access = Access(link_token=link_token, secret=cookie_secret, cookie_name=f"blindtest-{hosts[0].rpartition(':')[2]}")
    page = _OneSitting(service=service, clock=clock, access=access, language=language)
    routed = Starlette(
        routes=[
            Route("/", page.shell),
            Route("/static/{name}", page.static),
            Route("/enter", page.enter, methods=["POST"]),
            Route("/language", choose_language, methods=["POST"]),
            Route("/facts", page.facts),
            Route("/view", page.view),
            Route("/event", page.event, methods=["POST"]),
            Route("/sound/{token}", page.sound),
            Route("/player", page.player, methods=["POST"]),
            Route("/connection", page.connection, methods=["POST"]),
        ],
        exception_handlers=plain_handlers(language),
    )
    routed.router.redirect_slashes = False
    # Outermost, so that also what the framework itself answers leaves with our headers.
    return Guard(routed, hosts=hosts)


class ListeningPages:
    """Handlers of a sitting's page; whose sitting it is, `admitted` says.

    Parameters
    ----------
    clock : returns the present time, with its zone; events are stamped with it
    language : the study's own, for those who choose none; '' to follow the browser
    """

    def __init__(self, clock: Callable[[], datetime], language: str = "") -> None:
        self.clock = clock
        self.language = language

    def language_of(self, request: Request) -> str:
        """Return the language in which a request is answered."""
        return language_of(request, self.language)

    def said(self, request: Request, held: Mapping[str, Any], status: int = 200) -> Response:
        """Return what is held as JSON, its words in the language of the request."""
        return Json(said_in(self.language_of(request), held), status_code=status)

    def admitted(self, request: Request) -> AbstractAsyncContextManager[ListeningService]:
        """Give the sitting that the request is of; HTTPException 401 where there is none."""
        raise NotImplementedError

    async def shell(self, request: Request) -> Response:
        """Return the page's shell."""
        return HTMLResponse(shell("listen.html", self.language_of(request), TITLE))

    async def static(self, request: Request) -> Response:
        """Return a script, style or icon."""
        found = static_files().get(request.path_params["name"])
        if found is None:
            raise HTTPException(404)
        body, media_type = found
        return Response(body, headers={"content-type": media_type})

    async def facts(self, request: Request) -> Response:
        """Return what is said before the first sound."""
        async with self.admitted(request) as service:
            return self.said(request, {"sitting": service.sitting, "facts": asdict(service.facts())})

    async def view(self, request: Request) -> Response:
        """Return what may be seen now."""
        async with self.admitted(request) as service:
            return self._shown(request, service, await run_in_threadpool(service.view))

    async def event(self, request: Request) -> Response:
        """Take an event of the page."""
        async with self.admitted(request) as service:
            try:
                body = _EventBody.model_validate(from_json(await request.body(), allow_inf_nan=False))
                event = event_from_dict(body.event, at=self.clock())
            except ValidationError as wrong:
                return problem(422, f"this is not an event: {wrong.errors(include_url=False)[0]['msg']}")
            except ValueError:
                return problem(422, worded("this is not JSON"), self.language_of(request))
            except BlindtestError as wrong:
                return problem(422, str(wrong))
            if body.sitting != service.sitting:
                another = worded("this page was opened for another sitting")
                return await self._out_of_turn(request, service, another, worded("reload the page"))
            return await self._handled(request, service, event)

    async def _handled(self, request: Request, service: ListeningService, event: Event) -> Response:
        try:
            view = await self.handle(service, event)
        except OutOfTurn as wrong:
            return await self._out_of_turn(request, service, wrong.faults[0].problem, wrong.faults[0].remedy)
        except NotStored as wrong:
            # Said in full to the organiser only: a storage fault names files and places.
            _log.error("an event could not be stored: %s", wrong)
            return problem(503, worded("this could not be stored yet"), self.language_of(request))
        except BlindtestError as wrong:
            return problem(422, str(wrong))
        response = self._shown(request, service, view)
        language = self.language_of(request)
        if isinstance(event, Confirmed) and not service.speaks(language):
            # The answer is durable and acknowledged: what is beside it keeps nobody waiting.
            response.background = BackgroundTask(service.spoken, language)
        return response

    async def handle(self, service: ListeningService, event: Event) -> Mapping[str, Any]:
        """Have a sitting take an event; see `ListeningService.handle`."""
        return await run_in_threadpool(service.handle, event)

    def _shown(self, request: Request, service: ListeningService, view: Mapping[str, Any]) -> Response:
        return self.said(request, {"sitting": service.sitting, "view": view})

    async def _out_of_turn(self, request: Request, service: ListeningService, problem: str, remedy: str) -> Response:
        view = await run_in_threadpool(service.view)
        told = {"problem": problem, "remedy": remedy, "sitting": service.sitting, "view": dict(view)}
        return self.said(request, told, 409)

    async def sound(self, request: Request) -> Response:
        """Return the sound behind a token."""
        async with self.admitted(request) as service:
            sound = await run_in_threadpool(service.sound, request.path_params["token"])
        if sound is None:
            raise HTTPException(404)
        return Response(sound, headers={"content-type": "audio/wav"})

    async def player(self, request: Request) -> Response:
        """Hand an order of the page to the sound device."""
        async with self.admitted(request) as service:
            try:
                order = PlayerOrder.model_validate_json(await request.body())
            except ValidationError as wrong:
                return problem(422, f"this is not an order: {wrong.errors(include_url=False)[0]['msg']}")
            try:
                told = await run_in_threadpool(service.order, order)
            except BlindtestError as wrong:
                return problem(422, str(wrong))
        if told is None:
            raise HTTPException(404)
        return JSONResponse(dict(told))

    async def connection(self, request: Request) -> Response:
        """Ask for a unit to be connected; told is only whether it may sound."""
        async with self.admitted(request) as service:
            token = token_in(await request.body())
            told = None if token is None else await run_in_threadpool(service.connection, token)
        if told is None:
            raise HTTPException(404)
        return JSONResponse(dict(told))


class _OneSitting(ListeningPages):
    def __init__(
        self, *, service: ListeningService, clock: Callable[[], datetime], access: Access, language: str
    ) -> None:
        super().__init__(clock, language)
        self.service = service
        self.access = access

    @asynccontextmanager
    async def admitted(self, request: Request) -> AsyncIterator[ListeningService]:
        if not self.access.admits(request):
            raise HTTPException(401)
        yield self.service

    async def enter(self, request: Request) -> Response:
        """Exchange the link's token for the cookie. Who has the cookie already is let in."""
        token = token_in(await request.body())
        if not self.access.admits(request) and (token is None or not self.access.spend(token)):
            used = worded("this link was used already, or belongs to an earlier start of the program")
            return problem(403, used, self.language_of(request))
        response = JSONResponse({"entered": True})
        self.access.give(response)
        return response
