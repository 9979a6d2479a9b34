"""Serve the listener's page on this machine only: a loopback port, the link to it, and a server that says nothing else.

The port is remembered by the caller, since a browser keeps cookie and unsent answers by address; where it is taken,
the next free one is used and said.
"""

import errno
import socket
from collections.abc import Callable, Iterator
from contextlib import contextmanager, nullcontext
from sys import getswitchinterval, setswitchinterval
from threading import Event, Thread
from time import monotonic

import uvicorn
from starlette.types import ASGIApp

from blindtest.errors import Fault, Missing
from blindtest.web.collecting import collecting_seldom
from blindtest.web.joined_writes import JoiningProtocol

__all__ = ["LOOPBACK", "Server", "hosts_of", "link", "open_port"]

LOOPBACK = "127.0.0.1"
_TRIES = 64


def open_port(wanted: int | None = None, *, address: str = LOOPBACK) -> socket.socket:
    """Return a listening socket of this machine: `wanted`, else one of the next free ports, else any.

    address : the loopback address, or that of a network card

    Raises
    ------
    Missing
        No port could be opened.
    """
    ports = [] if wanted is None else [p for p in range(wanted, wanted + _TRIES) if 1024 <= p <= 65_535]
    reason = ""
    for port in (*ports, 0):
        # No SO_REUSEPORT: two servers on one port would share a listener's requests.
        opened = socket.socket(socket.AF_INET, socket.SOCK_STREAM, socket.IPPROTO_TCP)
        opened.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            opened.bind((address, port))
            opened.listen(128)
        except OSError as fault:
            opened.close()
            reason = errno.errorcode.get(fault.errno or 0, str(fault))
        else:
            return opened
    raise Missing(
        Fault(
            problem=f"no port of {address} could be opened ({reason})",
            remedy="close programs that hold many ports, or allow this one to open a port on the loopback address",
        )
    )


def hosts_of(port: int, address: str = LOOPBACK) -> tuple[str, ...]:
    """Return the values of Host under which the page may be asked for."""
    return (f"{address}:{port}", *((f"localhost:{port}",) if address == LOOPBACK else ()))


def link(port: int, token: str, address: str = LOOPBACK) -> str:
    """Return the link that opens the page once."""
    return f"http://{address}:{port}/#{token}"


_HANDED_OVER_S = 50e-6
"""After so long a thread that waits for the interpreter gets it, where CPython's own 5 ms are longer than most answers.

The time runs anew whenever the other thread lets go for a moment, as the loop does with each system call, and takes it
back before anybody is awake: so it has to be about as short as that takes.
"""


@contextmanager
def _quickly(asked: Callable[[], int]) -> Iterator[None]:
    """Have nobody wait for the collector, or the writer for the loop, for as long as requests are served."""
    before = getswitchinterval()
    with collecting_seldom(asked):
        setswitchinterval(_HANDED_OVER_S)
        try:
            yield
        finally:
            setswitchinterval(before)


class Server:
    """A uvicorn server on a socket that is already open: no Date, no Server, no access log.

    quick : for many listeners
    """

    def __init__(self, app: ASGIApp, opened: socket.socket, *, quick: bool = False) -> None:
        self._socket = opened
        self._quick = quick
        self._server = uvicorn.Server(
            uvicorn.Config(
                app,
                # For many listeners the parser and the loop in C, where they are installed (extra `panel`).
                http=JoiningProtocol if quick else "h11",
                loop="auto" if quick else "asyncio",
                ws="none",
                lifespan="off",
                access_log=False,
                log_level="warning",
                server_header=False,
                date_header=False,
                proxy_headers=False,
                timeout_keep_alive=30,
                timeout_graceful_shutdown=2,
            )
        )

    @property
    def port(self) -> int:
        """The port that is served."""
        return int(self._socket.getsockname()[1])

    def run(self, *, until: Event | None = None, linger_s: float = 2.0, patience_s: float | None = None) -> None:
        """Serve until interrupted, or until `linger_s` after `until` is set, so that the last page is still read.

        Where `patience_s` is given, `until` is waited for no longer than that.

        An interrupt stops the server first and is then raised as KeyboardInterrupt.
        """
        over = Event()
        if until is not None:
            Thread(target=self._stop_after, args=(until, over, linger_s, patience_s), daemon=True).start()
        try:
            with _quickly(lambda: self._server.server_state.total_requests) if self._quick else nullcontext():
                self._server.run(sockets=[self._socket])
        finally:
            over.set()
            self._socket.close()

    def stop(self) -> None:
        """Ask a running server to stop."""
        self._server.should_exit = True

    def _stop_after(self, until: Event, over: Event, linger_s: float, patience_s: float | None) -> None:
        begun = monotonic()
        while not over.is_set():
            if until.wait(0.2):
                over.wait(linger_s)
                self.stop()
                return
            if patience_s is not None and monotonic() - begun > patience_s:
                self.stop()
                return

    def run_in_thread(self) -> Callable[[], None]:
        """Serve in a thread of its own; return the function that stops it and waits for its end."""
        thread = Thread(target=self.run, daemon=True)
        thread.start()

        def end() -> None:
            self.stop()
            thread.join(10)

        return end
