"""The organiser's page: counts and storage behind a secret, and not a byte that depends on what was answered."""

import importlib.util
import json
import shutil
from pathlib import Path

import pytest

from blindtest import steps
from blindtest.errors import Fault, Missing
from blindtest.web import hosts_of, make_panel_app, organiser_routes

spec = importlib.util.spec_from_file_location("panel_visitor", Path(__file__).with_name("panel_visitor.py"))
panel_visitor = importlib.util.module_from_spec(spec)
spec.loader.exec_module(panel_visitor)

RULE = 'test.trials = 30\ntest.stopping = { rule = "sprt" }'


@pytest.fixture
def serve(toy, panel_template, tmp_path):
    """`serve(name, stopping="")`: a panel, somebody at its organiser's page, and listeners."""
    opened = []

    def serving(name="study", stopping=""):
        folder = Path(shutil.copytree(panel_template, tmp_path / name))
        if stopping:
            text = (folder / "study.toml").read_text(encoding="utf-8")
            assert "test.trials = 5" in text
            (folder / "study.toml").write_text(text.replace("test.trials = 5", stopping), encoding="utf-8")
        panel = steps.open_panel(folder)
        opened.append(panel)
        routes = organiser_routes(panel, secret="the-secret", port="8000", is_secure=lambda request: False)
        app = make_panel_app(panel, hosts=hosts_of(8000), further=routes)
        return panel, lambda: panel_visitor.visitor_of(toy, app)

    yield serving
    for panel in opened:
        panel.__exit__()


def entered(come):
    organiser = come()
    assert organiser.post("/organiser/enter", {"token": "the-secret"}).json == {"entered": True}
    return organiser


def test_only_the_secret_opens_it(serve):
    panel, come = serve()
    stranger = come()
    assert b"listeners" not in stranger.get("/organiser").body
    assert stranger.get("/organiser/state").status == 401
    for token in ("", "wrong", "the-secre", panel.public_token()):
        assert stranger.post("/organiser/enter", {"token": token}).status == 403
    assert stranger.cookie == ""
    one = come()
    one.to_the_sitting(panel.public_token())
    assert one.get("/organiser/state").status == 401, "a listener's cookie opens nothing here"
    organiser = entered(come)
    given = organiser.sent[-1].header("set-cookie")
    assert "the-secret" not in given
    assert {"HttpOnly", "SameSite=strict"} <= {part.strip() for part in given.split(";")}
    assert given.startswith("blindtest-organiser-8000=")
    state = organiser.get("/organiser/state").json
    assert state["counts"] == panel.counts().to_dict()
    assert (state["planned"], state["most_listeners"], state["rule"]) == (10, 10, None)
    assert state["storage"]["kind"] == "SQLite"
    assert state["storage"]["bytes"] >= (panel.study.folder / "study.db").stat().st_size
    assert organiser.get("/view").status == 401


def test_by_https_the_cookie_is_bound_to_the_host(serve, toy):
    """RFC 6265bis, 4.1.3.2 (from memory): `__Host-` asks for Secure, for Path=/ and for no Domain."""
    panel, _ = serve()
    routes = organiser_routes(panel, secret="the-secret", port="8000", is_secure=lambda request: True)
    organiser = panel_visitor.visitor_of(toy, make_panel_app(panel, hosts=hosts_of(8000), further=routes))
    assert organiser.post("/organiser/enter", {"token": "the-secret"}).status == 200
    given = [part.strip() for part in organiser.sent[-1].header("set-cookie").split(";")]
    assert given[0].startswith("__Host-blindtest-organiser-8000=")
    assert {"HttpOnly", "SameSite=strict", "Secure", "Path=/"} <= set(given)
    assert not any(part.lower().startswith("domain") for part in given)


def test_nothing_of_it_depends_on_what_was_answered(serve):
    told = []
    for name, choice in (("one", "A"), ("other", "B")):
        panel, come = serve(name)
        listener = come()
        listener.to_the_sitting(panel.public_token())
        listener.to_the_trials()
        listener.to_the_end(choice)
        state = entered(come).get("/organiser/state").json
        state["storage"] = sorted(state["storage"])
        told.append(json.dumps(state))
    assert told[0] == told[1]
    assert json.loads(told[0])["counts"]["finished"] == 1


def test_of_a_stopping_rule_it_says_what_the_rule_did(serve):
    panel, come = serve(stopping=RULE)
    one = come()
    one.to_the_sitting(panel.public_token())
    one.to_the_trials()
    plan = panel.sitting(one.state()["pseudonym"]).sitting.plan
    answered = 0
    while (view := one.view())["step"] != "finished":
        answered += view["step"] == "trial"
        one.one_trial(plan.trial(view["trial"]).drawn.right["choice"])
    assert answered < 31, "always right: the ratio test ends before its last trial"
    state = entered(come).get("/organiser/state").json
    assert (state["rule"]["ended"], state["rule"]["whole"]) == (1, 0)
    assert "ratio" in state["rule"]["rule"]


def test_it_says_why_nothing_can_be_stored(serve, monkeypatch):
    panel, come = serve()
    organiser = entered(come)

    def full(*_):
        raise Missing(Fault(problem="no room is left on the disk", remedy="make room"))

    monkeypatch.setattr(panel._store, "remember", full)
    told = organiser.get("/organiser/state")
    assert told.status == 503
    assert "no room is left on the disk" in told.json["problem"]
