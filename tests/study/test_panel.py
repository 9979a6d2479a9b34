"""What `check` says of a panel: its texts, its questions, what can't be heard far away; each text held."""

import pytest

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


def test_a_worn_phase_and_real_units_are_refused(folder):
    edit(folder, 'use = "abx"\n[protocol.changes]\npractice.trials = 1\ntest.trials = 5', 'use = "survival"')
    assert any("is for the real unit, which a panel's listeners do not have" in one for one in faults(folder))
