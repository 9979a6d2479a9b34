"""A loopback port that stays a test's own until the test lets it go.

A port that was looked up and let go may be given to anybody before its server opens it, or while the server is started
anew: three workers open some hundreds of ports in a run. A socket that is bound and never listens keeps the system from
giving its port away (Linux, bind(2) with port 0 and connect(2) pass over it), and a server that sets SO_REUSEADDR, as
ours, nginx and PostgreSQL do, listens on it all the same.
"""

import socket


def held_port() -> socket.socket:
    """Return a socket that holds a port of 127.0.0.1, which `getsockname()` names, until it is closed."""
    held = socket.socket()
    held.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    held.bind(("127.0.0.1", 0))
    return held
