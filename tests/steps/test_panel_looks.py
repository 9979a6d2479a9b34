"""A panel looked at before it is served, in words; and how one stands, in numbers: put in by hand, counted by hand."""

from dataclasses import replace
from datetime import UTC, date, datetime
from types import SimpleNamespace

import pytest

from blindtest.design import ScreeningRules
from blindtest.design.screening import ScreeningTest
from blindtest.steps import PanelLooked
from blindtest.steps.panel.standing import panel_standing

PLAIN = PanelLooked(
    title="Reeds",
    invitation="in.md",
    consent="c.md",
    keep_until=None,
    steps=("invitation", "consent"),
    questions=(),
    screening=ScreeningRules(),
    languages=("en", "de"),
    language="en",
    rates_hz=(),
    sittings=({"name": "", "trials": 6, "minutes": None},),
    deadline_days=2.5,
    public=False,
    public_places=None,
    most_listeners=1,
    own_result="never",
    closes=None,
    closed=False,
)
HEADPHONES = ScreeningTest(name="dichotic", pass_mark=6)
CHANNELS = ScreeningTest(name="channels", pass_mark=5, tries=2)


def said(**more):
    return replace(PLAIN, **more).text().split("\n")


def test_a_plain_panel_in_words():
    assert said() == [
        "Reeds: nothing is served and nothing was stored (--dry-run).",
        "A listener meets:",
        "  1. invitation",
        "  2. consent",
        "Invitation: in.md. Consent: c.md.",
        "Pages: in English (en), Deutsch (de), as the browser asks or the listener chooses; else in English.",
        "On another device or in another browser what plays there comes once more, and the level is set anew.",
        "Sitting: 6 trials, practice and controls among them.",
        "A sitting that was begun can be finished within 2.5 days; then it is abandoned.",
        "Links: personal ones.",
        "At most 1 listener. Own results are told never.",
    ]


@pytest.mark.parametrize(
    ("more", "line"),
    [
        ({"keep_until": "2031-01-01"}, "Invitation: in.md. Consent: c.md, answers kept until 2031-01-01."),
        (
            {"keep_until": "2031-01-01"},
            "A sitting that was begun can be finished within 2.5 days, at the latest on 2031-01-01; "
            "then it is abandoned.",
        ),
        ({"public": True}, "Links: personal ones, and a public one."),
        ({"public": True, "public_places": 7}, "Links: personal ones, and a public one for 7 listeners."),
        ({"public_places": 7}, "Links: personal ones."),
        ({"closes": "2031-01-01"}, "Closes after 2031-01-01."),
        ({"closes": "2031-01-01", "closed": True}, "Closes after 2031-01-01: it is closed."),
        ({"closed": True}, "It is closed."),
        ({"reminder": "Delete it."}, "Delete it."),
        ({"rates_hz": (44_100,)}, "Sounds at 44100 Hz."),
        ({"rates_hz": (44_100, 48_000)}, "Sounds at 44100 Hz and 48000 Hz."),
        (
            {"questions": ({"words": "Why?", "options": ["a", "b"], "rather_not_say": True},)},
            "Asked: Why? (a; b; I would rather not say)",
        ),
        ({"questions": ({"words": "Why?", "options": ["a", "b"], "rather_not_say": False},)}, "Asked: Why? (a; b)"),
        (
            {"sittings": ({"name": "one of 2", "trials": 8, "minutes": 0.2},)},
            "Sitting one of 2: 8 trials, practice and controls among them, about 1 min (an estimate).",
        ),
        (
            {"sittings": ({"name": "", "trials": 8, "minutes": 2.4},)},
            "Sitting: 8 trials, practice and controls among them, about 2 min (an estimate).",
        ),
        (
            {"screening": ScreeningRules(tests=(HEADPHONES,))},
            "Who fails a headphone test goes on and counts; it goes on record.",
        ),
        (
            {"screening": ScreeningRules(tests=(CHANNELS, HEADPHONES), on_fail="end")},
            "Who fails a headphone test takes no further part.",
        ),
        (
            {"screening": ScreeningRules(tests=(CHANNELS,))},
            "On another device or in another browser what plays there and these tests come once more, and the level "
            "is set anew.",
        ),
    ],
)
def test_what_is_more_is_said(more, line):
    assert line in said(**more)
    assert line not in said() or line == "Links: personal ones."


def test_a_test_of_the_channels_is_no_headphone_test():
    assert not any("headphone test" in line for line in said(screening=ScreeningRules(tests=(CHANNELS,))))


def test_tries_and_guesses_are_told():
    """By hand: all of 6 by thirds is 3^-6 = .00137, told with two digits; tries only where there are several."""
    lines = said(screening=ScreeningRules(tests=(CHANNELS, HEADPHONES)))
    (own,) = [line for line in lines if "(dichotic)" in line]
    assert own.endswith(
        "(dichotic): 6 sounds, 6 of them right to pass; guesses alone pass with a probability of 0.0014"
    )
    (other,) = [line for line in lines if "(channels)" in line]
    assert "5 of them right to pass, up to 2 tries; guesses" in other


NOW = datetime(2026, 1, 1, 12, tzinfo=UTC)


class Kept:
    """A store of so many sittings: (state, links of the chain)."""

    def __init__(self, path, *sittings):
        self.path, self.written = path, []
        self.panel = SimpleNamespace(counts=lambda: "counted")
        self._sittings = [SimpleNamespace(state=state, links=links) for state, links in sittings]

    def remember(self, key, value):
        self.written.append((key, value))

    def sittings(self):
        return self._sittings


def study(stopping=None, closes=None):
    return SimpleNamespace(
        title="Reeds",
        panel=SimpleNamespace(closes=closes, most_listeners=20),
        listeners=SimpleNamespace(planned=12, keep_until=None),
        protocol=SimpleNamespace(
            trials=32, blocks=[SimpleNamespace(stopping="sprt"), SimpleNamespace(stopping=stopping)]
        ),
    )


def test_sittings_that_a_rule_ended_are_those_short_of_the_last_trial(tmp_path):
    store = Kept(
        tmp_path / "none.db", ("finished", 31), ("finished", 32), ("finished", 9), ("open", 4), ("abandoned", 5)
    )
    found = panel_standing(study(SimpleNamespace(rule="sprt")), store, closed=False, at=NOW).rule
    assert (found.ended, found.whole) == (2, 1)
    assert panel_standing(study(), store, closed=False, at=NOW).rule is None


def test_the_storage_is_written_to_and_measured(tmp_path):
    path = tmp_path / "study.db"
    path.write_bytes(bytes(1000))
    store = Kept(path)
    assert panel_standing(study(), store, closed=False, at=NOW).storage.bytes == 1000
    assert store.written == [("panel_seen", "2026-01-01T12:00:00+00:00")]
    (tmp_path / "study.db-wal").write_bytes(bytes(234))
    found = panel_standing(study(closes=date(2031, 1, 2)), store, closed=True, at=NOW)
    assert (found.storage.kind, found.storage.bytes) == ("SQLite", 1234)
    assert found.storage.free_bytes > 0
    assert 0 <= found.storage.write_ms < 60_000
    assert (found.closed, found.closes, found.planned, found.most_listeners) == (True, "2031-01-02", 12, 20)


def test_a_database_elsewhere_has_no_file_here(tmp_path):
    found = panel_standing(study(), Kept(tmp_path / "none.db"), closed=False, at=NOW)
    assert (found.storage.kind, found.storage.bytes, found.storage.free_bytes) == ("PostgreSQL", None, None)
    assert found.closes is None
