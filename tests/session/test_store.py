"""The store: durable before it is acknowledged, append-only, idempotent, forgetful when asked."""

import importlib.util
import json
import os
import resource
import runpy
import shutil
import signal
import sqlite3
import stat
import threading
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing
from dataclasses import replace
from datetime import timedelta
from hashlib import sha256
from pathlib import Path

import pytest

from blindtest.design import Sealed, canonical, plan_from_record, seal, verify_chain
from blindtest.errors import BlindtestError, Missing
from blindtest.session import WITHHELD, LevelSet, event_to_dict, migrations, restored, rows_of, start
from blindtest.session.store import Acknowledged, ByUrl, Store
from blindtest.session.store.sqlite_database import engine_for

P = runpy.run_path(str(Path(__file__).parent / "plans.py"))
START, DEADLINE = P["START"], P["DEADLINE"]


class Entropy:
    """Salts that a test can look for afterwards."""

    def __init__(self):
        self.given = []
        self._lock = threading.Lock()

    def __call__(self, count):
        with self._lock:
            made = sha256(f"salt {len(self.given)}".encode()).digest()[:count]
            self.given.append(made)
        return made


@pytest.fixture
def entropy():
    return Entropy()


@pytest.fixture
def store(place, entropy):
    with Store(place, entropy=entropy) as opened:
        yield opened


@pytest.fixture
def in_file(path, entropy):
    with Store(path, entropy=entropy) as opened:
        yield opened


@pytest.fixture
def on_server(by_url, entropy):
    with Store(by_url, entropy=entropy) as opened:
        yield opened


STUDY_SEAL = seal({"kind": "study", "claims": ["one"]}, sha256(b"study").digest())


def register(store, listener="L-3c", blocks=P["ABX_BLOCKS"]):
    """Seal a plan, register its sitting, and return plan and number."""
    store.add_seal(STUDY_SEAL, kind="study", created=START)
    number = store.next_number()
    plan = P["make"](blocks=blocks, seed=number, sitting=number, study_seal=STUDY_SEAL.commitment)
    sealed = Sealed(record=plan.record, nonce=plan.nonce, commitment=plan.commitment)
    assert number == store.add_sitting(
        sealed, study_seal=STUDY_SEAL.commitment, listener=listener, created=START, deadline=DEADLINE
    )
    return plan, number


def answers_to(plan, listener="L-3c"):
    return P["walked"](start(plan, study="st-77", listener=listener)).answers


SAID = {
    "words": "the treble of the heron is glassy, and I can't stop listening",
    "by": "R-9q",
    "unit": {"id": "heron", "serial_suffix": "041", "revision": "b"},
    "against": "plover",
    "clips": ["strings", "drums"],
    "known": ["price"],
    "when": "2026-03-01T21:40:00+01:00",
    "measurements": {},
}


def raw(place):
    """Return a connection of somebody else's program; `execute` makes and commits."""
    if isinstance(place, Path):
        return closing(sqlite3.connect(place, isolation_level=None))
    import psycopg

    return psycopg.connect(place.url, autocommit=True, options=f"-csearch_path={place.schema}")


def refused():
    """Return what the drivers raise for a row that may not be."""
    if importlib.util.find_spec("psycopg") is None:
        return sqlite3.IntegrityError
    import psycopg

    return sqlite3.IntegrityError, psycopg.IntegrityError


def test_a_sitting_is_stored_answer_by_answer_and_read_back(store):
    plan, number = register(store, blocks=P["ALL_BLOCKS"])
    answers = answers_to(plan)
    heads = [store.append(number, rows_of(answer)).head for answer in answers]
    assert store.sitting(number).head == heads[-1]
    assert list(store.rows(number)) == [row for answer in answers for row in rows_of(answer)]
    check = verify_chain(plan.commitment, store.chain(number))
    assert check.ok
    assert (check.head, check.links, check.withheld) == (heads[-1], sum(len(a.values) for a in answers), 0)
    assert store.faults() == ()


def test_the_chain_is_that_of_its_definition(store, entropy):
    """h_t = SHA-256(h_{t-1} || SHA-256(salt || row)), h_0 the plan's commitment (methods.md 6): by hashlib alone."""
    plan, number = register(store)
    before = len(entropy.given)
    expected = bytes.fromhex(plan.commitment)
    for answer in answers_to(plan):
        acknowledged = store.append(number, rows_of(answer))
        (row,) = rows_of(answer)
        # RFC 8785 writes 4.0 as 4.
        row = {key: int(v) if isinstance(v, float) and v.is_integer() else v for key, v in row.items()}
        salt = entropy.given[before]
        before += 1
        text = json.dumps(row, sort_keys=True, separators=(",", ":"), ensure_ascii=False).encode()
        expected = sha256(expected + sha256(salt + text).digest()).digest()
        assert acknowledged.head == expected.hex()


