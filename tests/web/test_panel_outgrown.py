"""A panel that outgrows its file midway, as the guide has it (`storage`): a second study on a server, and `compare`.

The record itself can't be moved: its register, seals and chains go on where they began.
"""

import importlib.util
import shutil
from pathlib import Path

import pytest

from blindtest import steps
from blindtest.web import PanelServices, hosts_of, make_panel_app

spec = importlib.util.spec_from_file_location("panel_visitor", Path(__file__).with_name("panel_visitor.py"))
panel_visitor = importlib.util.module_from_spec(spec)
spec.loader.exec_module(panel_visitor)

pytestmark = [pytest.mark.postgres, pytest.mark.long]


def heard(folder, toy, choices):
    """Serve the panel to so many listeners; return the sound hashes of its seal."""
    with steps.open_panel(folder) as panel:
        app = make_panel_app(panel, hosts=hosts_of(8000), services=PanelServices(panel))
        for choice in choices:
            one = panel_visitor.visitor_of(toy, app)
            one.to_the_sitting(panel.public_token())
            one.to_the_trials()
            one.to_the_end(choice)


def test_a_second_study_on_a_server_goes_beside_the_first(panel_template, tmp_path, toy, postgres_server, monkeypatch):
    first, second = Path(shutil.copytree(panel_template, tmp_path / "my-study")), tmp_path / "my-study-2"
    heard(first, toy, "ABA")
    assert steps.close_panel(first).opened.to_dict() == {"plans": 3, "study_seals": 1}
    steps.report(first)

    steps.new(second, old=first)
    for name in ("study.toml", "invitation.md", "consent.md"):
        shutil.copy(first / name, second / name)
    shutil.copytree(first / "stimuli", second / "stimuli", dirs_exist_ok=True)
    monkeypatch.setenv("MY_STUDY_DATABASE", postgres_server.url())
    path = second / "study.toml"
    table = f'[storage]\nurl_from = "MY_STUDY_DATABASE"\nschema_name = "{postgres_server.schema()}"\n\n'
    path.write_text(path.read_text(encoding="utf-8").replace("\n[", f"\n{table}[", 1), encoding="utf-8")
    checked = steps.check(second)
    assert not checked.faults, checked.faults
    steps.render(second)
    heard(second, toy, "BA")
    steps.close_panel(second)
    steps.report(second)
    assert not (second / "study.db").exists()
    assert steps.verify(second / "report" / "bundle").ok
    # The register counts on: whoever reads the second report sees that there was a first.
    pages = [
        path.read_text(encoding="utf-8") for path in (second / "report").glob("*.*") if path.suffix in (".md", ".html")
    ]
    assert any("in folders it came from: 3." in page for page in pages)
    compared = steps.compare([first / "report" / "bundle", second / "report" / "bundle"])
    text = " ".join(compared.text().split())
    assert "The same sounds before other listeners" in text, text
    assert "of 15, 3 listeners" in text
    assert "of 10, 2 listeners" in text
    assert "Mean of right answers" in text
