"""The sittings of a panel that are in memory: each restored from the record when its listener comes, dropped when idle.

What is dropped loses nothing that lasts: the page tells anew what was done in the trial in hand, as it does when a
server was started again.
"""

from collections import OrderedDict
from collections.abc import Callable
from contextlib import AbstractContextManager
from dataclasses import dataclass, field
from threading import Lock
from time import monotonic

from blindtest.errors import Missing
from blindtest.session import BrowserPlayer, MadeWhenAsked
from blindtest.steps import OpenPanel, PreparedSitting
from blindtest.web.app import Facts
from blindtest.web.sitting_service import SittingService

__all__ = ["IDLE_S", "MOST_IN_MEMORY", "PanelServices", "Using"]

MOST_IN_MEMORY = 2_000
"""Sittings; what is in use is never dropped."""
IDLE_S = 20 * 60.0
_MOST_SESSIONS = 20_000
LOOKED_UP_S = 60.0
"""For so long a session is believed; then it is looked up again: `blindtest forget` may have ended it meanwhile."""
_RENEWED_S = 25.0
"""So often those of all who listen are looked up while nobody waits for it: twice before one grows too old."""


@dataclass(slots=True)
class _Held:
    lock: Lock = field(default_factory=Lock)
    service: SittingService | None = None
    users: int = 0
    used: float = 0.0