def test_a_killed_server_finds_plan_and_answers_again(place, entropy):
    with Store(place, entropy=entropy) as store:
        plan, number = register(store)
        answers = answers_to(plan)
        for answer in answers[:4]:
            store.append(number, rows_of(answer))
        store.add_event(number, event_to_dict(LevelSet(gain_db=-20.0, at=START)))
    with Store(place, entropy=entropy, create=False) as store:
        sealed = store.sealed(store.sitting(number).commitment)
        again = plan_from_record(
            sealed.record, sealed.nonce, expected=sealed.commitment, methods=P["METHODS_WITH_TOYS"]
        )
        sitting = restored(again, store.rows(number), study="st-77", listener="L-3c")
        assert sitting.answers == answers[:4]
        assert [event["event"] for event in store.events(number)] == ["level_set"]


def test_a_retry_gets_the_same_acknowledgement_and_another_value_is_refused(store):
    plan, number = register(store, blocks=P["ALL_BLOCKS"])
    answers = answers_to(plan)
    acknowledged = [store.append(number, rows_of(answer)) for answer in answers]
    for answer, before in zip(answers, acknowledged, strict=True):
        assert store.append(number, rows_of(answer)) == before
    rated = rows_of(answers[4])
    for changed in (
        [{**rated[0], "response": 99.0}, *rated[1:]],
        rated[:2],
        [{**row, "attempt": 2} for row in rated],
        [{**row, "slot": row["slot"] + "x"} for row in rated],
    ):
        with pytest.raises(
            BlindtestError, match=r"trial 5 of sitting 1 is recorded already .* nothing was recorded twice"
        ):
            store.append(number, changed)
    assert store.sitting(number).links == acknowledged[-1].position
    assert store.faults() == ()


def test_a_retry_after_the_end_is_acknowledged_but_nothing_new_is_taken(store):
    plan, number = register(store)
    answers = answers_to(plan)
    first = store.append(number, rows_of(answers[0]))
    store.set_state(number, "finished", at=START)
    assert store.append(number, rows_of(answers[0])) == first
    with pytest.raises(BlindtestError, match="sitting 1 is finished: no answer can be added"):
        store.append(number, rows_of(answers[1]))


def test_rows_of_two_answers_at_once_are_the_callers_mistake(store):
    plan, number = register(store)
    one, two, *_ = answers_to(plan)
    for rows in ([*rows_of(one), *rows_of(two)], []):
        with pytest.raises(ValueError, match="rows of one answer of sitting 1 expected"):
            store.append(number, rows)
    with pytest.raises(ValueError, match="no canonical form"):
        store.append(number, [{**rows_of(one)[0], "time_taken_s": float("nan")}])
    with pytest.raises(BlindtestError, match="no such sitting in the register, got 7"):
        store.append(7, [{**rows_of(one)[0], "sitting": 7}])


def test_one_bad_write_does_not_sink_its_batch(store, monkeypatch):
    """The writer is held up while 31 writes wait: one commit, 29 acknowledged, two refused in words of their own."""
    plans = [register(store, listener=f"L-{k}") for k in range(30)]
    firsts = [(number, rows_of(answers_to(plan)[0])) for plan, number in plans]
    taken, refused = firsts[4]
    store.append(taken, refused)
    commits = []
    commit = store._session.commit
    monkeypatch.setattr(store._session, "commit", lambda: (commits.append(1), commit()))
    go = threading.Event()
    held = store._writer.hand_in(go.wait, alone=True)
    waiting = [
        store.append_later(number, [{**rows[0], "response": "Q"}] if number == taken else rows)
        for number, rows in firsts
    ]
    broken = store._later(
        lambda connection: connection.exec_driver_sql("INSERT INTO chain VALUES (1, 1, 1, 1, '1', '1', '1')")
    )
    go.set()
    held.result()
    errors = [future.exception() for future in waiting]
    assert len(commits) == 1
    assert [number for (number, _), error in zip(firsts, errors, strict=True) if error] == [taken]
    with pytest.raises(BlindtestError, match="recorded already"):
        waiting[4].result()
    with pytest.raises(BlindtestError, match=r"UNIQUE constraint failed|violates unique constraint"):
        broken.result()
    assert all(store.sitting(number).links == 1 for number, _ in firsts)
    assert store.faults() == ()


def test_many_clients_at_once_lose_nothing(store):
    plans = [register(store, listener=f"L-{k}") for k in range(16)]

    def sit(plan_and_number):
        plan, number = plan_and_number
        return [store.append(number, rows_of(answer)) for answer in answers_to(plan)]

    with ThreadPoolExecutor(16) as pool:
        acknowledged = list(pool.map(sit, plans))
    for (plan, number), acks in zip(plans, acknowledged, strict=True):
        assert [ack.position for ack in acks] == [1, 2, 3, 4, 5, 6]
        assert store.chain(number)[-1].hash == acks[-1].head
        assert list(store.rows(number)) == [row for answer in answers_to(plan) for row in rows_of(answer)]
    assert store.faults() == ()


