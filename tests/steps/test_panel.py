"""A panel as steps: sittings on several days, what a level is set by, a listener's own result in words."""

from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from scipy.stats import binomtest

from blindtest import steps
from blindtest.audio import integrated_loudness
from blindtest.errors import BlindtestError
from blindtest.methods import METHODS
from blindtest.session import Abandoned
from blindtest.steps.panel.level import LevelSounds
from blindtest.steps.panel.results import own_result
from blindtest.steps.panel.steps import step_named

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


def answered(method, right, count, **more):
    return Rows(
        *(
            {"method": method, "kind": "choose", "trial": trial, "response": "A", "condition": None,
             "correct": trial < right} | more
            for trial in range(count)
        )
    )  # fmt: skip


@pytest.mark.parametrize(
    ("method", "right", "count", "guessed", "chance"),
    [
        # By scipy.stats.binomtest(..., alternative="greater"): .0384, 3.4e-4, .0130, .701, 1.
        ("abx", 12, 16, "8", "3.8 in 100"),
        ("duo-trio", 31, 40, "20", "less than 1 in 1000"),
        ("triangle", 12, 20, "6.67", "1.3 in 100"),
        ("tetrad", 3, 10, "3.33", "70 in 100"),
        ("same-different", 0, 4, "2", "100 in 100"),
    ],
)
def test_own_right_answers_are_told_beside_what_guessing_gives(method, right, count, guessed, chance):
    guess = METHODS[method].guess_rate
    p = binomtest(right, count, guess, alternative="greater").pvalue
    assert chance == ("less than 1 in 1000" if p < 0.001 else f"{float(f'{100 * p:.2g}'):g} in 100")
    (told,) = own_result(answered(method, right, count), [1], LABELS)
    assert told == (
        f"{right} of your {count} answers were right. Somebody who hears no difference and guesses has {guessed} right "
        f"on average, and as many as you or more with a chance of {chance}."
    )


def test_own_answers_to_levels_that_change_are_only_counted():
    assert own_result(answered("staircase", 9, 12), [1], LABELS) == ("9 of your 12 answers were right.",)
    set_by_hand = answered("adjustment", 0, 3, kind="adjust", correct=None)
    assert own_result(set_by_hand, [1], LABELS) == ("You set a sound 3 times.",)


def test_one_is_told_as_one():
    assert own_result(answered("staircase", 1, 5), [1], LABELS) == ("1 of your 5 answers was right.",)
    assert own_result(answered("staircase", 0, 5), [1], LABELS) == ("0 of your 5 answers were right.",)
    assert own_result(answered("staircase", 1, 1), [1], LABELS) == ("Your only answer was right.",)
    assert own_result(answered("staircase", 0, 1), [1], LABELS) == ("Your only answer was wrong.",)
    once = answered("adjustment", 0, 1, kind="adjust", correct=None)
    assert own_result(once, [1], LABELS) == ("You set a sound 1 time.",)


def test_what_a_browser_says_of_its_sound_is_a_number_or_nothing():
    taken = step_named("output").taken
    assert taken(None, None, {"rate_hz": 48_000, "latency_s": None}) == {"rate_hz": 48_000.0, "latency_s": None}
    assert taken(None, None, {"rate_hz": 1_000, "latency_s": 60}) == {"rate_hz": 1_000.0, "latency_s": 60.0}
    assert taken(None, None, {}) == {"rate_hz": None, "latency_s": None}
    for wrong in (999, 1_000_001, True, "48000", float("nan"), float("inf"), 10**400, [48_000]):
        with pytest.raises(BlindtestError, match="rate_hz: not a number from 1000 to 1e"):
            taken(None, None, {"rate_hz": wrong})
    with pytest.raises(BlindtestError, match="latency_s: not a number from 0 to 60"):
        taken(None, None, {"latency_s": -0.01})


def test_practice_and_controls_are_never_in_it():
    rows = Rows({"phase": "practice", "method": "abx", "kind": "choose", "trial": 0, "correct": True})
    assert own_result(rows, [1], LABELS) == ("No answers that count are on record.",)
