"""What `check` says of a panel: its texts, its questions, what can't be heard far away; each text held."""

from datetime import UTC, datetime

import pytest

from blindtest import steps
from blindtest.errors import BlindtestError
from blindtest.study import examine, load_study
from blindtest.study.panel import band_words


@pytest.fixture
def folder(panel_folder, tmp_path):
    return panel_folder.write_panel(tmp_path / "study")


def edit(folder, old, new):
    path = folder / "study.toml"
    text = path.read_text(encoding="utf-8")
    assert old in text
    path.write_text(text.replace(old, new), encoding="utf-8")


def faults(folder):
    with pytest.raises(BlindtestError) as found:
        load_study(folder)
    return [str(fault).partition("study.toml:")[2] for fault in found.value.faults]


def test_a_panel_is_read(folder):
    panel = load_study(folder).panel
    assert (panel.invitation, panel.public, panel.public_places) == ("invitation.md", False, None)
    assert (panel.most_listeners, panel.own_result, panel.closes) == (10, "after the end", None)
    assert [question.id for question in panel.questions] == ["age", "equipment"]


@pytest.mark.parametrize(
    ("bands", "unit", "words"),
    [
        ([18, 30, 45], "years", ["under 18 years", "18 to 29 years", "30 to 44 years", "45 years or more"]),
        ([1, 2, 10], "", ["under 1", "1", "2 to 9", "10 or more"]),
        ([0.5, 2], "m", ["under 0.5 m", "0.5 to under 2 m", "2 m or more"]),
        ([3], "", ["under 3", "3 or more"]),
    ],
)
def test_bands_in_words(bands, unit, words):
    """Counted by hand: of whole numbers a band ends one before the next begins."""
    assert [str(one) for one in band_words(bands, unit)] == words


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ('consent = "consent.md"\n', "", "panel: a panel needs a consent text: nobody is asked or listens before"),
        ('"invitation.md"', '"inv.md"', "panel.invitation: there is no such file, got 'inv.md'"),
        ('"invitation.md"', '"../invitation.md"', "panel.invitation: "),
        ('"invitation.md"', '"invitation.md"\npublic_places = 3', "panel.public_places: there is no public link"),
        ('id = "equipment"', 'id = "age"', "panel.question.age.id: another question has this id, in line "),
        ("bands = [18, 30, 45, 60]", "bands = [18, 18]", "panel.question.age.bands: the numbers do not rise"),
        ("bands = [18, 30, 45, 60]\n", "", "panel.question.age.bands: missing: what can be answered?"),
        (
            'kind = "choice"',
            'kind = "choice"\nunit = "m"',
            "panel.question.equipment.unit: does not go with kind = 'choice'",
        ),
        (
            '["headphones", "loudspeakers"]',
            '["ears", "Ears"]',
            "panel.question.equipment.options: an answer stands there twice",
        ),
        ("rather_not_say", "rather_not_tell", "panel.question.equipment.rather_not_tell: unknown key"),
        (
            '"invitation.md"',
            '"invitation.md"\nown_result = "soon"',
            "panel.own_result: not one of the words known here",
        ),
        ('"invitation.md"', '"invitation.md"\ncloses = "2027-01-01"', "panel.closes: not a date"),
        (
            'consent = "consent.md"',
            'consent = "consent.md"\nlanguage = "fr"',
            "listeners.language: not one of the words known here, got 'fr' (allowed: 'en' or 'de')",
        ),
        (
            'options = ["headphones", "loudspeakers"]\nrather_not_say = false',
            'options = ["headphones", "I would rather not say"]',
            "panel.question.equipment.options: 'I would rather not say' is offered anyhow",
        ),
    ],
)
def test_each_mistake_is_said_in_one_line(folder, old, new, said):
    edit(folder, old, new)
    found = faults(folder)
    assert any(said in fault for fault in found), found
    assert len(found) == 1


@pytest.mark.parametrize(
    ("raw", "said"),
    [(b"\xff\xfe", "not UTF-8"), (b" \n", "empty: listeners would read nothing"), (b"x" * 100_001, "too long")],
)
@pytest.mark.parametrize("name", ["invitation.md", "consent.md"])
def test_texts_that_cannot_be_shown(folder, name, raw, said):
    (folder / name).write_bytes(raw)
    (fault,) = faults(folder)
    assert said in fault


def test_notes_say_what_a_panel_cannot_know(folder):
    edit(folder, 'invitation = "invitation.md"', 'invitation = "invitation.md"\npublic = true')
    notes = [str(note) for note in examine(folder).notes]
    assert any(
        "results hold for one condition against another over whatever each listener wears" in one for one in notes
    )
    assert any("the public link stays open until 10 listeners have agreed" in one for one in notes)


def test_notes_say_which_numbers_and_days_do_not_go_together(folder, panel_folder):
    """Of the ten listeners that are planned: each line held by one number or day that contradicts another."""
    edit(
        folder,
        'invitation = "invitation.md"',
        'invitation = "invitation.md"\npublic = true\npublic_places = 9\nmost_listeners = 8\ncloses = 2030-01-02',
    )
    edit(folder, f"keep_until = {panel_folder.KEEP_UNTIL}", "keep_until = 2030-01-01")
    notes = " ".join(str(note) for note in examine(folder).notes)
    assert "panel.most_listeners: 8 are let in and 10 planned" in notes
    assert "panel.public_places: the public link admits 9, the panel 8 in all" in notes
    assert "panel.closes: 2030-01-02 is later than keep_until, 2030-01-01" in notes
    edit(folder, "public_places = 9\nmost_listeners = 8\ncloses = 2030-01-02", "public_places = 9\ncloses = 2030-01-01")
    notes = " ".join(str(note) for note in examine(folder).notes)
    assert "planned: the number" not in notes
    assert "public_places" not in notes
    assert "closes" not in notes


def test_check_says_that_the_day_on_which_a_panel_closes_is_over(folder):
    edit(folder, 'invitation = "invitation.md"', 'invitation = "invitation.md"\ncloses = 2026-05-06')
    for day, said in ((6, False), (7, True)):
        notes = steps.check(folder, clock=lambda day=day: datetime(2026, 5, day, 12, tzinfo=UTC)).notes
        assert any("to close on 2026-05-06, which has passed" in note for note in notes) == said


def test_a_worn_phase_and_real_units_are_refused(folder):
    edit(folder, 'use = "abx"\n[protocol.changes]\npractice.trials = 1\ntest.trials = 5', 'use = "survival"')
    assert any("is for the real unit, which a panel's listeners do not have" in one for one in faults(folder))