def test_a_full_disk_is_said_and_nothing_is_half_written(in_file):
    """SQLite's own limit of pages gives its error of a full disk, SQLITE_FULL."""
    store = in_file
    plan, number = register(store, blocks=P["ALL_BLOCKS"])
    answers = answers_to(plan)
    pages = store._session.driver.execute("PRAGMA page_count").fetchone()[0]
    store._session.driver.execute(f"PRAGMA max_page_count = {pages}").fetchall()
    rows = [[{**row, "faults": "x" * 900} for row in rows_of(answer)] for answer in answers]
    waiting = [store.append_later(number, of_one) for of_one in rows]
    errors = [future.exception() for future in waiting]
    stored = [of_one for of_one, error in zip(rows, errors, strict=True) if error is None]
    refused = [error for error in errors if error is not None]
    assert refused
    for error in refused:
        assert isinstance(error, Missing)
        assert error.exit_code == 4
        assert "no room is left on the disk; this was not recorded; make room" in str(error)
    assert list(store.rows(number)) == [row for of_one in stored for row in of_one]
    store._session.driver.execute("PRAGMA max_page_count = 100000").fetchall()
    assert all(isinstance(store.append(number, of_one), Acknowledged) for of_one in rows)
    assert list(store.rows(number)) == [row for of_one in rows for row in of_one]
    assert store.faults() == ()


def test_a_full_disk_is_said_to_those_who_only_read(path, entropy):
    """The first to open a file lays down its log's index; a file that may not grow stands for a disk that is full."""
    with Store(path, entropy=entropy) as store:
        register(store)
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (100, hard))
    try:
        with pytest.raises(Missing, match="no room is left on the disk; this was not recorded; make room"):
            Store(path, entropy=entropy, create=False)
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))
    with Store(path, entropy=entropy, create=False) as store:
        assert len(store.sittings()) == 1


def test_a_database_that_can_not_be_written_is_said(in_file):
    store = in_file
    plan, number = register(store)
    store._session.driver.execute("PRAGMA query_only = 1")
    with pytest.raises(Missing, match="the database can't be written to; may you write to the file"):
        store.append(number, rows_of(answers_to(plan)[0]))
    store._session.driver.execute("PRAGMA query_only = 0")
    assert store.append(number, rows_of(answers_to(plan)[0])).position == 1


def test_a_database_in_use_is_said_after_waiting(path, entropy):
    with Store(path, entropy=entropy, busy_timeout_s=0.05) as store:
        plan, number = register(store)
        with raw(path) as other:
            other.execute("BEGIN IMMEDIATE")
            with pytest.raises(Missing, match="another program keeps the database busy; close it"):
                store.append(number, rows_of(answers_to(plan)[0]))
            other.execute("ROLLBACK")
        assert store.append(number, rows_of(answers_to(plan)[0])).position == 1


def test_no_database_no_folder_no_sqlite(tmp_path, entropy):
    with pytest.raises(Missing, match="there is no such database: nothing has been recorded yet; run blindtest listen"):
        Store(tmp_path / "study.db", entropy=entropy, create=False)
    assert not (tmp_path / "study.db").exists()
    with pytest.raises(Missing, match="is the folder there, and may you write in it"):
        Store(tmp_path / "nowhere" / "study.db", entropy=entropy)
    (tmp_path / "text.db").write_text("I am no database, but I am long enough to look like one. " * 100)
    with pytest.raises(BlindtestError, match="this file is not a database"):
        Store(tmp_path / "text.db", entropy=entropy)
    with raw(tmp_path / "other.db") as other:
        other.execute("CREATE TABLE something (x)")
    with pytest.raises(BlindtestError, match="this is a database of something else"):
        Store(tmp_path / "other.db", entropy=entropy)


def test_a_url_names_the_same_file(path, entropy):
    with Store(f"sqlite:///{path}", entropy=entropy) as store:
        assert store.place == str(path)


def test_connections_are_set_up_for_durability_and_read_back(in_file):
    """SQLite's documentation of pragmas: synchronous 2 is FULL, temp_store 2 is memory."""
    for engine in (in_file._writing, in_file._reading):
        with engine.connect() as connection:
            read = {
                name: connection.exec_driver_sql(f"PRAGMA {name}").scalar()
                for name in (
                    "journal_mode",
                    "synchronous",
                    "foreign_keys",
                    "secure_delete",
                    "busy_timeout",
                    "temp_store",
                )
            }
        assert read == {
            "journal_mode": "wal",
            "synchronous": 2,
            "foreign_keys": 1,
            "secure_delete": 1,
            "busy_timeout": 5000,
            "temp_store": 2,
        }


def test_a_setting_that_sqlite_does_not_take_is_not_passed_over():
    """A database in memory has no log to write ahead."""
    engine = engine_for(Path(":memory:"), "BEGIN", 1.0)
    with pytest.raises(Missing, match=r"SQLite did not take journal_mode, got 'memory' \(allowed: wal\)"):
        engine.connect()


def test_only_the_owner_can_read_the_file(in_file, path):
    assert stat.S_IMODE(path.stat().st_mode) == 0o600


