"""A panel's pages: from the link to the thanks, and between them the page of a sitting, each listener by a cookie.

Whatever blocks runs in threads of which there is a limited number: answers do not wait for sounds that are made.
"""

from asyncio import Task, create_task, wrap_future
from collections.abc import Awaitable, Callable, Mapping, Sequence
from contextlib import AbstractAsyncContextManager, suppress
from functools import partial
from time import monotonic
from typing import Any, TypeVar

from anyio import CapacityLimiter, to_thread
from pydantic import BaseModel, ConfigDict, Field, JsonValue, ValidationError
from starlette.applications import Starlette
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import HTMLResponse, Response
from starlette.routing import Route
from starlette.types import ASGIApp, Receive, Scope, Send

from blindtest.errors import BlindtestError, Missing
from blindtest.session import Event
from blindtest.steps import Admitted, OpenPanel
from blindtest.web.app import TITLE, ListeningPages, ListeningService
from blindtest.web.guard import Guard
from blindtest.web.heads import cookie_in
from blindtest.web.languages import choose_language, shell
from blindtest.web.limits import Limit, Limits
from blindtest.web.panel_services import PanelServices, Using
from blindtest.web.replies import plain_handlers, problem
from blindtest.web.sitting_service import SittingService
from blindtest.words import listed, worded

__all__ = ["make_panel_app"]

T = TypeVar("T")
_KEPT_S = 366 * 86_400
_SOUNDS_AT_ONCE = 4
"""Sounds that are made at once: each holds a whole stimulus in memory."""
_WAITING_AT_ONCE = 100
"""Requests that wait for sounds which are being laid down: in threads of their own, so that nobody else waits."""


