"""The operator's page served beside the listener's: a port, a link and a cookie of its own."""

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from ipaddress import ip_address

from blindtest.errors import BlindtestError, Fault
from blindtest.steps import PreparedSitting
from blindtest.web.operator_app import OperatorService, make_operator_app
from blindtest.web.serving import LOOPBACK, Server, hosts_of, link, open_port

__all__ = ["operator_served"]


@contextmanager
def operator_served(
    prepared: PreparedSitting, service: OperatorService, *, address: str = "", say: Callable[[str], object]
) -> Iterator[None]:
    """Serve the operator's page while the block runs.

    Parameters
    ----------
    address : of this machine in the house's network, for another computer; '' for this machine only
    say : prints a line for the organiser

    Raises
    ------
    Missing
        No port could be opened at this address.
    BlindtestError
        It is no address that a browser can be sent to.
    """
    place = _address(address) if address else LOOPBACK
    opened = open_port(prepared.remembered("operator_port"), address=place)
    port = int(opened.getsockname()[1])
    prepared.remember("operator_port", port)
    secret = prepared.remembered("operator_secret") or prepared.entropy(32).hex()
    prepared.remember("operator_secret", secret)
    token = prepared.entropy(24).hex()
    app = make_operator_app(
        service, hosts=hosts_of(port, place), link_token=token, cookie_secret=secret, language=prepared.language
    )
    end = Server(app, opened).run_in_thread()
    say(f"The operator's page, for another screen: {link(port, token, place)}")
    say("Open it there first: it works once, and shows what the listener must not see.")
    try:
        yield
    finally:
        end()


def _address(text: str) -> str:
    """Return an address of one network card; all of them at once would be no place to send a browser to."""
    try:
        found = ip_address(text)
    except ValueError:
        found = None
    if found is None or found.version != 4 or found.is_unspecified or found.is_multicast:
        raise BlindtestError(
            Fault(
                problem="not an address of this machine",
                key="--operator-at",
                got=text,
                allowed="four numbers with points, such as 192.168.1.20",
                remedy="look it up in this machine's network settings; leave it out for a second screen",
            )
        )
    return str(found)