FORBIDDEN = [
    ("UPDATE chain SET hash = 'x'", "the chain of answers is append-only"),
    ("DELETE FROM chain", "the chain of answers is append-only"),
    ("UPDATE content SET row = '{}'", "a recorded answer is never changed"),
    ("DELETE FROM content", "a recorded answer is deleted only at the request of its listener"),
    ("UPDATE events SET event = '{}'", "a recorded event is never changed"),
    ("DELETE FROM events", "a recorded event is deleted only at the request of its listener"),
    ("UPDATE seals SET record = '{}'", "a seal is never changed"),
    ("DELETE FROM seals", "a seal is never deleted"),
    ("UPDATE nonces SET nonce = x'00'", "a nonce is opened once and never changed"),
    ("DELETE FROM nonces", "a nonce is never deleted"),
    ("UPDATE sittings SET commitment = 'x'", "what a sitting was sealed with is never changed"),
    ("DELETE FROM sittings", "every sitting stays in the register"),
    ("UPDATE overrides SET reason = ''", "a recorded override is never changed"),
    ("DELETE FROM overrides", "a recorded override is never deleted"),
    ("UPDATE impressions SET hash = 'x'", "an impression on record is never changed"),
    ("UPDATE impressions SET created = 'x'", "an impression on record is never changed"),
    ("DELETE FROM impressions", "an impression stays on record"),
    ("UPDATE impression_content SET row = '{}'", "an impression on record is never changed"),
    ("UPDATE impression_content SET by = 'x'", "an impression on record is never changed"),
    ("DELETE FROM impression_content", "the words of an impression are deleted only at the request"),
]


def with_something_of_each(store):
    plan, number = register(store)
    store.append(number, rows_of(answers_to(plan)[0]))
    store.add_event(number, event_to_dict(LevelSet(gain_db=-20.0, at=START)))
    store.add_override("analysed early", reason="test", at=START)
    store.add_impression(SAID, by="R-9q", at=START)


def test_the_database_itself_refuses_to_alter_the_record(store, place):
    with_something_of_each(store)
    with raw(place) as other:
        for statement, words in FORBIDDEN:
            if isinstance(place, ByUrl):
                statement = statement.replace("x'00'", "'\\x00'")
            with pytest.raises(refused(), match=words):
                other.execute(statement)
    assert store.faults() == ()


def test_a_sitting_ends_once(store, place):
    _, number = register(store)
    store.set_state(number, "abandoned", at=START, reason="tired")
    store.set_state(number, "abandoned", at=DEADLINE, reason="again")
    assert (store.sitting(number).ended, store.sitting(number).reason) == (START, "tired")
    with pytest.raises(BlindtestError, match="sitting 1 is abandoned already, got 'finished'"):
        store.set_state(number, "finished", at=START)
    with raw(place) as other, pytest.raises(refused(), match="a sitting ends once"):
        other.execute("UPDATE sittings SET state = 'open', ended = NULL")


def test_a_passed_deadline_abandons(store):
    (_, one), (_, two), (_, three) = (register(store, listener=f"L-{k}") for k in range(3))
    store.set_state(two, "finished", at=START)
    assert store.abandon_overdue(DEADLINE) == ()
    assert store.abandon_overdue(DEADLINE + timedelta(seconds=1)) == (one, three)
    assert [entry.state for entry in store.sittings()] == ["abandoned", "finished", "abandoned"]
    assert (store.sitting(one).ended, store.sitting(one).reason) == (DEADLINE, "deadline passed")
    assert store.abandon_overdue(DEADLINE + timedelta(days=1)) == ()


def test_a_number_is_given_once(store):
    plan, number = register(store)
    other = P["make"](seed=99, sitting=number, study_seal=STUDY_SEAL.commitment)
    sealed = Sealed(record=other.record, nonce=other.nonce, commitment=other.commitment)
    with pytest.raises(BlindtestError, match=r"sitting 1 is not the next one in the register, got 1 \(allowed: 2\)"):
        store.add_sitting(sealed, study_seal=STUDY_SEAL.commitment, listener="L", created=START, deadline=DEADLINE)
    assert {entry.commitment for entry in store.seals()} == {plan.commitment, STUDY_SEAL.commitment}


def test_a_listener_has_one_open_sitting(store):
    _, first = register(store)
    with pytest.raises(BlindtestError, match="sitting 1 of L-3c is open; go on with it; nobody has two sittings at"):
        register(store)
    assert len(store.sittings()) == 1
    assert len(store.seals()) == 2, "the refused plan left no seal"
    store.set_state(first, "finished", at=START)
    assert register(store)[1] == 2


def test_a_sitting_is_held_by_one_program(place, entropy):
    with Store(place, entropy=entropy) as one, Store(place, entropy=entropy) as other:
        one.hold(1)
        with pytest.raises(BlindtestError, match=r"sitting 1 is open in another program; go on in the page that it"):
            other.hold(1)
        other.hold(2)
        one.close()
        other.hold(1)
    if isinstance(place, Path):
        assert not list(place.parent.glob("*-sitting-*")), "nothing is left lying about"


@pytest.mark.skipif(not hasattr(os, "fork"), reason="needs fork")
def test_a_killed_program_holds_nothing(place, entropy):
    Store(place, entropy=entropy).close()
    out, into = os.pipe()
    child = os.fork()
    if child == 0:
        Store(place, entropy=entropy).hold(1)
        os.write(into, b"held")
        signal.pause()
    assert os.read(out, 4) == b"held"
    with Store(place, entropy=entropy) as store:
        with pytest.raises(BlindtestError, match="is open in another program"):
            store.hold(1)
        os.kill(child, signal.SIGKILL)
        os.waitpid(child, 0)
        store.hold(1)