class _EventsFirst:
    """Hands events to their handler before any routing: most requests are events, and each would go through it all."""

    def __init__(
        self,
        app: ASGIApp,
        handle: Callable[[Request], Awaitable[Response]],
        problems: Mapping[Any, Callable[..., Awaitable[Response]]],
    ) -> None:
        self._app = app
        self._handle = handle
        self._problems = problems

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer an event, pass anything else on."""
        if scope["type"] != "http" or scope["path"] != "/event" or scope["method"] != "POST":
            await self._app(scope, receive, send)
            return
        request = Request(scope, receive, send)
        try:
            response = await self._handle(request)
        except Exception as fault:
            kind = next(kind for kind in type(fault).__mro__ if kind in self._problems)
            await (await self._problems[kind](request, fault))(scope, receive, send)
            if kind is Exception:
                raise  # for the log of whoever runs the server
            return
        await response(scope, receive, send)


class _LinkBody(BaseModel):
    """What a link holds behind its '#'; empty where the page was opened without."""

    model_config = ConfigDict(extra="forbid", strict=True)
    token: str = Field(max_length=100, pattern=r"^[A-Za-z0-9_-]*$")


class _ConsentBody(_LinkBody):
    """A listener agrees to the text of this hash."""

    consent_sha256: str = Field(pattern=r"^[0-9a-f]{64}$")
    browser: str = Field("", max_length=100, pattern=r"^([A-Za-z0-9_-]{22,})?$")
    """What the page drew before it sent this; sent again, it is the same consent."""


class _StepBody(BaseModel):
    """What a listener did in a step before the sitting."""

    model_config = ConfigDict(extra="forbid", strict=True)
    step: str = Field(max_length=40)
    values: dict[str, JsonValue]


class _NothingBody(BaseModel):
    """Nothing: the cookie says it all."""

    model_config = ConfigDict(extra="forbid", strict=True)


B = TypeVar("B", bound=BaseModel)


def make_panel_app(
    panel: OpenPanel,
    *,
    hosts: Sequence[str],
    secure_hosts: Sequence[str] = (),
    services: PanelServices | None = None,
    further: Sequence[Route] = (),
    limits: Sequence[Limit] = (),
    laid_at: str = "",
) -> ASGIApp:
    """Return the ASGI application of a panel.

    Parameters
    ----------
    panel : open for as long as the application is served
    hosts : values of the Host header that are served over http, the first that of the port; see `hosts_of`
    secure_hosts : those under which a proxy serves it over https
    services : the sittings in memory
    further : routes beside those for listeners
    limits : how much one listener may ask for; () for any
    laid_at : where the web server in front finds the folder of laid sounds, as X-Accel-Redirect names it; '' where this
        program sends them
    """
    pages = _PanelPages(
        panel, services or PanelServices(panel), port=hosts[0].rpartition(":")[2], secure=secure_hosts, laid_at=laid_at
    )  # fmt: skip
    handlers = plain_handlers(panel.study.listeners.language)
    routed = Starlette(
        routes=[
            # The first that fits is taken, and most requests by far are events and sounds.
            Route("/event", pages.event, methods=["POST"]),
            Route("/sound/{token}", pages.sound),
            Route("/", pages.door),
            Route("/sitting", pages.sitting),
            Route("/static/{name}", pages.static),
            Route("/language", choose_language, methods=["POST"]),
            Route("/panel/open", pages.opened, methods=["POST"]),
            Route("/panel/consent", pages.consent, methods=["POST"]),
            Route("/panel/state", pages.state),
            Route("/panel/step", pages.step, methods=["POST"]),
            Route("/panel/sound/{token}", pages.step_sound),
            Route("/panel/begin", pages.begin, methods=["POST"]),
            Route("/panel/withdraw", pages.withdraw, methods=["POST"]),
            Route("/facts", pages.facts),
            Route("/view", pages.view),
            *further,
        ],
        exception_handlers=handlers,
    )
    routed.router.redirect_slashes = False
    app: ASGIApp = _EventsFirst(routed, pages.event, handlers)
    if limits:
        app = Limits(
            app,
            clock=monotonic,
            known=lambda session: pages.is_known(session),
            cookies=(pages.secure_cookie, pages.cookie),
            limits=limits,
            language=panel.study.listeners.language,
        )
    return Guard(app, hosts=hosts, secure_hosts=secure_hosts)


class _PanelPages(ListeningPages):
    def __init__(
        self, panel: OpenPanel, services: PanelServices, *, port: str, secure: Sequence[str], laid_at: str
    ) -> None:
        super().__init__(panel.clock, panel.study.listeners.language)
        self._panel = panel
        self._services = services
        # Cookies are shared by all ports of a host.
        self.cookie = f"blindtest-panel-{port}"
        # A browser takes a name that begins so from this very host alone, and by https.
        self.secure_cookie = f"__Host-{self.cookie}"
        self._laid_at = laid_at
        self._secure = frozenset(host.lower() for host in secure)
        self._renewing: Task[None] | None = None
        self._answers = CapacityLimiter(40)
        self._sounds = CapacityLimiter(_SOUNDS_AT_ONCE)
        self._places = CapacityLimiter(_WAITING_AT_ONCE)

    def is_known(self, session: str) -> bool:
        """Return whether a cookie is that of a listener who was looked up; never waits."""
        return self._services.was_known(session)

    async def work(self, job: Callable[[], T]) -> T:
        """Run what blocks in one of the threads for answers."""
        return await to_thread.run_sync(job, limiter=self._answers)

    def admitted(self, request: Request) -> AbstractAsyncContextManager[ListeningService]:
        """Give the sitting of the listener whose cookie it is."""
        return _Admission(self, request)

    async def using(self, request: Request) -> tuple[Using, SittingService | None]:
        """Take the sitting of the listener whose cookie it is; it is in use until the first of the two is left."""
        listener = await self._listener(request)
        using = self._services.using(listener, language=self.language_of(request))
        # A thread costs more than most events do: what need not wait goes without one.
        at_hand = self._services.at_hand(listener)
        return using, using.__enter__() if at_hand else await self.work(using.__enter__)

    async def handle(self, service: ListeningService, event: Event) -> Mapping[str, Any]:
        """Have a sitting take an event: here where it takes no time, or where only the commit is waited for.

        A thread costs more than most events do, and hundreds that wait for one commit get in each other's way.
        """
        if isinstance(service, SittingService):
            if service.is_quick(event):
                return service.handle(event)
            with service.storing(event) as storing:
                if storing is not None:
                    await wrap_future(storing.durable)
            if storing is not None:
                return storing.view
        return await super().handle(service, event)

    async def event(self, request: Request) -> Response:
        """Take an event; where its sitting has ended on record meanwhile, say so instead of asking for it again."""
        response = await super().event(request)
        if response.status_code == 503:
            listener = await self._listener(request)
            try:
                goes_on = await self.work(partial(self._panel.goes_on, listener))
            except BlindtestError:
                # The storage itself is away: the page keeps what it has and comes again.
                return response
            if not goes_on:
                self._services.drop(listener)
                self._services.forget_sessions(listener)
                raise HTTPException(401)
        return response

    async def sound(self, request: Request) -> Response:
        """Return the sound behind a token; it is made now, by one of few threads."""
        token = request.path_params["token"]
        async with self.admitted(request) as service:
            if self._laid_at and isinstance(service, SittingService):
                place = await to_thread.run_sync(partial(service.place, token), limiter=self._places)
                if place is not None:
                    # The web server in front sends the file; its length and headers are alike for all.
                    told = {"x-accel-redirect": self._laid_at + place, "content-type": "audio/wav"}
                    return Response(headers=told)
            return _wav(await to_thread.run_sync(partial(service.sound, token), limiter=self._sounds))

    async def door(self, request: Request) -> Response:
        """Return the shell of the pages before and after the sitting."""
        return HTMLResponse(shell("panel.html", self.language_of(request), TITLE))

    async def sitting(self, request: Request) -> Response:
        """Return the shell of the listener's page."""
        return HTMLResponse(shell("listen.html", self.language_of(request), TITLE, inside="panel"))

    async def opened(self, request: Request) -> Response:
        """Say what a link leads to."""
        body = await _body(request, _LinkBody)
        if body is None:
            return problem(422, worded("this is not a link of a panel"), self.language_of(request))
        found = await self.work(partial(self._panel.opened, body.token, self._session(request)))
        response = self.said(request, found.state)
        if found.session is not None:
            listener = await self.work(partial(self._panel.listener_of, found.session))
            if listener is not None:
                # Restored from the record, the sitting has its level set anew: this may be other equipment.
                self._services.drop(listener)
                self._services.forget_sessions(listener)
            self._give(request, response, found.session)
        return response

    async def consent(self, request: Request) -> Response:
        """Take a listener's consent; before it nothing is stored."""
        body = await _body(request, _ConsentBody)
        if body is None:
            return problem(422, worded("this is not a consent"), self.language_of(request))
        try:
            job = partial(
                self._panel.agreed, body.token, body.consent_sha256, self._session(request), browser=body.browser
            )
            came = await self.work(job)
        except Missing:
            raise
        except BlindtestError as wrong:
            return problem(409, _problems(wrong), self.language_of(request))
        if not isinstance(came, Admitted):
            return self.said(request, came)
        if came.again:
            self._services.forget_sessions(came.listener)
        state = await self.work(partial(self._panel.state, came.listener))
        response = self.said(request, {**state, "resume": came.resume})
        self._give(request, response, came.session)
        return response

    async def state(self, request: Request) -> Response:
        """Say where a listener is."""
        listener = await self._listener(request)
        return self.said(request, await self.work(partial(self._panel.state, listener)))

    async def step(self, request: Request) -> Response:
        """Take what a listener did in a step before the sitting."""
        listener = await self._listener(request)
        body = await _body(request, _StepBody)
        if body is None:
            return problem(422, worded("this is not what a step asks for"), self.language_of(request))
        return await self._told(request, partial(self._panel.take, listener, body.step, body.values))

    async def step_sound(self, request: Request) -> Response:
        """Return what a step before the sitting plays."""
        listener = await self._listener(request)
        job = partial(self._panel.step_sound, listener, request.path_params["token"])
        return _wav(await to_thread.run_sync(job, limiter=self._sounds))

    async def begin(self, request: Request) -> Response:
        """Begin a sitting, or go on with the one that is open."""
        listener = await self._listener(request)
        if await _body(request, _NothingBody) is None:
            return problem(422, worded("nothing is to be sent with this"), self.language_of(request))

        language = self.language_of(request)

        def begun() -> Mapping[str, Any]:
            with self._services.using(listener, begin=True, language=language) as service:
                return {"begun": service is not None}

        return await self._told(request, begun)

    async def withdraw(self, request: Request) -> Response:
        """Erase all that is on record of a listener, at their wish."""
        listener = await self._listener(request)
        if await _body(request, _NothingBody) is None:
            return problem(422, worded("nothing is to be sent with this"), self.language_of(request))

        def erased() -> Mapping[str, Any]:
            self._panel.withdraw(listener)
            self._services.drop(listener)
            self._services.forget_sessions(listener)
            return {"step": "refused", "why": "withdrawn"}

        response = await self._told(request, erased)
        response.delete_cookie(
            self._name(request), path="/", httponly=True, samesite="strict", secure=self._is_secure(request)
        )
        # Answers that wait to be sent, and the keys that were chosen: nothing of theirs is left in the browser.
        response.headers["clear-site-data"] = '"storage"'
        return response

    async def _told(self, request: Request, job: Callable[[], Mapping[str, Any]]) -> Response:
        try:
            return self.said(request, await self.work(job))
        except Missing:
            # The database is away: that is no mistake of the listener's.
            raise
        except BlindtestError as wrong:
            return problem(422, _problems(wrong), self.language_of(request))

    def _session(self, request: Request) -> str:
        return cookie_in(request.headers.get("cookie", ""), self._name(request))

    def _is_secure(self, request: Request) -> bool:
        return bool(self._secure) and request.headers.get("host", "").lower() in self._secure

    def _name(self, request: Request) -> str:
        return self.secure_cookie if self._is_secure(request) else self.cookie

    async def _listener(self, request: Request) -> str:
        session = self._session(request)
        listener = self._services.known(session)
        if listener is None:
            listener = await self.work(partial(self._services.listener_of, session))
        elif self._services.due():
            # Held here: the loop itself does not keep a task from being collected.
            self._renewing = create_task(self._renew())
        if listener is None:
            raise HTTPException(401)
        return listener

    async def _renew(self) -> None:
        with suppress(BlindtestError):  # the database is away: asked again by whoever needs it
            await self.work(self._services.renew)

    def _give(self, request: Request, response: Response, session: str) -> None:
        response.set_cookie(
            self._name(request), session, max_age=_KEPT_S, path="/", httponly=True, samesite="strict",
            secure=self._is_secure(request),
        )  # fmt: skip


class _Admission(AbstractAsyncContextManager[ListeningService]):
    def __init__(self, pages: _PanelPages, request: Request) -> None:
        self._pages = pages
        self._request = request

    async def __aenter__(self) -> ListeningService:
        self._using, service = await self._pages.using(self._request)
        if service is None:
            self._using.__exit__(None, None, None)
            raise HTTPException(401)
        return service

    async def __aexit__(self, *raised: object) -> None:
        self._using.__exit__(None, None, None)


def _problems(wrong: BlindtestError) -> str:
    return listed((fault.problem for fault in wrong.faults), between="; ")


async def _body(request: Request, model: type[B]) -> B | None:
    try:
        return model.model_validate_json(await request.body())
    except ValidationError:
        return None


def _wav(sound: bytes | None) -> Response:
    if sound is None:
        raise HTTPException(404)
    return Response(sound, headers={"content-type": "audio/wav"})
