"""What was copied and not changed is pointed out: it would be read as a device that sounds like another."""

import shutil

from blindtest.study import examine


def notes(folder):
    examined = examine(folder)
    assert examined.faults == ()
    return "\n".join(str(note) for note in examined.notes)


def test_a_right_study_has_no_copies(folder):
    said = notes(folder)
    assert "two names" not in said
    assert "same name" not in said
    assert "same excerpt" not in said


def test_measurements_that_lie_in_two_folders_are_told(folder):
    for number in range(2):
        shutil.copy(
            folder / "measurements/heron" / f"seating-{number}.txt", folder / "measurements/plover" / f"{number}.csv"
        )
    assert (
        "unit.plover: measurements/plover/0.csv is measurements/heron/seating-0.txt of unit heron, byte for byte, "
        "and so for 1 more: is one measurement under two names meant?"
    ) in notes(folder)


def test_a_table_of_a_unit_that_was_copied_and_not_changed_is_told(changed):
    folder = changed(
        ('"measurements/plover/*.csv"', '"measurements/heron/seating-1.txt"'),
        ("Plover, closed-back", "Heron, open-back"),
    )
    said = notes(folder)
    assert "unit.plover: measurements/heron/seating-1.txt is that of unit heron: is one measurement" in said
    assert "unit.plover.name: the same name as unit heron: " in said


def test_two_samples_of_one_unit_share_its_name(changed):
    folder = changed(
        ('name = "Heron, open-back headphone"', 'name = "Bird"\nserial_suffix = "1"'),
        ('name = "Plover, closed-back headphone"', 'name = "Bird"\nserial_suffix = "2"'),
    )
    assert "same name" not in notes(folder)


def test_a_clip_that_stands_there_twice_is_told(changed):
    again = '[[clip]]\nid = "again"\nfile = "clips/strings.wav"\nin_s = 0.5\n{}licence = "CC0-1.0"\n\n[protocol]'
    folder = changed(("[protocol]", again.format("out_s = 3.75\n")))
    assert "clip.again.file: the same excerpt as clip strings: one piece of music counts as two" in notes(folder)
    changed((again.format("out_s = 3.75\n"), again.format("")))
    assert "same excerpt" not in notes(folder), "another part of the same file"