def test_a_sitting_needs_its_study_seal(store):
    plan = P["make"](sitting=1)
    sealed = Sealed(record=plan.record, nonce=plan.nonce, commitment=plan.commitment)
    with pytest.raises(BlindtestError, match=r"FOREIGN KEY constraint failed|violates foreign key constraint"):
        store.add_sitting(sealed, study_seal="ab" * 32, listener="L", created=START, deadline=DEADLINE)
    assert store.seals() == ()


def test_a_seal_that_is_none_is_refused(store):
    broken = replace(STUDY_SEAL, commitment="0" * 64)
    with pytest.raises(BlindtestError, match="is not that of its record and nonce"):
        store.add_seal(broken, kind="study", created=START)


def test_a_seal_is_opened_after_the_last_answer_only(store):
    plan, number = register(store)
    for commitment in (plan.commitment, STUDY_SEAL.commitment):
        with pytest.raises(BlindtestError, match="the seal can't be opened while sitting 1 is open"):
            store.open_seal(commitment, at=START)
    assert {entry.opened for entry in store.seals()} == {None}
    store.set_state(number, "finished", at=START)
    opened = store.open_seal(plan.commitment, at=DEADLINE)
    assert (opened.nonce, canonical(opened.record)) == (plan.nonce, canonical(plan.record))
    store.open_seal(plan.commitment, at=DEADLINE + timedelta(days=1))
    assert {e.commitment: e.opened for e in store.seals()}[plan.commitment] == DEADLINE
    with pytest.raises(BlindtestError, match="no such seal, got 'ff'"):
        store.open_seal("ff", at=START)


def test_what_is_published_of_the_register_names_nobody_and_opens_nothing(store):
    plan, _ = register(store, listener="L-unmistakable")
    text = json.dumps([store.register(), [repr(entry) for entry in store.seals()]])
    assert plan.commitment in text
    assert "L-unmistakable" not in text
    assert plan.nonce.hex() not in text
    assert repr(plan.nonce) not in text


def test_settings_and_overrides_are_kept(place, entropy):
    with Store(place, entropy=entropy) as store:
        store.remember("port", 8123)
        store.remember("secret", "abc")
        store.remember("secret", None)
        store.add_override("analysed while sitting 2 was open", reason="deadline of the magazine", at=START)
    with Store(place, entropy=entropy) as store:
        assert (store.remembered("port"), store.remembered("secret"), store.remembered("x", 7)) == (8123, None, 7)
        (override,) = store.overrides()
        assert (override.at, override.reason) == (START, "deadline of the magazine")


def files_of(path):
    return b"".join(file.read_bytes() for file in path.parent.iterdir() if file.name.startswith(path.name))


def test_a_forgotten_listener_leaves_no_byte_and_the_chain_holds(path, entropy):
    with Store(path, entropy=entropy) as store:
        gone, number = register(store, listener="L-begone")
        before = len(entropy.given)
        for answer in answers_to(gone, "L-begone"):
            store.append(number, [{**row, "faults": "rate|telltale"} for row in rows_of(answer)])
        salts = entropy.given[before:]
        store.add_event(number, {"event": "telltale event"})
        stays, kept = register(store, listener="L-stays")
        for answer in answers_to(stays, "L-stays"):
            store.append(kept, rows_of(answer))
        secrets = (b"L-begone", b"telltale", *salts)
        assert all(secret in files_of(path) for secret in secrets)
        head = store.sitting(number).head

        assert store.forget("L-begone", at=DEADLINE) == (number,)

        assert not [secret for secret in secrets if secret in files_of(path)]
        assert b"L-stays" in files_of(path)
        entry = store.sitting(number)
        assert (entry.listener, entry.forgotten, entry.state, entry.head) == (WITHHELD, DEADLINE, "abandoned", head)
        check = verify_chain(gone.commitment, store.chain(number))
        assert check.ok
        assert (check.withheld, check.links, check.head) == (6, 6, head)
        assert [row["withheld"] for row in store.register()] == [True, False]
        assert store.rows(number) == ()
        assert len(store.rows()) == 6
        assert store.faults() == ()
        with pytest.raises(
            BlindtestError, match=r"no such listener in the register, got 'L-stay'; did you mean 'L-stays'\?"
        ):
            store.forget("L-stay", at=DEADLINE)
        with pytest.raises(BlindtestError, match="this stands for listeners forgotten already"):
            store.forget(WITHHELD, at=DEADLINE)
    assert not [secret for secret in secrets if secret in files_of(path)]


def test_an_interrupted_erasure_is_said_and_finished_at_the_next_opening(path, entropy):
    store = Store(path, entropy=entropy, busy_timeout_s=0.05)
    plan, number = register(store, listener="L-begone")
    for answer in answers_to(plan, "L-begone"):
        store.append(number, rows_of(answer))
    with raw(path) as reader:
        reader.execute("BEGIN")
        reader.execute("SELECT * FROM content").fetchall()
        with pytest.raises(BlindtestError, match="the rows are erased, but another program has the database open"):
            store.forget("L-begone", at=START)
        assert store.rows() == ()
    assert store.remembered("cleaning_due") is True  # the file itself knows, whoever opens it next
    store.close()
    with Store(path, entropy=entropy) as store:
        assert b"L-begone" not in files_of(path)
        assert store.faults() == ()
        assert store.remembered("cleaning_due") is None


