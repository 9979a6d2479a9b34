"""A panel whose record stands in PostgreSQL: served, cut off from its database, resumed, taken by one program only."""

import importlib.util
import os
import shutil
from pathlib import Path

import pytest

from blindtest import steps
from blindtest.errors import BlindtestError
from blindtest.session.store import Store
from blindtest.steps.storage import database_of
from blindtest.study import load_study
from blindtest.web import PanelServices, hosts_of, make_panel_app

spec = importlib.util.spec_from_file_location("panel_visitor", Path(__file__).with_name("panel_visitor.py"))
panel_visitor = importlib.util.module_from_spec(spec)
spec.loader.exec_module(panel_visitor)

pytestmark = pytest.mark.postgres


@pytest.fixture
def folder(panel_template, tmp_path, postgres_server, monkeypatch):
    monkeypatch.setenv("PANEL_DATABASE", postgres_server.url())
    copied = Path(shutil.copytree(panel_template, tmp_path / "study"))
    path = copied / "study.toml"
    table = f'[storage]\nurl_from = "PANEL_DATABASE"\nschema_name = "{postgres_server.schema()}"\n\n'
    path.write_text(path.read_text(encoding="utf-8").replace("\n[", f"\n{table}[", 1), encoding="utf-8")
    return copied


def serving(panel):
    return make_panel_app(panel, hosts=hosts_of(8000), services=PanelServices(panel))


def view_of_trial(one):
    """Go on to the next trial, listen, and return what is seen."""
    while (view := one.view())["step"] != "trial":
        one.one_trial()
    one.listen(view)
    return view


def test_a_panel_goes_on_after_its_database_was_stopped(folder, postgres_server, toy):
    with steps.open_panel(folder) as panel:
        app = serving(panel)
        one, two = (panel_visitor.visitor_of(toy, app) for _ in range(2))
        for each in (one, two):
            each.to_the_sitting(panel.public_token())
            each.to_the_trials()
        assert one.answer(view_of_trial(one)).status == 200
        with pytest.raises(BlindtestError, match="the panel of this study is served by another program"):
            steps.open_panel(folder)

        waiting = [view_of_trial(each) for each in (one, two)]
        postgres_server.stop("immediate")
        newcomer = panel_visitor.visitor_of(toy, app)
        for told in (
            *(each.answer(view, "A") for each, view in zip((one, two), waiting, strict=True)),
            newcomer.post("/panel/open", {"token": "nobody"}),
            one.get("/panel/state"),
            one.post("/panel/withdraw", {}),
        ):
            assert (told.status, told.json) == (503, {"problem": "this could not be stored yet"})
        postgres_server.start()

        for each in (one, two):
            each.to_the_end()
        assert panel.counts().finished == 2
        withdrawn = two.state()["pseudonym"]
    # The same link in another run: what was stored is there.
    with steps.open_panel(folder) as panel:
        back = panel_visitor.visitor_of(toy, serving(panel))
        assert back.open(one.resume)["step"] == "thanks"
    assert steps.forget(folder, withdrawn).sittings == (2,)
    # The end of a panel opens the nonces of all plans at once, there too.
    assert steps.close_panel(folder).opened.to_dict() == {"plans": 2, "study_seals": 1}
    with Store(database_of(load_study(folder)), entropy=os.urandom, create=False) as store:
        assert [seal.kind for seal in store.seals() if seal.opened is None] == []
    assert steps.verify(folder).ok
    assert not (folder / "study.db").exists()
    with Store(database_of(load_study(folder)), entropy=os.urandom, create=False) as store:
        rows = store.rows(1)
        assert len({row["trial"] for row in rows}) == len(rows) == 6
        assert store.rows(2) == ()
        assert store.faults() == ()
