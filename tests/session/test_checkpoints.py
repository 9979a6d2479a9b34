"""The log is brought into the database beside the writer; a log that is brought over whole is in the file by itself.

Outside source: sqlite.org/wal.html ("Checkpointing") and sqlite.org/pragma.html#pragma_wal_checkpoint, from memory.
"""

import os
import shutil
import sqlite3
import threading

import pytest
from sqlalchemy import create_engine

from blindtest.session.store import Store
from blindtest.session.store.checkpoints import Checkpoints
from blindtest.session.store.sqlite_database import engine_for

AT_A_TIME = 100


def alone(path, place):
    """Return how many rows the file holds by itself, without the log beside it."""
    shutil.copy(path, place)
    with sqlite3.connect(place) as opened:
        return opened.execute("SELECT count(*) FROM said").fetchone()[0]


@pytest.fixture
def path(tmp_path):
    return tmp_path / "a.db"


@pytest.fixture
def writer(path):
    opened = sqlite3.connect(path, isolation_level=None)
    for setting in ("journal_mode = wal", "wal_autocheckpoint = 0"):
        opened.execute(f"PRAGMA {setting}").fetchall()
    opened.execute("CREATE TABLE said (word TEXT)")
    opened.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchall()
    yield opened
    opened.close()


def say(writer, checkpoints, times):
    for _ in range(times):
        writer.execute("INSERT INTO said VALUES ('so')")
        checkpoints.committing()


@pytest.mark.parametrize(("commits", "there"), [(AT_A_TIME - 1, 0), (AT_A_TIME, AT_A_TIME)])
def test_so_many_commits_are_brought_over(path, writer, tmp_path, commits, there):
    checkpoints = Checkpoints(lambda: engine_for(path, "BEGIN", 1.0))
    say(writer, checkpoints, commits)
    checkpoints.close()  # waits for what is due
    assert alone(path, tmp_path / "copy.db") == there
    say(writer, checkpoints, AT_A_TIME)  # closed, it begins anew
    checkpoints.close()
    assert alone(path, tmp_path / "again.db") >= AT_A_TIME


def test_nothing_is_brought_over_while_it_is_kept_still(path, writer, tmp_path):
    checkpoints = Checkpoints(lambda: engine_for(path, "BEGIN", 1.0))
    with checkpoints.still():
        say(writer, checkpoints, 2 * AT_A_TIME)
        assert alone(path, tmp_path / "copy.db") == 0
    checkpoints.close()
    assert alone(path, tmp_path / "again.db") == 2 * AT_A_TIME


def test_what_can_not_be_done_is_left_out(path, writer, tmp_path):
    nowhere = Checkpoints(lambda: create_engine(f"sqlite:///{tmp_path / 'no' / 'such.db'}"))
    say(writer, nowhere, 2 * AT_A_TIME)
    nowhere.close()
    assert writer.execute("SELECT count(*) FROM said").fetchone() == (2 * AT_A_TIME,)


def test_a_store_has_the_thread_once_it_writes_much_and_none_after(tmp_path):
    def there():
        return [one for one in threading.enumerate() if one.name == "checkpoints"]

    before = len(there())
    with Store(tmp_path / "study.db", entropy=os.urandom) as store:
        assert len(there()) == before
        for place in range(AT_A_TIME):
            store.remember("place", place)
        assert len(there()) == before + 1
        # Erasing rewrites the file and empties the log: never at the same time, which SQLite would refuse.
        for turn in range(4):
            for place in range(AT_A_TIME):
                store.remember("place", place + turn)
            store._clean()
        assert store.remembered("place") == AT_A_TIME - 1 + 3
        assert not store.faults()
    assert len(there()) == before
    assert not (tmp_path / "study.db-wal").exists()
