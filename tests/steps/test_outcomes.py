"""What may go wrong around a sitting has a defined outcome: two at once, a clock set back, a folder to read only.

A full disk and an erring one: tests/session/test_faults.py and test_store.py. A second tab: tests/web/test_app.py and
tests/browser/test_sitting.py.
"""

import os
import shutil
import sqlite3
import tempfile
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path
from threading import Barrier

import numpy as np
import pytest

from blindtest import steps
from blindtest.errors import BlindtestError, Missing
from blindtest.session import SimulatedListener, event_from_dict, restored, simulate_sitting, simulated_clock
from blindtest.session.store import Store
from blindtest.steps.prepared_sitting import study_id

BEGINS = datetime(2026, 5, 6, 20, 0, tzinfo=UTC)


@pytest.fixture(scope="module")
def rendered(own_template, tmp_path_factory):
    folder = tmp_path_factory.mktemp("rendered") / "my-study"
    shutil.copytree(own_template, folder)
    steps.render(folder)
    return folder


@pytest.fixture
def study(rendered, tmp_path):
    return Path(shutil.copytree(rendered, tmp_path / "my-study"))


def register(folder):
    with Store(folder / "study.db", entropy=os.urandom, create=False) as store:
        return [(entry.number, entry.listener, entry.state) for entry in store.sittings()]


def test_a_sitting_that_is_open_elsewhere_is_not_opened_twice(study):
    with steps.prepare_sitting(study, listener="L-one"):
        for again in (lambda: steps.prepare_sitting(study), lambda: steps.prepare_sitting(study, listener="L-one")):
            with pytest.raises(BlindtestError, match="sitting 1 is open in another program; go on in the page that"):
                again()
        with pytest.raises(BlindtestError, match="sitting 1 is open in another program"):
            steps.abandon(study)
        # Another listener's sitting is another matter.
        with steps.prepare_sitting(study, listener="L-two") as other:
            assert other.entry.number == 2
    with steps.prepare_sitting(study, listener="L-one") as resumed:
        assert resumed.resumed
    assert register(study) == [(1, "L-one", "open"), (2, "L-two", "open")]


def test_two_sittings_started_at_the_same_instant_are_one(study):
    """Both find nothing open; one is registered and held, the other is told so in one line."""
    together = Barrier(2)

    def begin(_):
        together.wait()
        try:
            return steps.prepare_sitting(study, listener="L-one")
        except BlindtestError as error:
            return error

    with ThreadPoolExecutor(2) as pool:
        came = list(pool.map(begin, range(2)))
    (refused,) = [one for one in came if isinstance(one, BlindtestError)]
    (opened,) = [one for one in came if not isinstance(one, BlindtestError)]
    assert len(str(refused).splitlines()) == 1
    with opened:
        assert register(study) == [(1, "L-one", "open")]
        assert opened.sitting.plan.commitment == opened.entry.commitment


def test_a_clock_set_back_during_a_sitting_changes_no_order_and_no_grade(study):
    """The machine's battery was empty: the second half is stamped a year before the first."""
    rng = np.random.default_rng(1)
    listener = SimulatedListener(pseudonym="L-one", d_prime=2.5)
    with steps.prepare_sitting(study, listener="L-one", clock=lambda: BEGINS) as prepared:
        simulate_sitting(
            prepared.sitting.plan, listener, rng, simulated_clock(BEGINS, rng), study=prepared.sitting.study,
            save=prepared.answered, stop_after=10,
        )  # fmt: skip
        before = prepared.sitting.plan.commitment
    back = BEGINS - timedelta(days=365)
    with steps.prepare_sitting(study, clock=lambda: back) as prepared:
        assert (prepared.sitting.trial, prepared.sitting.plan.commitment) == (10, before)
        whole = simulate_sitting(
            prepared.sitting.plan, listener, rng, simulated_clock(back, rng), study=prepared.sitting.study
        )
        for answer in whole.answers[10:]:
            prepared.answered(answer)
        prepared.ended(whole, back)
        ended = prepared.result()
    assert (ended.state, ended.answered) == ("finished", whole.plan.length)
    with Store(study / "study.db", entropy=os.urandom, create=False) as store:
        rows = store.rows(1)
        assert [row["trial"] for row in rows] == list(range(whole.plan.length))
        assert rows[9]["answered_at"] > rows[10]["answered_at"], "the clock did go back"
        again = restored(
            whole.plan, rows, study=study_id(whole.plan.record), listener="L-one",
            events=[event_from_dict(held) for held in store.events(1)],
        )  # fmt: skip
        assert again.step == "finished"
    assert steps.verify(study).grade == "consistent"
    assert steps.analyze(study).answers.listeners[0].trials == 28


