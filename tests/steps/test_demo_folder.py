"""The demo replaces what it made and nothing else."""

import shutil
from datetime import UTC, datetime, timedelta

import pytest

from blindtest.errors import BlindtestError
from blindtest.steps import demo, demo_study
from blindtest.steps.demo_folder import MADE, fresh_record, laid_out, marked, refuse_foreign


def tree(folder):
    """Return what lies in a folder, with its bytes."""
    return {path.relative_to(folder).as_posix(): path.read_bytes() for path in folder.rglob("*") if path.is_file()}


@pytest.fixture
def tuning(tmp_path):
    folder = tmp_path / "tuning"
    laid_out(folder, "tuning.toml")
    marked(folder, sittings=0)
    return folder


def test_a_study_gets_the_files_it_names_and_no_others(tuning):
    names = set(tree(tuning))
    seatings = {f"measurements/plover/seating-{number}.txt" for number in range(1, 6)}
    clips = {f"clips/{name}.flac" for name in ("plucked", "drums", "voice", "ensemble")}
    assert names == {"study.toml", "measurements/target.txt", MADE, *seatings, *clips}
    assert 'use = "tuning"' in (tuning / "study.toml").read_text(encoding="utf-8")


def test_what_the_demo_made_is_replaced(tuning):
    before = tree(tuning)
    refuse_foreign(tuning)
    laid_out(tuning, "tuning.toml")
    marked(tuning, sittings=0)
    assert tree(tuning) == before


@pytest.mark.parametrize("name", ["notes.txt", "clips/mine.wav", "measurements/plover/seating-6.txt"])
def test_a_foreign_file_is_refused(tuning, name):
    (tuning / name).write_text("mine", encoding="utf-8")
    before = tree(tuning)
    with pytest.raises(BlindtestError, match=r"blindtest demo did not make this file.*move it away"):
        refuse_foreign(tuning)
    assert tree(tuning) == before


def test_a_file_that_was_changed_is_refused(tuning):
    with (tuning / "study.toml").open("a", encoding="utf-8") as file:
        file.write("# my own thoughts\n")
    with pytest.raises(BlindtestError, match=r"study\.toml: this file was changed since"):
        refuse_foreign(tuning)


def test_a_file_that_was_deleted_is_made_again(tuning):
    before = (tuning / "clips" / "voice.flac").read_bytes()
    (tuning / "clips" / "voice.flac").unlink()
    refuse_foreign(tuning)
    laid_out(tuning, "tuning.toml")
    assert (tuning / "clips" / "voice.flac").read_bytes() == before


def test_a_demo_that_was_broken_off_is_taken_up(tmp_path):
    folder = tmp_path / "tuning"
    laid_out(folder, "tuning.toml")
    (folder / "clips" / "voice.flac").write_bytes(b"half a fil")
    refuse_foreign(folder)


def test_somebodys_sitting_is_refused(tuning):
    """A sitting more than the demo held: the record is somebody's, and would be lost."""
    from blindtest.session.store import Store

    refuse_foreign(tuning)
    at = datetime(2026, 3, 4, tzinfo=UTC)
    with Store(tuning / "study.db", entropy=lambda count: bytes(count), create=True) as store:
        sealed = _sealed()
        store.add_seal(sealed, kind="study", created=at)
        store.add_sitting(
            _sealed(b"2"), study_seal=sealed.commitment, listener="me", created=at, deadline=at + timedelta(days=1)
        )
    with pytest.raises(BlindtestError, match=r"study\.db: somebody listened here since"):
        refuse_foreign(tuning)
    marked(tuning, sittings=1)
    refuse_foreign(tuning)
    fresh_record(tuning)
    assert not list(tuning.glob("study.db*"))


def _sealed(nonce=b"1"):
    from blindtest.design import Sealed, commitment

    record = {"title": "a study", "sitting": 1}
    return Sealed(record=record, nonce=nonce * 32, commitment=commitment(record, nonce * 32))


def test_a_file_in_place_of_the_folder_is_refused(tmp_path):
    (tmp_path / "blindtest-demo").write_text("mine", encoding="utf-8")
    with pytest.raises(BlindtestError, match="this is a file, not a folder"):
        demo(tmp_path / "blindtest-demo")
    assert (tmp_path / "blindtest-demo").read_text(encoding="utf-8") == "mine"


@pytest.mark.parametrize("place", ["notes.txt", "impression/notes.txt", "own/study.toml"])
def test_nothing_is_written_where_anything_is_foreign(tmp_path, place):
    """Wherever it lies, and before the first file is laid out."""
    folder = tmp_path / "blindtest-demo"
    (folder / place).parent.mkdir(parents=True, exist_ok=True)
    (folder / place).write_text("mine", encoding="utf-8")
    with pytest.raises(BlindtestError, match="blindtest demo did not make this file"):
        demo(folder)
    assert tree(folder) == {place: b"mine"}


def test_the_study_to_sit_in_keeps_its_record_and_the_others_leave_it_alone(tmp_path):
    folder = tmp_path / "blindtest-demo"
    listen = demo_study(folder / "listen")
    stimuli = sorted(path.name for path in (listen / "stimuli").glob("*.wav"))
    assert len(stimuli) == 14
    (listen / "study.db").write_bytes(b"a record")
    demo_study(listen)
    assert (listen / "study.db").read_bytes() == b"a record"
    assert sorted(path.name for path in (listen / "stimuli").glob("*.wav")) == stimuli
    refuse_foreign(folder)  # what `blindtest demo` asks next
    shutil.rmtree(listen / "stimuli")


def test_a_negative_seed_is_refused(tmp_path):
    with pytest.raises(BlindtestError, match=r"--seed: a seed is a whole number, got -1 \(allowed: 0 or more\)"):
        demo(tmp_path / "blindtest-demo", seed=-1)
    assert not list(tmp_path.iterdir())
