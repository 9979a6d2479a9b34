"""Real units from the study file to the report: routed over outputs of one sound device, or by an operator."""

import importlib.util
import shutil
from datetime import UTC, datetime
from pathlib import Path

import pytest

from blindtest import steps
from blindtest.cli.commands import main
from blindtest.errors import BlindtestError
from blindtest.report.hardware_facts import HardwareFacts
from blindtest.report.hardware_words import switching_words
from blindtest.session import Connected, Misconnected, Route
from blindtest.steps.place import open_store
from blindtest.steps.playing import open_player
from blindtest.steps.routes import routes_of
from blindtest.study import load_study

SPEC = importlib.util.spec_from_file_location(
    "hardware_folder", Path(__file__).parent.parent / "study" / "hardware_folder.py"
)
FOLDER = importlib.util.module_from_spec(SPEC)
SPEC.loader.exec_module(FOLDER)


def blindtest(*arguments: str) -> int:
    """Run a command in this process, and return its exit code."""
    with pytest.raises(SystemExit) as ended:
        main([*map(str, arguments)])
    return ended.value.code or 0


CHANGES = 'use = "abx"\n[protocol.changes]\npractice.trials = 1\ntest.trials = 16'


@pytest.fixture(scope="module")
def rendered(tmp_path_factory):
    """A routed study, rendered once."""
    text = FOLDER.OUTPUTS.replace('use = "abx"', CHANGES).replace("margin = 0.5", "margin = 0.7")
    place = FOLDER.write(tmp_path_factory.mktemp("hardware") / "routed", text, seconds=1.0)
    steps.render(place)
    return place


@pytest.fixture
def routed(rendered, tmp_path):
    return shutil.copytree(rendered, tmp_path / "routed")


def test_routes_come_from_the_study_and_trims_from_the_voltages(routed):
    routes = routes_of(load_study(routed))
    # At 1 kHz plover-amp is (20 lg(2.005 / 2.001) + 20 lg(2.001 / 2.003)) / 2 = 0.004 dB up.
    assert routes == {"heron-amp": Route(outputs=(1, 2)), "plover-amp": Route(outputs=(3, 4), trim_db=-0.004)}


def test_a_browser_is_refused_and_nothing_is_sealed(routed, capsys):
    assert blindtest("listen", routed, "--listener", "L-1", "--play", "browser", "--no-browser") == 3
    assert "a browser can't reach outputs of their own" in capsys.readouterr().err
    with open_store(load_study(routed), create=False) as store:
        assert store.sittings() == ()


def test_clips_of_other_channels_than_outputs_are_refused():
    with pytest.raises(BlindtestError, match="the clips have 2 channels, condition 'a' has 3 outputs"):
        open_player(
            type("Sitting", (), {"has_level": True})(), {(48_000, 2)}, {"a": Route(outputs=(1, 2, 3))},
            say=lambda line: None,
        )  # fmt: skip


def test_a_routed_sitting_is_analysed_verified_and_reported(routed, monkeypatch, sit):
    sit(routed)
    monkeypatch.setattr("blindtest.steps.reporting.figures", lambda facts: {})  # drawn in tests/report
    shown = steps.report(routed)
    page = " ".join(shown.page.read_text(encoding="utf-8").split())
    for said in (
        "Real units were compared, fed with the same clip at the same level",
        "Heron amplifier, 0417 on outputs 1 and 2; Plover amplifier, 0233 on outputs 3 and 4",
        "heard through the real unit Heron amplifier, 0417, on outputs 1 and 2 of the sound device",
        "Nothing was rendered: the real units were heard, switched by the program, over outputs",
        # 20 lg(2.012 / 1.998) less the trim of 0.004 dB.
        "0.057 dB at 10 kHz",
        "Voltages were entered by hand; nothing in the record proves them.",
    ):
        assert said in page, said
    assert "Stimuli were played by a web browser" not in page
    assert steps.verify(routed).grade == "consistent"


def test_a_voltage_that_changes_makes_another_seal(routed):
    one = steps.seal(routed).study_seal.commitment
    text = (routed / "study.toml").read_text()
    (routed / "study.toml").write_text(text + "# a remark\n")
    assert steps.seal(routed).study_seal.commitment == one
    (routed / "study.toml").write_text(text.replace("[1.998, 2.000]", "[1.999, 2.000]"))
    assert steps.seal(routed).study_seal.commitment != one


def test_an_assisted_sitting_says_what_the_operator_knew_and_how_long_it_took(routed, monkeypatch, sit):
    text = FOLDER.OPERATOR.replace('use = "abx"', CHANGES).replace("margin = 0.5", "margin = 0.7")
    (routed / "study.toml").write_text(text)
    steps.render(routed)
    at = datetime.now(UTC)
    with steps.prepare_sitting(routed, listener="L-one") as prepared:
        for number, took_s in enumerate((1.5, 1.0, 3.5)):
            prepared.happened(Connected(trial=number, attempt=1, slot="A", took_s=took_s, at=at))
        prepared.happened(Misconnected(trial=1, attempt=1, slot="A", at=at))
    sit(routed)
    monkeypatch.setattr("blindtest.steps.reporting.figures", lambda facts: {})  # drawn in tests/report
    page = " ".join(steps.report(routed).page.read_text(encoding="utf-8").replace("\xa0", " ").split())
    for said in (
        "An operator connected the units by a page of their own: Heron amplifier, 0417 at “input 1”",
        "did not know which unit was behind which: the test was double blind as far as that holds",
        "The operator was behind a screen in the listener's room.",
        "3 connections on record; the operator took 1.5 s for half of them, at most 3.5 s.",
        "1 of them was not ready within the 2 s",
        "The operator reported 1 wrong connection",
        "switched by an operator (an assisted sitting)",
        "no sound of a switch, no look and no word told which it was",
    ):
        assert said in page.replace("&#39;", "'"), said
    with open_store(load_study(routed), create=False) as store:
        assert [one.state for one in store.sittings()] == ["finished"]


def test_an_operator_who_knows_makes_it_blind_not_double_blind():
    facts = HardwareFacts(route="operator", switch="a box", units=(), operator_knows=True, operator_place="in sight")
    said = " ".join(switching_words(facts))
    assert "blind for the listener, not double blind" in said
    assert "in the listener's sight" in said


def test_a_place_for_the_operators_page_that_is_none_is_refused(routed, capsys):
    (routed / "study.toml").write_text(FOLDER.OPERATOR)
    steps.render(routed)
    for address in ("everywhere", "0.0.0.0"):
        assert blindtest("listen", routed, "--no-browser", "--play", "browser", "--operator-at", address) == 3
        assert f"--operator-at: not an address of this machine, got '{address}'" in capsys.readouterr().err
