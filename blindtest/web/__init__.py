"""The listener's page: what a browser shows and plays of a sitting, and the server behind it, on this machine only.

`make_app` takes a `ListeningService`; `SittingService` is the one made of a sitting, a record and samples.
"""

from blindtest.web.app import Facts, ListeningService, NotStored, make_app
from blindtest.web.serving import LOOPBACK, Server, hosts_of, link, open_port
from blindtest.web.sitting_page import sit
from blindtest.web.sitting_service import Record, SittingService, StoreRecord

__all__ = [
    "LOOPBACK",
    "Facts",
    "ListeningService",
    "NotStored",
    "Record",
    "Server",
    "SittingService",
    "StoreRecord",
    "hosts_of",
    "link",
    "make_app",
    "open_port",
    "sit",
]
