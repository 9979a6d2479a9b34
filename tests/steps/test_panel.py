"""A panel as steps: sittings on several days, what a level is set by, a listener's own result in words."""

from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from blindtest import steps
from blindtest.audio import integrated_loudness
from blindtest.session import Abandoned
from blindtest.steps.panel.level import LevelSounds
from blindtest.steps.panel.results import own_result

SEVERAL_DAYS = {
    'kind = "heard"': 'kind = "rated"',
    "margin = 0.9": "margin = 30",
    'use = "abx"\n[protocol.changes]\npractice.trials = 1\ntest.trials = 5': 'use = "unreliable-labels"',
    "planned = 10": "planned = 40",
}


def test_a_sitting_on_another_day_is_for_another_day(panel_folder, tmp_path):
    folder = panel_folder.write_panel(tmp_path / "study", panel="public = true")
    text = (folder / "study.toml").read_text(encoding="utf-8")
    for old, new in SEVERAL_DAYS.items():
        assert old in text, old
        text = text.replace(old, new)
    (folder / "study.toml").write_text(text, encoding="utf-8")
    now = [datetime(2026, 3, 2, 10, tzinfo=UTC)]
    with steps.open_panel(folder, clock=lambda: now[0]) as panel:
        token = panel.public_token()
        state = panel.opened(token, "").state
        assert state["sittings"] == 2
        one = panel.agreed(token, state["consent_sha256"]).listener
        panel.take(one, "questions", {"age": 0, "equipment": 1})
        assert panel.take(one, "output", {"rate_hz": None, "latency_s": None})["step"] == "sitting"
        first = panel.begin(one)
        assert panel.begin(one).entry.number == first.entry.number, "begun twice: the same sitting"
        first.happened(Abandoned(reason="", at=now[0]))
        first.ended(first.sitting, now[0])
        assert panel.state(one)["step"] == "later"
        assert panel.begin(one) is None
        now[0] += timedelta(days=1)
        assert panel.state(one)["step"] == "sitting"
        second = panel.begin(one)
        assert (second.entry.number, second.entry.place) == (2, 1)
        second.ended(second.sitting, now[0])
        now[0] += timedelta(days=1)
        done = panel.state(one)
        assert (done["step"], done["planned"], done["result"]) == ("thanks", 2, None)


def test_the_level_is_set_by_a_noise_as_loud_as_the_programme():
    """Loudness after ITU-R BS.1770-5, by the meter that tests/audio holds to the standard's material."""
    rng = np.random.default_rng(5)
    programme = np.round(2**23 * 0.05 * rng.standard_normal((96_000, 2))).astype(np.int32)
    loud = np.round(2**23 * 0.8 * np.sign(rng.standard_normal((96_000, 2)))).astype(np.int32)
    stored = {"soft": programme, "loud": loud}
    sounds = LevelSounds(lambda clip, condition: stored[clip], lambda clip: 48_000)
    noise = sounds("soft", "any")
    wanted, got = (integrated_loudness(one / 2**23, 48_000) for one in (programme, noise))
    assert got == pytest.approx(wanted, abs=0.02)
    assert noise.dtype == np.int32
    assert np.abs(noise).max() < 2**23
    # Its peaks would not fit: then the programme itself.
    assert sounds("loud", "any") is loud


class Rows:
    """A store with the rows of one sitting."""

    def __init__(self, *rows):
        self._rows = [
            {"phase": "blind", "block": "test", "sitting": 1, "correct": None, "slot": "choice", "order": ""} | row
            for row in rows
        ]

    def rows(self, number):
        return self._rows


LABELS = {"heron": "Heron", "plover": "Plover"}


def test_own_ratings_are_told_as_means():
    rows = Rows(
        *(
            {"method": "rating", "kind": "rate", "trial": trial, "slot": slot, "condition": bird, "response": points}
            for trial, slot, bird, points in [
                (0, "1", "heron", 80),
                (0, "2", "plover", 40),
                (1, "1", "plover", 45),
                (1, "2", "heron", 71),
            ]
        )
    )
    # (80 + 71) / 2 = 75.5, (40 + 45) / 2 = 42.5, by hand.
    assert own_result(rows, [1], LABELS) == ("Your mean ratings: Heron 75.5, Plover 42.5.",)


def test_own_choices_are_counted_by_what_they_were():
    rows = Rows(
        *(
            {
                "method": "preference",
                "kind": "choose",
                "trial": trial,
                "response": said,
                "order": order,
                "condition": None,
            }
            for trial, said, order in [
                (0, "A", "A=heron|B=plover"),
                (1, "B", "A=plover|B=heron"),
                (2, "A", "A=plover|B=heron"),
            ]
        )
    )
    (told,) = own_result(rows, [1], LABELS)
    assert told == "In 3 trials you chose Heron (2), Plover (1)."


def test_practice_and_controls_are_never_in_it():
    rows = Rows({"phase": "practice", "method": "abx", "kind": "choose", "trial": 0, "correct": True})
    assert own_result(rows, [1], LABELS) == ("No answers that count are on record.",)