def test_why_a_listener_stopped_is_erased_and_why_the_tool_ended_a_sitting_stays(path, entropy):
    with Store(path, entropy=entropy) as store:
        told = register(store, listener="L-gone")[1]
        store.add_event(told, {"event": "abandoned", "reason": "words of my own"})
        store.set_state(told, "abandoned", at=START, reason="words of my own")
        ended = register(store, listener="L-gone")[1]
        store.set_state(ended, "abandoned", at=START, reason="by command")
        other = register(store, listener="L-stays")[1]
        store.add_event(other, {"event": "abandoned", "reason": "tired"})
        store.set_state(other, "abandoned", at=START, reason="tired")
        assert store.forget("L-gone", at=DEADLINE) == (told, ended)
        assert [store.sitting(n).reason for n in (told, ended, other)] == ["", "by command", "tired"]
        assert [store.sitting(n).ended for n in (told, ended)] == [START, START]  # when it ended is no personal data
        assert b"words of my own" not in files_of(path)


def test_what_is_cleaned_later_is_due_until_it_was(path, entropy):
    with Store(path, entropy=entropy) as store:
        plan, number = register(store, listener="L-begone")
        store.append(number, rows_of(answers_to(plan, "L-begone")[0]))
        assert store.forget("L-begone", at=START, clean=False) == (number,)
        assert (store.rows(), store.remembered("cleaning_due")) == ((), True)
        store.clean()
        assert store.remembered("cleaning_due") is None
        assert b"L-begone" not in files_of(path)


def test_an_impression_is_put_on_record_with_a_hash_that_can_be_posted(store, entropy):
    """SHA-256(salt || canonical row), by hashlib and json alone (claims.md 1: its hash is printed)."""
    hashed = store.add_impression(SAID, by="R-9q", at=START)
    text = json.dumps(SAID, sort_keys=True, separators=(",", ":"), ensure_ascii=False).encode()
    assert hashed == sha256(entropy.given[-1] + text).hexdigest()
    again = store.add_impression(SAID, by="R-9q", at=DEADLINE)
    other = store.add_impression({**SAID, "words": "it hisses"}, by="R-2", at=DEADLINE)
    assert len({hashed, again, other}) == 3  # the salt tells them apart: nobody can guess short words from a hash
    first, second, third = store.impressions()
    assert (first.hash, first.created, dict(first.row), first.forgotten) == (hashed, START, SAID, None)
    assert (second.hash, second.created) == (again, DEADLINE)
    assert third.row["words"] == "it hisses"
    assert store.faults() == ()


def test_an_impression_that_can_not_be_kept_as_it_is_said_to_be(store):
    with pytest.raises(BlindtestError, match="by: this stands for those who were forgotten, got 'withheld'"):
        store.add_impression(SAID, by=WITHHELD, at=START)
    with pytest.raises(ValueError, match="no canonical form"):
        store.add_impression({"worn_h": float("inf")}, by="R-9q", at=START)
    assert store.impressions() == ()


def test_impressions_handed_in_at_once_stand_in_one_order(store):
    with ThreadPoolExecutor(8) as pool:
        hashes = list(pool.map(lambda k: store.add_impression({**SAID, "k": k}, by="R-9q", at=START), range(24)))
    assert {entry.hash for entry in store.impressions()} == set(hashes)
    assert store.faults() == ()


def test_the_words_of_who_is_forgotten_leave_no_byte_and_the_hash_stays(path, entropy):
    with Store(path, entropy=entropy) as store:
        # The same person as listener and as the one who spoke; another one stays.
        plan, number = register(store, listener="R-gone")
        store.append(number, rows_of(answers_to(plan, "R-gone")[0]))
        before = len(entropy.given)
        hashes = [store.add_impression({**SAID, "words": "telltale", "k": k}, by="R-gone", at=START) for k in (1, 2)]
        salts = entropy.given[before:]
        kept = store.add_impression({**SAID, "words": "unforgettable"}, by="R-stays", at=START)
        secrets = (b"R-gone", b"telltale", *salts)
        assert all(secret in files_of(path) for secret in secrets)

        assert store.forget("R-gone", at=DEADLINE) == (number,)

        assert not [secret for secret in secrets if secret in files_of(path)]
        assert b"unforgettable" in files_of(path)
        one, two, three = store.impressions()
        assert [one.hash, two.hash, three.hash] == [*hashes, kept]
        assert [(e.row, e.forgotten) for e in (one, two)] == [(None, DEADLINE)] * 2
        assert (three.row["words"], three.forgotten) == ("unforgettable", None)
        assert store.faults() == ()
        with pytest.raises(BlindtestError, match=r"got 'R-stay'; did you mean 'R-stays'\?"):
            store.forget("R-stay", at=DEADLINE)
        # One who only spoke can be forgotten too, and no sitting is theirs.
        assert store.forget("R-stays", at=DEADLINE) == ()
        assert b"unforgettable" not in files_of(path)
        assert store.faults() == ()


TAMPERED_IMPRESSIONS = [
    (
        "impression_content_no_update",
        "UPDATE impression_content SET row = replace(row, 'glassy', 'golden') WHERE position = 2",
        "impression 2 is not the one that was recorded",
    ),
    ("impression_content_no_update", "UPDATE impression_content SET row = '{oh'", "impression 1 is not the one"),
    (
        "impression_content_no_delete",
        "DELETE FROM impression_content WHERE position = 3",
        "impression 3: its words are missing, and nobody asked for it",
    ),
    (
        "impressions_no_delete",
        "DELETE FROM impressions WHERE position = 2",
        "impression 2 is missing: the next one stored is 3",
    ),
]


