"""A panel served until it is interrupted: port, links, and what is said when it stops."""

import signal
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from secrets import token_hex
from shlex import quote
from threading import current_thread, main_thread
from typing import Any
from urllib.parse import urlsplit

from blindtest.nouns import number_of
from blindtest.session import BrowserPlayer, LaidPlayer, MadeWhenAsked, clear_laid
from blindtest.steps import PANEL_PORT, PANEL_URL, OpenedNonces, OpenPanel, drawn_token, public_origin
from blindtest.web.journal import Journal
from blindtest.web.limits import LIMITS
from blindtest.web.organiser_pages import organiser_routes
from blindtest.web.panel_app import make_panel_app
from blindtest.web.panel_services import PanelServices
from blindtest.web.serving import LOOPBACK, Server, hosts_of, open_port
from blindtest.web.sitting_page import quiet_logs

__all__ = ["PanelServed", "serve_panel"]

Say = Callable[[str], object]


@dataclass(frozen=True, slots=True, kw_only=True)
class PanelServed:
    """How a panel stands when its server has stopped."""

    folder: Path
    counts: dict[str, int]
    study_seal: str
    closed: bool
    opened: OpenedNonces | None = None
    """Once the panel has ended."""

    def to_dict(self) -> dict[str, Any]:
        """Return what JSON can hold."""
        opened = {} if self.opened is None else {"nonces_opened": self.opened.to_dict()}
        return {"counts": self.counts, "study_seal": self.study_seal, "closed": self.closed, **opened}

    def text(self) -> str:
        """Return it in words, and how to go on."""
        counts = self.counts
        lines = [
            f"{number_of(counts['listeners'], 'listener')} agreed, {counts['withdrawn']} withdrew. "
            f"Sittings: {counts['finished']} "
            f"finished, {counts['open']} open, {counts['abandoned']} abandoned. Everything is stored.",
        ]
        if self.opened is not None:
            lines += self.opened.lines(self.folder)
        elif counts["finished"] or counts["abandoned"]:
            lines.append(
                f"Publish the last hashes of their answers before any nonce: blindtest seal {quote(str(self.folder))}"
            )
        if not self.closed or counts["open"]:
            lines.append(f"Go on with: blindtest panel {quote(str(self.folder))}")
        if self.closed and not counts["open"]:
            lines.append(f"The statistics: blindtest analyze {quote(str(self.folder))}")
        return "\n".join(lines)


def serve_panel(
    panel: OpenPanel,
    *,
    address: str = LOOPBACK,
    port: int | None = None,
    hosts: Sequence[str] = (),
    public_url: str = "",
    sounds_folder: Path | None = None,
    sounds_at: str = "/laid/",
    journal: Path | None = None,
    say: Say,
) -> PanelServed:
    """Serve `panel` until interrupted.

    Parameters
    ----------
    address : the address that is bound: the loopback one, or that of a network card
    port : wanted; else the one this panel had before
    hosts : further values of the Host header that are served over http, as 'host:port'
    public_url : where listeners reach it, through a proxy that speaks TLS; else its own address
    sounds_folder : where sounds are laid down for the web server in front; else this program sends them
    sounds_at : that folder as the web server's internal location names it
    journal : a file that each request which was refused or failed is noted in, without who asked
    say : prints a line for the organiser

    Raises
    ------
    Missing
        No port could be opened.
    WrongUse
        `public_url` is no address of a host.
    """
    quiet_logs(say)
    if sounds_folder is not None:
        clear_laid(sounds_folder)
    origin = public_origin(public_url) if public_url else ""
    wanted = port or panel.remembered(PANEL_PORT)
    opened = open_port(wanted, address=address)
    got = int(opened.getsockname()[1])
    if wanted is not None and got != wanted:
        say(f"Port {wanted} is taken; the panel is on port {got}.")
    panel.remember(PANEL_PORT, got)
    own = f"http://{address}:{got}"
    panel.remember(PANEL_URL, origin or own)
    public_host = urlsplit(origin).netloc
    secure = [public_host] if origin.startswith("https://") else []
    plain = [*hosts_of(got, address), *hosts, *([public_host] if origin and not secure else [])]
    makers = ThreadPoolExecutor(2, thread_name_prefix="sounds")
    folder = sounds_folder

    def player() -> BrowserPlayer:
        return MadeWhenAsked() if folder is None else LaidPlayer(folder, token_hex(16), makers)

    services = PanelServices(panel, player=player)
    secret = drawn_token(panel.entropy)
    organiser = organiser_routes(
        panel,
        secret=secret,
        port=str(got),
        is_secure=lambda request: request.headers.get("host", "").lower() in secure,
    )
    app = make_panel_app(
        panel, hosts=plain, secure_hosts=secure, services=services, limits=LIMITS, further=organiser,
        laid_at=sounds_at if folder else "",
    )  # fmt: skip
    if journal is not None:
        app = Journal(app, journal, clock=panel.clock)
    say(f"Study seal      {panel.sealed.commitment}")
    say("Publish it where others see it before anybody listens, if the result shall convince anybody else.")
    if panel.elsewhere:
        say(f"Caution: {panel.elsewhere}.")
    say(f"The panel is served at {own}{f', reached at {origin}' if origin else ''}.")
    if panel.closed:
        say("It is closed: nobody can begin any more. Listeners come back for their own results.")
    elif (token := panel.public_token()) is not None:
        say(f"The public link: {origin or own}/#{token}")
    say(f"The organiser's page, for you alone: {origin or own}/organiser#{secret}")
    say(f"Personal links: blindtest panel {quote(str(panel.study.folder))} --invite 20")
    if reminder := panel.reminder():
        say(reminder)
    server = Server(app, opened, quick=True)
    try:
        with _stopped_by_signals(server) as asked:
            say("Ctrl-C stops the server; answers are safe, and everybody can go on once it runs again.")
            server.run()
        if asked:
            say("Stopped.")
    finally:
        makers.shutdown(cancel_futures=True)
        services.close()
    opened_now = panel.ended()
    return PanelServed(
        folder=panel.study.folder,
        opened=opened_now,
        counts=panel.counts().to_dict(),
        study_seal=panel.sealed.commitment,
        closed=panel.closed,
    )


@contextmanager
def _stopped_by_signals(server: Server) -> Iterator[list[int]]:
    """Stop `server` by Ctrl-C and by SIGTERM: what `kill`, a container or a service manager sends, who all wait for it.

    By itself SIGTERM would end the program before what was erased is rewritten, and the nonces of a panel that is over
    are opened. Nothing is raised: a signal may arrive within a finaliser, as while garbage is collected before the
    first request, and Python drops what those raise; the server would go on for ever. Given is what arrived.
    """
    asked: list[int] = []
    if current_thread() is not main_thread():
        yield asked
        return

    def stop(number: int, frame: object) -> None:
        asked.append(number)
        server.stop()

    before = {number: signal.signal(number, stop) for number in (signal.SIGINT, signal.SIGTERM)}
    try:
        yield asked
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
