"""A whole listener of a panel, the panel closed and opened again before every request but those of a story told anew.

What a page does after a restart is done here: it begins again, and tells the trial in hand before its answer.
"""

import importlib.util
import json
import os
import shutil
from pathlib import Path

import pytest

from blindtest import steps
from blindtest.session.store import Store
from blindtest.steps.storage import database_of
from blindtest.study import load_study
from blindtest.web import PanelServices, hosts_of, make_panel_app

spec = importlib.util.spec_from_file_location("panel_visitor", Path(__file__).with_name("panel_visitor.py"))
panel_visitor = importlib.util.module_from_spec(spec)
spec.loader.exec_module(panel_visitor)

pytestmark = pytest.mark.long

CHOICES = "ABABAB"


class Restarted:
    """A listener's browser, and a panel that is another one at each of its requests."""

    def __init__(self, toy, folder):
        self.toy, self.folder, self.restarts, self.held = toy, folder, -1, False
        self.panel, self.cookie, self.sitting = None, "", ""
        self.renew()

    def renew(self):
        self.close()
        self.panel = steps.open_panel(self.folder)
        self.services = PanelServices(self.panel)
        self.app = make_panel_app(self.panel, hosts=hosts_of(8000), services=self.services)
        self.restarts += 1

    def close(self):
        if self.panel is not None:
            self.services.close()
            self.panel.__exit__()

    def ask(self, method, path, body=b""):
        if not self.held:
            self.renew()
        page = panel_visitor.visitor_of(self.toy, self.app)
        page.cookie = self.cookie
        answer = page.ask(method, path, body)
        self.cookie = page.cookie
        assert answer.status in (200, 409), (path, answer.status, answer.body)
        return answer

    def post(self, path, **body):
        return self.ask("POST", path, json.dumps(body).encode()).json

    def event(self, event, **values):
        body = {"sitting": self.sitting, "event": {"event": event, **values}}
        return self.ask("POST", "/event", json.dumps(body).encode())

    def anew(self, *events):
        """Tell without a restart what a server that is new does not know; return the answer to the last of it."""
        self.held = True
        told = [self.event(name, **values) for name, values in events]
        self.held = False
        return told[-1]

    def answer(self, view):
        of = {"trial": view["trial"], "attempt": view["attempt"]}
        for slot in view["slots"]:
            self.ask("GET", f"/sound/{slot['token']}")
        values = {"choice": CHOICES[view["trial"]]}
        heard = [("loaded", of), *(("selected", {"slot": slot["name"], **of}) for slot in view["slots"])]
        said = [("chosen", {"values": values, **of}), ("confirmed", {"values": values, **of})]
        for name, values in (*heard, *said):
            told = self.event(name, **values)
        assert told.status == 409, "a server that is new has heard nothing of the trial"
        assert self.anew(("began", {}), *heard, *said).status == 200


@pytest.mark.parametrize("engine", ["sqlite", pytest.param("postgresql", marks=pytest.mark.postgres)])
def test_a_panel_that_is_another_at_every_request_loses_nothing(engine, toy, panel_template, tmp_path, request):
    folder = Path(shutil.copytree(panel_template, tmp_path / "study"))
    path = folder / "study.toml"
    text = path.read_text(encoding="utf-8").replace("public = true\n", 'public = true\nheadphones = "antiphase"\n')
    if engine == "postgresql":
        server = request.getfixturevalue("postgres_server")
        request.getfixturevalue("monkeypatch").setenv("PANEL_DATABASE", server.url())
        table = f'[storage]\nurl_from = "PANEL_DATABASE"\nschema_name = "{server.schema()}"\n\n'
        text = text.replace("\n[", f"\n{table}[", 1)
    path.write_text(text, encoding="utf-8")

    one = Restarted(toy, folder)
    token = one.panel.public_token()
    shown = one.post("/panel/open", token=token)
    state = one.post("/panel/consent", token=token, consent_sha256=shown["consent_sha256"], browser="b" * 27)
    while (step := state["step"]) != "sitting":
        if step == "questions":
            values = {"age": 1, "equipment": 0}
        elif step == "output":
            values = {"rate_hz": 48_000, "latency_s": None}
        else:
            where = {key: state["sound"][key] for key in ("test", "attempt", "trial")}
            assert one.ask("GET", f"/panel/sound/{state['sound']['token']}").status == 200
            values = {**where, "choice": "1", "interruptions": 0}
        state = one.post("/panel/step", step=step, values=values)
    assert one.post("/panel/begin") == {"begun": True}
    one.sitting = one.ask("GET", "/facts").json["sitting"]
    with Store(database_of(load_study(folder)), entropy=os.urandom, create=False) as store:
        (sealed,) = (entry.commitment for entry in store.sittings())
    level = {"gain_db": -20, "output_rate_hz": 48_000, "output_latency_s": None}
    assert one.event("began").status == 200
    assert one.event("level_set", **level).status == 409
    view = one.anew(("began", {}), ("level_set", level)).json["view"]
    for trial in range(len(CHOICES)):
        if view["step"] != "trial":
            # Feedback is not told again by a server that is new, nor is a level asked for again.
            view = one.anew(("began", {})).json["view"]
        assert (view["step"], view["trial"]) == ("trial", trial)
        one.answer(view)
        view = one.ask("GET", "/view").json["view"]
    assert one.ask("GET", "/panel/state").json["step"] == "thanks"
    one.close()
    assert one.restarts > 70
    with Store(database_of(load_study(folder)), entropy=os.urandom, create=False) as store:
        assert store.faults() == ()
        (entry,) = store.sittings()
        assert (entry.state, entry.commitment) == ("finished", sealed), (
            "the plan that was sealed before the first sound"
        )
        assert [(row["trial"], row["response"], row["attempt"]) for row in store.rows(1)] == [
            (trial, choice, 1) for trial, choice in enumerate(CHOICES)
        ]
        (kept,) = store.panel.replies()
        assert len(kept.kept["screening"]["answers"]) == 6
    assert steps.verify(folder).ok