@pytest.mark.parametrize(
    ("trigger", "statement", "words"), TAMPERED_IMPRESSIONS, ids=[w for _, _, w in TAMPERED_IMPRESSIONS]
)
def test_an_impression_that_was_tampered_with_is_found(path, entropy, trigger, statement, words):
    with Store(path, entropy=entropy) as store:
        for k in range(3):
            store.add_impression({**SAID, "k": k}, by="R-9q", at=START)
    with raw(path) as other:
        (sql,) = other.execute("SELECT sql FROM sqlite_master WHERE name = ?", (trigger,)).fetchone()
        other.execute(f"DROP TRIGGER {trigger}")
        other.execute(statement)
        other.execute(sql)
    with Store(path, entropy=entropy) as store:
        assert any(words in fault.problem for fault in store.faults())
        store.impressions()  # still readable


def test_the_register_says_what_each_sitting_is_about(store):
    store.add_seal(STUDY_SEAL, kind="study", created=START)
    plans = [({"phase": "labelled", "run": 1, "runs": 2, "name": "labelled 2 of 2"}), None, "nonsense"]
    for number, scheduled in enumerate(plans, start=1):
        plan = P["make"](sitting=number, study_seal=STUDY_SEAL.commitment)
        record = dict(plan.record) if scheduled is None else {**plan.record, "scheduled": scheduled}
        store.add_sitting(
            seal(record, plan.nonce),
            study_seal=STUDY_SEAL.commitment,
            listener=f"L-{number}",
            created=START,
            deadline=DEADLINE,
        )
    # A record that says nothing is that of a protocol without named phases: one sitting of blind trials.
    assert [(e.phase, e.name) for e in store.sittings()] == [
        ("labelled", "labelled 2 of 2"), ("blind", "blind"), ("blind", "blind"),
    ]  # fmt: skip
    assert store.sitting(1).name == "labelled 2 of 2"


TAMPERED = [
    (
        "content_no_update",
        'UPDATE content SET row = replace(row, \'"response":"A"\', \'"response":"B"\')',
        "row 1 is not",
    ),
    ("content_no_delete", "DELETE FROM content WHERE position = 2", "1 row is missing, and nobody asked for it"),
    ("chain_no_delete", "DELETE FROM chain WHERE position = 2", "link 2 is missing"),
    ("chain_no_update", f"UPDATE chain SET hash = '{'0' * 64}' WHERE position = 3", "link 3 does not follow"),
    ("content_no_update", "UPDATE content SET row = '{oh' WHERE position = 4", "row 4 is not the one"),
    ("seals_no_update", "UPDATE seals SET record = '{oh' WHERE kind = 'study'", "is not that of its record and nonce"),
    ("seals_no_update", "UPDATE seals SET record = '{}' WHERE kind = 'study'", "is not that of its record and nonce"),
]


@pytest.mark.parametrize(("trigger", "statement", "words"), TAMPERED, ids=[w for _, _, w in TAMPERED])
def test_whoever_drops_a_trigger_is_found_by_hashes(path, entropy, trigger, statement, words):
    with Store(path, entropy=entropy) as store:
        plan, number = register(store)
        for answer in answers_to(plan):
            store.append(number, rows_of(answer))
    with raw(path) as other:
        (sql,) = other.execute("SELECT sql FROM sqlite_master WHERE name = ?", (trigger,)).fetchone()
        other.execute(f"DROP TRIGGER {trigger}")
        other.execute(statement)
        with Store(path, entropy=entropy) as store:
            assert any(f"the trigger {trigger} is missing or changed" in str(fault) for fault in store.faults())
        other.execute(sql)
    with Store(path, entropy=entropy) as store:
        assert any(words in fault.problem for fault in store.faults())
        assert all(fault.file == str(path) for fault in store.faults())


def test_migrations_lead_to_the_tables_of_the_code(store, place):
    from alembic.autogenerate import compare_metadata
    from alembic.config import Config
    from alembic.runtime.migration import MigrationContext
    from alembic.script import ScriptDirectory

    with store._reading.connect() as connection:
        assert compare_metadata(MigrationContext.configure(connection), migrations.metadata) == []
        if isinstance(place, Path):
            triggers = connection.exec_driver_sql("SELECT name, sql FROM sqlite_master WHERE type = 'trigger'")
            assert {row[0]: row[1] for row in triggers} == migrations.APPEND_ONLY
    config = Config()
    config.set_main_option("script_location", str(Path(migrations.__file__).parent))
    assert ScriptDirectory.from_config(config).get_current_head() == migrations.REVISION


def upgraded_to(path, revision):
    """Bring a database to a revision by the migrations alone."""
    from alembic import command
    from alembic.config import Config
    from sqlalchemy import create_engine

    config = Config()
    config.set_main_option("script_location", str(Path(migrations.__file__).parent))
    engine = create_engine(f"sqlite:///{path}")
    with engine.begin() as connection:
        config.attributes["connection"] = connection
        command.upgrade(config, revision)
    engine.dispose()