@contextmanager
def as_somebody_without_rights(folder):
    """Give `folder` to a user to whom its rights apply (root may do all) and be that user meanwhile."""
    for place in (folder, *folder.rglob("*")):
        place.chmod(0o500 if place.is_dir() else 0o400)
        if os.geteuid() == 0:
            os.chown(place, 65_534, 65_534)
    if os.geteuid() != 0:
        yield
        return
    os.seteuid(65_534)
    try:
        yield
    finally:
        os.seteuid(0)


@pytest.mark.skipif(not hasattr(os, "geteuid"), reason="rights are those of POSIX")
@pytest.mark.parametrize("begun", [False, True], ids=["before the first sitting", "in the middle"])
def test_a_folder_to_read_only_is_one_line_and_stays_as_it_is(study, begun):
    if begun:
        with steps.prepare_sitting(study, listener="L-one"):
            pass
    # Not below the tests' own folder: other users may not enter that.
    with tempfile.TemporaryDirectory() as place:
        Path(place).chmod(0o755)
        folder = Path(shutil.copytree(study, Path(place) / "my-study"))
        before = {path.name: path.read_bytes() for path in folder.rglob("*") if path.is_file()}
        try:
            with as_somebody_without_rights(folder), pytest.raises(Missing, match=r"may you write") as refused:
                steps.prepare_sitting(folder, listener="L-one")
        finally:
            for path in (folder, *folder.rglob("*")):
                path.chmod(0o700 if path.is_dir() else 0o600)
        assert len(str(refused.value).splitlines()) == 1
        assert refused.value.exit_code == 4
        assert {path.name: path.read_bytes() for path in folder.rglob("*") if path.is_file()} == before


@pytest.mark.skipif(not hasattr(os, "geteuid"), reason="rights are those of POSIX")
def test_a_record_on_a_medium_to_read_only_is_checked_and_read(study):
    """As on a snapshot or a disc: also where the program that wrote it was killed, and its log lies beside it."""
    with steps.prepare_sitting(study, listener="L-one") as prepared:
        commitment = prepared.entry.commitment
    with tempfile.TemporaryDirectory() as place, sqlite3.connect(study / "study.db") as still_open:
        still_open.execute("PRAGMA wal_autocheckpoint = 0")
        still_open.execute("CREATE TABLE later (x)")
        still_open.commit()
        assert (study / "study.db-wal").stat().st_size
        Path(place).chmod(0o755)
        folder = Path(shutil.copytree(study, Path(place) / "my-study"))
        still_open.execute("DROP TABLE later")
        wanted = steps.verify(study, published=[commitment]).text()
        before = {path.name: path.read_bytes() for path in folder.rglob("*") if path.is_file()}
        try:
            with as_somebody_without_rights(folder):
                assert steps.verify(folder, published=[commitment]).text() == wanted
                with pytest.raises(BlindtestError, match="sitting 1 is open: no analysis") as refused:
                    steps.analyze(folder)
                with pytest.raises(Missing, match="can't be written to"):
                    steps.analyze(folder, while_open="it would have to go on record")
        finally:
            for path in (folder, *folder.rglob("*")):
                path.chmod(0o700 if path.is_dir() else 0o600)
        assert str(refused.value).startswith(f"{folder / 'study.db'}: ")
        assert {path.name: path.read_bytes() for path in folder.rglob("*") if path.is_file()} == before
        steps.abandon(folder)
        wanted = steps.analyze(folder).text()
        with as_somebody_without_rights(folder):
            assert steps.analyze(folder).text() == wanted
