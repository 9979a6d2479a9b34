"""Answers kept for longer than was promised: said in one line by check, listen and analyze, until they are erased."""

import shutil
import time as clock
from datetime import UTC, date, datetime, time, timedelta
from pathlib import Path
from types import SimpleNamespace

import pytest

from blindtest import steps
from blindtest.steps.keeping import keeping_ends, keeping_was, reminder_of
from blindtest.study import load_study

NOON = datetime(2027, 3, 2, 12, 0, tzinfo=UTC)
LINE = "Answers were to be kept until 2027-03-01, which has passed; erase each listener's with: blindtest forget "


@pytest.fixture
def study(own_study):
    path = own_study / "study.toml"
    text = path.read_text(encoding="utf-8")
    assert "\n[listeners]" not in text
    path.write_text(f"{text}\n[listeners]\nkeep_until = 2027-03-01\n", encoding="utf-8")
    assert load_study(own_study).listeners.keep_until is not None
    return own_study


@pytest.mark.long
def test_three_commands_remind_until_everybody_is_forgotten(study, sit):
    before, after = NOON - timedelta(days=2), NOON
    assert not [note for note in steps.check(study, clock=lambda: after).notes if "kept" in note], "nobody has listened"
    assert LINE not in sit(study, seed=1, d_prime=2, clock=lambda: before).said
    for at, reminded in ((before, False), (after, True)):
        analysis = steps.analyze(study, clock=lambda at=at: at)
        assert (LINE in analysis.text()) == (analysis.reminder != "") == reminded
        assert analysis.to_dict()["reminder"] == analysis.reminder
        checked = steps.check(study, clock=lambda at=at: at)
        assert not checked.faults
        assert any(note.startswith(LINE) for note in checked.notes) == reminded
    with steps.prepare_sitting(study, listener="L-two", clock=lambda: after) as prepared:
        (line,) = [line for line in prepared.announcement().splitlines() if "kept" in line]
        assert line == f"{LINE}PSEUDONYM {study}"
    steps.forget(study, "L-one")
    steps.forget(study, "L-two")
    assert not [note for note in steps.check(study, clock=lambda: after).notes if "kept" in note]


def test_the_day_itself_still_belongs_to_them():
    def words(at, listener="L-one"):
        study = SimpleNamespace(
            folder="my-study", listeners=SimpleNamespace(keep_until=datetime(2027, 3, 1, tzinfo=UTC).date())
        )
        return reminder_of(study, [SimpleNamespace(listener=listener)], at)

    # Whole days away, so that it holds wherever this machine stands.
    assert words(datetime(2027, 2, 28, 12, tzinfo=UTC)) == ""
    assert words(datetime(2027, 3, 1).astimezone()) == ""
    assert words(datetime(2027, 3, 1, 23, 59, 59).astimezone()) == ""
    assert words(datetime(2027, 3, 2).astimezone()) == f"{LINE}PSEUDONYM my-study"
    assert words(datetime(2027, 3, 2).astimezone(), listener="withheld") == ""


@pytest.mark.skipif(not hasattr(clock, "tzset"), reason="where this machine stands can't be set")
@pytest.mark.parametrize(
    ("place", "last", "end"),
    [
        # POSIX.1-2017, 8.3 (TZ). Clocks go from 0 h to 1 h on the last Friday of April: that day begins at 1 h.
        ("EET-2EEST,M4.5.5/0,M10.5.4/24", date(2027, 4, 29), datetime(2027, 4, 29, 22, tzinfo=UTC)),
        # From 1 h back to 0 h on the first Sunday of November: that day's first midnight counts.
        ("CST5CDT,M3.2.0/0,M11.1.0/1", date(2027, 11, 6), datetime(2027, 11, 7, 4, tzinfo=UTC)),
        ("EET-2EEST,M4.5.5/0,M10.5.4/24", date(2027, 3, 1), datetime(2027, 3, 1, 22, tzinfo=UTC)),
    ],
)
def test_a_day_ends_as_the_next_begins_also_where_clocks_change_at_midnight(monkeypatch, place, last, end):
    monkeypatch.setenv("TZ", place)
    clock.tzset()
    try:
        study = SimpleNamespace(listeners=SimpleNamespace(keep_until=last))
        assert keeping_ends(study).astimezone(UTC) == end
        assert keeping_was(study, end)
        assert not keeping_was(study, end - timedelta(seconds=1))
    finally:
        monkeypatch.undo()
        clock.tzset()


def test_a_panel_is_reminded_of_the_day_whether_somebody_came_or_not(panel_folder, panel_template, tmp_path):
    """`check`, a look beforehand and the serving itself: erase those who came, and nobody new can be kept."""
    folder = Path(shutil.copytree(panel_template, tmp_path / "study"))
    day = panel_folder.KEEP_UNTIL
    at = datetime.combine(day + timedelta(days=2), time(), UTC)
    late = f"Answers are to be kept until {day}, which has passed: what came in now could not be kept, so nobody is"

    def notes():
        return [note for note in steps.check(folder, clock=lambda: at).notes if "which has passed" in note]

    assert steps.look_at_panel(folder, clock=lambda: at - timedelta(days=3)).reminder == ""
    assert steps.look_at_panel(folder, clock=lambda: at).text().splitlines()[-1].startswith(late)
    assert [note.startswith(late) for note in notes()] == [True]
    clock = SimpleNamespace(at=at - timedelta(days=3))
    with steps.open_panel(folder, clock=lambda: clock.at) as panel:
        assert panel.reminder() == ""
        token = panel.public_token()
        # Who agreed and never listened is on record as well.
        one = panel.agreed(token, panel.opened(token, "").state["consent_sha256"]).listener
        clock.at = at
        due = f"Answers were to be kept until {day}, which has passed; erase each listener's with: blindtest forget "
        assert panel.reminder().startswith(due)
    assert [note.startswith(due) for note in notes()] == [True]
    steps.forget(folder, one)
    assert [note.startswith(late) for note in notes()] == [True]
