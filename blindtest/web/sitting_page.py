"""A prepared sitting served until it is over: port, link, browser, and what is said meanwhile."""

import logging
from collections.abc import Callable
from contextlib import ExitStack
from dataclasses import replace

from blindtest.session import DevicePlayer
from blindtest.steps import Ended, PreparedSitting
from blindtest.web.app import Facts, make_app
from blindtest.web.assisted_service import AssistedService
from blindtest.web.operator_desk import OperatorDesk
from blindtest.web.operator_page import operator_served
from blindtest.web.serving import Server, hosts_of, link, open_port
from blindtest.web.sitting_service import SittingService

__all__ = ["quiet_logs", "sit"]

LATE_PAGE_S = 12.0
"""How long a page may take to find a server again: more than the longest of its waits between two tries."""

Say = Callable[[str], object]


def sit(
    prepared: PreparedSitting,
    *,
    port: int | None = None,
    say: Say,
    open_browser: Callable[[str], object] | None = None,
    device: DevicePlayer | None = None,
    operator_at: str = "",
) -> Ended:
    """Serve the page of `prepared` on a loopback port until the sitting is over or the server is interrupted.

    Parameters
    ----------
    port : wanted; else the one this study had before, so that a browser finds its cookie and unsent answers again
    say : prints a line for the organiser
    open_browser : opens the link; None only prints it
    device : plays the sounds on this machine; without one the page plays them. Given back when this returns
    operator_at : where somebody connects real units: address of this machine for the operator's page; '' for a screen
        of this machine

    Raises
    ------
    Missing
        No port could be opened.
    """
    playback = prepared.playback()
    try:
        playback.begun(device, prepared.clock().isoformat(timespec="seconds"))
        return _serve(prepared, port=port, say=say, open_browser=open_browser, device=device, operator_at=operator_at)
    finally:
        if device is not None:
            device.close()
        playback.ended(device)


def _serve(
    prepared: PreparedSitting,
    *,
    port: int | None,
    say: Say,
    open_browser: Callable[[str], object] | None,
    device: DevicePlayer | None,
    operator_at: str,
) -> Ended:
    quiet_logs(say)
    wanted = port or prepared.remembered("port")
    opened = open_port(wanted)
    got = int(opened.getsockname()[1])
    if wanted is not None and got != wanted:
        say(f"Port {wanted} is taken; this sitting is on port {got}.")
    prepared.remember("port", got)
    secret = prepared.remembered("cookie_secret") or prepared.entropy(32).hex()
    prepared.remember("cookie_secret", secret)
    token = prepared.entropy(24).hex()
    service = service_of(prepared, device)
    app = make_app(
        service,
        clock=prepared.clock,
        hosts=hosts_of(got),
        link_token=token,
        cookie_secret=secret,
        language=prepared.language,
    )
    address = link(got, token)
    with ExitStack() as beside:
        if isinstance(service, AssistedService):
            beside.enter_context(operator_served(prepared, service, address=operator_at, say=say))
        say(f"The listener's page: {address}")
        say("The link works once; run the same command again for another. Ctrl-C stops the server, answers are safe.")
        if open_browser is not None:
            open_browser(address)
        try:
            # Killed between the last answer and the end: a page that waits with that answer is told, if there is one.
            patience_s = LATE_PAGE_S if prepared.sitting.over else None
            Server(app, opened).run(until=service.over, patience_s=patience_s)
        except KeyboardInterrupt:
            say("Stopped.")
    return prepared.result()


def service_of(prepared: PreparedSitting, device: DevicePlayer | None) -> SittingService:
    """Return what serves the pages of `prepared`: with an operator's beside the listener's where one connects units."""
    facts = Facts(
        level=prepared.level.sentence if prepared.level else None,
        level_note=prepared.level.note if prepared.level else "",
        full_dba=prepared.level.dba if prepared.level else None,
        most_gain_db=prepared.level.most_gain_db if prepared.level else 0.0,
        consent=prepared.consent(),
        device=device.facts.sentence if device else "",
        warnings=device.facts.warnings if device else (),
    )
    hardware = prepared.study.hardware
    if hardware is None or hardware.route != "operator":
        return SittingService(
            prepared.sitting, record=prepared, samples=prepared.samples, rate=prepared.rate, facts=facts,
            device=device, routes=prepared.routes(),
        )  # fmt: skip
    return AssistedService(
        prepared.sitting,
        hands=OperatorDesk(
            {name: one.connect for name, one in hardware.connections.items()},
            switch_s=hardware.switch_s,
            clock=prepared.clock,
        ),
        record=prepared, samples=prepared.samples, rate=prepared.rate,
        facts=replace(facts, switch_s=hardware.switch_s), device=device, routes=prepared.routes(),
    )  # fmt: skip


def quiet_logs(say: Say) -> None:
    """Send faults of the server to whoever runs it, and nothing else: no request is logged, no token printed."""

    class Told(logging.Handler):
        def emit(self, record: logging.LogRecord) -> None:
            say(f"{record.levelname.lower()}: {record.getMessage()}")

    logger = logging.getLogger("blindtest.web")
    logger.handlers = [Told()]
    logger.propagate = False