FIRST_TABLES = ("settings", "seals", "nonces", "sittings", "chain", "content", "events", "overrides")


@pytest.fixture
def first_database(tmp_path, entropy):
    """A database of the first schema with a sitting in it, its rows copied from one of today."""
    with Store(tmp_path / "today.db", entropy=entropy) as store:
        plan, number = register(store)
        answers = answers_to(plan)
        for answer in answers[:3]:
            store.append(number, rows_of(answer))
        store.add_event(number, event_to_dict(LevelSet(gain_db=-20.0, at=START)))
        store.remember("port", 8123)
    path = tmp_path / "first.db"
    upgraded_to(path, "0001")
    with raw(path) as first:
        first.execute("ATTACH ? AS today", (str(tmp_path / "today.db"),))
        for table in FIRST_TABLES:
            first.execute(f"INSERT INTO {table} SELECT * FROM today.{table}")
        tables = {name for (name,) in first.execute("SELECT name FROM main.sqlite_master WHERE type = 'table'")}
        assert tables == {*FIRST_TABLES, "alembic_version"}
        assert first.execute("SELECT version_num FROM alembic_version").fetchone() == ("0001",)
    return path, number, answers


def test_a_database_of_the_first_schema_is_brought_here_with_all_it_holds(first_database, entropy):
    path, number, answers = first_database
    with Store(path, entropy=entropy, create=False) as store:
        assert list(store.rows(number)) == [row for answer in answers[:3] for row in rows_of(answer)]
        assert (store.sitting(number).links, store.sitting(number).phase) == (3, "blind")
        assert [event["event"] for event in store.events(number)] == ["level_set"]
        assert store.remembered("port") == 8123
        assert store.impressions() == ()
        store.append(number, rows_of(answers[3]))
        hashed = store.add_impression(SAID, by="R-9q", at=START)
        assert store.faults() == ()
        triggers = store._session.driver.execute("SELECT name, sql FROM sqlite_master WHERE type = 'trigger'")
        assert dict(triggers.fetchall()) == migrations.APPEND_ONLY
    with raw(path) as other:
        assert other.execute("SELECT version_num FROM alembic_version").fetchone() == (migrations.REVISION,)
    with Store(path, entropy=entropy, create=False) as store:
        assert [entry.hash for entry in store.impressions()] == [hashed]


def test_an_upgrade_that_fails_leaves_the_database_as_it_was(first_database, entropy):
    path, number, _ = first_database
    with raw(path) as other:
        # In the way of the second of the two new tables: the first is made and has to go again.
        other.execute("CREATE TABLE impression_content (x)")
    with pytest.raises(BlindtestError, match="the database refused: table impression_content already exists"):
        Store(path, entropy=entropy)
    with raw(path) as other:
        assert other.execute("SELECT version_num FROM alembic_version").fetchone() == ("0001",)
        assert other.execute("SELECT count(*) FROM sqlite_master WHERE name = 'impressions'").fetchone() == (0,)
        other.execute("DROP TABLE impression_content")
    with Store(path, entropy=entropy) as store:
        assert store.sitting(number).links == 3
        assert store.faults() == ()


def test_two_programs_upgrading_at_once_do_it_once(first_database, entropy):
    path, number, _ = first_database
    with ThreadPoolExecutor(4) as pool:
        stores = list(pool.map(lambda _: Store(path, entropy=entropy), range(4)))
    stores[2].add_impression(SAID, by="R-9q", at=START)
    assert len(stores[1].impressions()) == 1
    assert stores[0].sitting(number).links == 3
    for store in stores:
        store.close()


def test_a_database_of_a_newer_version_is_refused_and_left_alone(path, entropy, tmp_path):
    Store(path, entropy=entropy).close()
    with raw(path) as other:
        other.execute("UPDATE alembic_version SET version_num = '0999'")
    before = path.read_bytes()
    with pytest.raises(
        BlindtestError, match=r"made by a newer version of blindtest, got '0999' \(allowed: up to 0003\)"
    ):
        Store(path, entropy=entropy)
    assert path.read_bytes() == before


def test_two_programs_opening_a_new_database_at_once_make_it_once(path, entropy):
    """Also the one that comes second waits and finds the schema made."""
    with ThreadPoolExecutor(4) as pool:
        stores = list(pool.map(lambda _: Store(path, entropy=entropy), range(4)))
    plan, number = register(stores[0])
    assert stores[3].append(number, rows_of(answers_to(plan)[0])).position == 1
    assert stores[1].faults() == ()
    for store in stores:
        store.close()


def test_a_copy_opens_elsewhere(path, entropy, tmp_path):
    with Store(path, entropy=entropy) as store:
        register(store)
    shutil.copy(path, tmp_path / "copy.db")
    with Store(tmp_path / "copy.db", entropy=entropy, create=False) as store:
        assert len(store.sittings()) == 1


def test_a_closed_store_takes_nothing_more(path, entropy):
    store = Store(path, entropy=entropy)
    plan, number = register(store)
    store.close()
    store.close()
    with pytest.raises(ValueError, match="the store is closed"):
        store.append(number, rows_of(answers_to(plan)[0]))
