"""Ports that are opened for a page: the one that is wanted, another where it is taken, none that is somebody else's."""

import socket
import sys
import urllib.request
from contextlib import closing

import pytest
from starlette.responses import PlainTextResponse

from blindtest.errors import Missing
from blindtest.web import Server, hosts_of, link, open_port


def port_of(opened):
    return opened.getsockname()[1]


def test_a_port_that_is_taken_is_not_shared():
    """Who comes second gets another port, and whoever connects to the first one reaches who came first."""
    with closing(open_port()) as first, closing(open_port(port_of(first))) as second:
        assert port_of(second) != port_of(first)
        assert 1024 <= port_of(second) <= 65_535
        with socket.create_connection(("127.0.0.1", port_of(first)), timeout=60) as knocking:
            came, _ = first.accept()
            with closing(came):
                assert came.getpeername() == knocking.getsockname()


@pytest.mark.parametrize("wanted", [0, 80, 959, 65_536, 100_000])
def test_ports_of_the_system_and_numbers_that_are_none_are_left_alone(wanted):
    with closing(open_port(wanted)) as opened:
        assert port_of(opened) >= 1024


def test_an_address_of_another_machine_cannot_be_served():
    # 203.0.113.0/24 is for documentation (RFC 5737): no machine has it.
    with pytest.raises(Missing, match=r"no port of 203\.0\.113\.7 could be opened \(EADDRNOTAVAIL\)"):
        open_port(8000, address="203.0.113.7")


def test_a_page_is_asked_for_by_the_address_it_is_served_at():
    assert hosts_of(8765) == ("127.0.0.1:8765", "localhost:8765")
    assert hosts_of(8765, "192.168.1.20") == ("192.168.1.20:8765",), "localhost is another machine there"
    assert link(8765, "token") == "http://127.0.0.1:8765/#token"


@pytest.mark.parametrize("quick", [True, False])
def test_only_who_serves_many_hands_the_interpreter_over_soon_and_only_while_they_do(quick):
    before = sys.getswitchinterval()

    async def app(scope, receive, send):
        await PlainTextResponse(f"{sys.getswitchinterval():.6f}")(scope, receive, send)

    server = Server(app, open_port(), quick=quick)
    end = server.run_in_thread()
    try:
        with urllib.request.urlopen(f"http://127.0.0.1:{server.port}/", timeout=60) as told:
            meanwhile = float(told.read())
    finally:
        end()
    assert meanwhile == pytest.approx(50e-6 if quick else before)
    assert sys.getswitchinterval() == pytest.approx(before)
