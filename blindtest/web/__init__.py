"""The listener's page: what a browser shows and plays of a sitting, and the server behind it, on this machine only.

`make_app` takes a `ListeningService`; `SittingService` is the one made of a sitting, a record and samples.
"""

from blindtest.web.app import Facts, ListeningService, NotStored, make_app
from blindtest.web.organiser_pages import organiser_routes
from blindtest.web.panel_app import make_panel_app
from blindtest.web.panel_page import PanelServed, serve_panel
from blindtest.web.panel_services import PanelServices
from blindtest.web.serving import LOOPBACK, Server, hosts_of, link, open_port
from blindtest.web.sitting_page import sit
from blindtest.web.sitting_service import Record, SittingService, StoreRecord

__all__ = [
    "LOOPBACK",
    "Facts",
    "ListeningService",
    "NotStored",
    "PanelServed",
    "PanelServices",
    "Record",
    "Server",
    "SittingService",
    "StoreRecord",
    "hosts_of",
    "link",
    "make_app",
    "make_panel_app",
    "open_port",
    "organiser_routes",
    "serve_panel",
    "sit",
]