class PanelServices:
    """Sittings by listener; methods may be called from any thread.

    Parameters
    ----------
    panel : where they come from
    most : how many may be in memory
    idle_s : how long one that nobody asks for stays there
    clock : seconds that only rise
    player : makes what plays a sitting; else its sounds are made when they are asked for
    """

    def __init__(
        self,
        panel: OpenPanel,
        *,
        most: int = MOST_IN_MEMORY,
        idle_s: float = IDLE_S,
        clock: Callable[[], float] = monotonic,
        player: Callable[[], BrowserPlayer] = MadeWhenAsked,
    ) -> None:
        self._panel = panel
        self._most = most
        self._idle_s = idle_s
        self._clock = clock
        self._player = player
        self._lock = Lock()
        self._held: OrderedDict[str, _Held] = OrderedDict()
        """The longest unused first."""
        self._sessions: dict[str, tuple[str, float]] = {}
        self._renewing = False
        self._renewed = clock()
        self._forgettings = 0

    @property
    def count(self) -> int:
        """How many are in memory."""
        return len(self._held)

    def listener_of(self, session: str) -> str | None:
        """Return whose session it is; looked up on record once a minute."""
        if not session or len(session) > 200:
            return None
        if (known := self.known(session)) is not None:
            return known
        before, was = self._forgettings, self._sessions.get(session)
        try:
            found = self._panel.listener_of(session)
        except Missing:
            if was is None:
                raise
            found = was[0]  # the database is away, and nothing speaks against it
        with self._lock:
            if before != self._forgettings:
                return found  # somebody took over meanwhile, perhaps this one: looked up again next time
            if found is None:
                self._sessions.pop(session, None)
            else:
                if len(self._sessions) >= _MOST_SESSIONS:
                    self._sessions.clear()
                self._sessions[session] = found, self._clock()
        if found is None and was is not None:
            self.drop(was[0])
        return found

    def known(self, session: str) -> str | None:
        """Return whose session it is where that was looked up a short while ago; never waits."""
        found = self._sessions.get(session)
        return found[0] if found is not None and self._clock() - found[1] < LOOKED_UP_S else None

    def due(self) -> bool:
        """Return whether it is time to `renew`; it says so once, and never waits."""
        if self._renewing or self._clock() - self._renewed < _RENEWED_S:
            return False
        self._renewing = True
        return True

    def renew(self) -> None:
        """Look up again whose sessions those are whose sittings are in memory: all in one go, and nobody waits for it.

        Raises
        ------
        Missing
            The database is away; all stays as it is.
        """
        try:
            with self._lock:
                before, now = self._forgettings, self._clock()
                self._renewed = now
                old = [
                    session
                    for session, (listener, at) in self._sessions.items()
                    if listener in self._held and now - at >= _RENEWED_S
                ]
            found, gone = self._panel.listeners_of(old), []
            with self._lock:
                if before != self._forgettings:
                    return  # somebody took over meanwhile, perhaps one of these
                for session in old:
                    if session in found:
                        self._sessions[session] = found[session], now
                    elif was := self._sessions.pop(session, None):
                        gone.append(was[0])
            for listener in gone:
                self.drop(listener)
        finally:
            self._renewing = False

    def was_known(self, session: str) -> bool:
        """Return whether a session was looked up and found, however long ago; never waits."""
        return session in self._sessions

    def at_hand(self, listener: str) -> bool:
        """Return whether a listener's sitting can be had without waiting: in memory, and nobody is restoring it."""
        held = self._held.get(listener)
        return held is not None and held.service is not None and not held.lock.locked()

    def forget_sessions(self, listener: str) -> None:
        """Look a listener's sessions up on record again: another browser has taken over, or they withdrew."""
        with self._lock:
            self._forgettings += 1
            self._sessions = {session: of for session, of in self._sessions.items() if of[0] != listener}

    def drop(self, listener: str) -> None:
        """Let go of a listener's sitting."""
        with self._lock:
            held = self._held.pop(listener, None)
        if held is not None and held.service is not None:
            held.service.close()

    def using(self, listener: str, *, begin: bool = False, language: str = "") -> "Using":
        """Give a listener's sitting, which stays in memory meanwhile; None where there is none.

        begin : seal a new one, if one is due
        language : of the page that asks for it; it goes on record with what plays, so that no answer waits for that
        """
        return Using(self, listener, begin, language)

    def taken(self, listener: str, *, begin: bool, language: str) -> "_Held":
        """Take a listener's sitting into use, restored or begun where that is needed; see `using`."""
        held = self._taken(listener)
        try:
            with held.lock:
                if held.service is None:
                    prepared = self._panel.begin(listener) if begin else self._panel.sitting(listener)
                    held.service = None if prepared is None else self._service(prepared, language)
                elif begin and held.service.over.is_set() and (prepared := self._panel.begin(listener)) is not None:
                    held.service.close()
                    held.service = self._service(prepared, language)
        except BaseException:
            self.given_back(listener, held)
            raise
        return held

    def given_back(self, listener: str, held: "_Held") -> None:
        """End one use of a sitting."""
        with self._lock:
            held.users -= 1
            held.used = self._clock()
            there = self._held.get(listener) is held
            if there:
                self._held.move_to_end(listener)
            if held.service is None and not held.users and there:
                del self._held[listener]
            gone = held.service if not held.users and not there else None
        if gone is not None:
            gone.close()  # let go of while it was in use: what was laid down since goes too

    def _taken(self, listener: str) -> _Held:
        with self._lock:
            held = self._held.setdefault(listener, _Held())
            self._held.move_to_end(listener)
            held.users += 1
            held.used = self._clock()
            gone = self._swept()
        for service in gone:
            service.close()  # removes files: nobody waits for that with the lock
        return held

    def _swept(self) -> list[SittingService]:
        """Let go of what is idle, and of the longest unused of what is too many; return what is to be closed.

        Looked at are only those that go and those in use: this runs before every event.
        """
        since = self._clock() - self._idle_s
        over = len(self._held) - self._most
        going: list[str] = []
        for name, held in self._held.items():
            if held.users:
                continue
            if held.used >= since and len(going) >= over:
                break
            going.append(name)
        services = (self._held.pop(name).service for name in going)
        return [service for service in services if service is not None]

    def close(self) -> None:
        """Let go of all of them."""
        for listener in list(self._held):
            self.drop(listener)

    def _service(self, prepared: PreparedSitting, language: str) -> SittingService:
        prepared.playback().begun(None, prepared.clock().isoformat(timespec="seconds"), language=language)
        return SittingService(
            prepared.sitting,
            record=prepared,
            samples=prepared.samples,
            rate=prepared.rate,
            # What the listener wears is unknown, and the consent was given before: nothing of both here.
            facts=Facts(noise=True, then="/"),
            player=self._player(),
            level=self._panel.level_sounds(prepared),
            spoken=[language] if language else (),
        )


class Using(AbstractContextManager[SittingService | None]):
    """A listener's sitting while it is in use; see `PanelServices.using`."""

    def __init__(self, services: PanelServices, listener: str, begin: bool, language: str) -> None:
        self._services = services
        self._listener = listener
        self._begin = begin
        self._language = language
        self._held: _Held | None = None

    def __enter__(self) -> SittingService | None:
        """Take it; blocks where it is restored or begun."""
        self._held = self._services.taken(self._listener, begin=self._begin, language=self._language)
        return self._held.service

    def __exit__(self, *raised: object) -> None:
        """Give it back."""
        if self._held is not None:
            self._services.given_back(self._listener, self._held)
