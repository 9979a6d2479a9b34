"""Figures of the store, on SQLite and on PostgreSQL: a durable answer against the least there is, and many clients.

    python tests/benchmarks/bench_store.py [--answers 1000] [--clients 64] [--folder DIR] [--engine sqlite]

An answer is one row of ABX, handed to the store and acknowledged after the commit. On SQLite the reference appends the
same bytes (the row's canonical JSON) to a plain file and calls fdatasync; on PostgreSQL it inserts them into a table of
one column and commits, by the driver alone. Answer and reference alternate in the same run, in the same folder, which
should lie on the disk that studies lie on; the ratio is that of the medians. PostgreSQL is a server of its own with its
data in that folder (tests/postgres_server.py); without one that part is left out, and said so. Exit code 1 if a goal is
missed: 3 times on SQLite; for 99 in 100 answers of listeners at their pace 10 ms on SQLite, 50 ms on PostgreSQL.
"""

import argparse
import importlib.util
import os
import statistics
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from blindtest.design import Block, Protocol, Sealed, canonical, make_plan, seal
from blindtest.session import SimulatedListener, rows_of, simulate_sitting, simulated_clock
from blindtest.session.store import ByUrl, Store

GOAL = 3.0
GOAL_P99_S = {"sqlite": 0.01, "postgres": 0.05}
START = datetime(2026, 3, 2, 12, tzinfo=UTC)
SYNC = getattr(os, "fdatasync", os.fsync)


def register(store: Store, study: Sealed) -> tuple[int, dict[str, Any]]:
    """Register a sitting and return its number and a row to make others from."""
    import numpy as np

    number = store.next_number()
    block = Block(id="test", phase="blind", method="abx", trials=1)
    plan = make_plan(
        study_seal=study.commitment,
        sitting=number,
        protocol=Protocol(name="abx", title="ABX", source="bench", decides=("heard",), blocks=(block,)),
        conditions=("heron", "plover"),
        clips=("strings", "drums"),
        nonce=os.urandom(32),
        deadline=(START + timedelta(days=7)).isoformat(),
    )
    store.add_sitting(
        Sealed(record=plan.record, nonce=plan.nonce, commitment=plan.commitment),
        study_seal=study.commitment,
        listener=f"L-{number}",
        created=START,
        deadline=START + timedelta(days=7),
    )
    rng = np.random.default_rng(number)
    listener = SimulatedListener(pseudonym=f"L-{number}", d_prime=1.0)
    sitting = simulate_sitting(plan, listener, rng, simulated_clock(START, rng))
    return number, rows_of(sitting.answers[0])[0]


def one_by_one(
    store: Store, study: Sealed, raw: Callable[[bytes], None], answers: int
) -> tuple[list[float], list[float]]:
    """Return the times in s of durable answers and of raw writes, alternating; the first tenth is not counted."""
    number, row = register(store, study)
    ours: list[float] = []
    theirs: list[float] = []
    for trial in range(answers + answers // 10):
        rows = [{**row, "trial": trial}]
        began = time.perf_counter()
        store.append(number, rows)
        ours.append(time.perf_counter() - began)
        text = canonical(rows[0])
        began = time.perf_counter()
        raw(text)
        theirs.append(time.perf_counter() - began)
    return ours[answers // 10 :], theirs[answers // 10 :]


@contextmanager
def appended(folder: Path) -> Iterator[Callable[[bytes], None]]:
    """Give what appends to a plain file and syncs it."""
    file = os.open(folder / "raw", os.O_CREAT | os.O_WRONLY | os.O_APPEND)

    def write(text: bytes) -> None:
        os.write(file, text)
        SYNC(file)

    yield write
    os.close(file)


@contextmanager
def inserted(arguments: dict[str, Any]) -> Iterator[Callable[[bytes], None]]:
    """Give what inserts a row into a table of one column and commits."""
    import psycopg

    with psycopg.connect(**arguments, autocommit=True) as connection:
        connection.execute("CREATE TABLE raw (row text)")

        def write(text: bytes) -> None:
            connection.execute("INSERT INTO raw VALUES (%s)", (text.decode(),))

        yield write


def at_once(store: Store, study: Sealed, clients: int, each: int) -> tuple[list[float], float]:
    """Return the times in s of all answers of `clients` threads that don't pause, and how long all took."""
    registered = [register(store, study) for _ in range(clients)]
    times: list[list[float]] = [[] for _ in range(clients)]
    go = threading.Barrier(clients + 1)

    def sit(client: int) -> None:
        number, row = registered[client]
        go.wait()
        for trial in range(each):
            began = time.perf_counter()
            store.append(number, [{**row, "trial": trial}])
            times[client].append(time.perf_counter() - began)

    threads = [threading.Thread(target=sit, args=(client,)) for client in range(clients)]
    for thread in threads:
        thread.start()
    go.wait()
    began = time.perf_counter()
    for thread in threads:
        thread.join()
    took = time.perf_counter() - began
    stored = sum(store.sitting(number).links for number, _ in registered)
    if stored != clients * each:
        raise SystemExit(f"{clients * each} answers were acknowledged, {stored} are stored")
    return [t for of_one in times for t in of_one], took


def paced(store: Store, study: Sealed, listeners: int, seconds: float) -> list[float]:
    """Return the times in s of answers at listening pace: each listener answers once a second, at moments of their own.

    One thread hands them in and waits for none: what the clients would need is not counted.
    """
    registered = [register(store, study) for _ in range(listeners)]
    moments = sorted(
        (second + number / listeners, listener, second)
        for second in range(round(seconds))
        for number, listener in enumerate(range(listeners))
    )
    took: list[float] = []
    handed_in = []
    began = time.perf_counter()
    for due, listener, trial in moments:
        while (early := began + due - time.perf_counter()) > 0:
            time.sleep(early)
        number, row = registered[listener]
        # From when it was due: a late client would hide a slow store.
        at = began + due
        one = store.append_later(number, [{**row, "trial": trial}])
        one.add_done_callback(lambda _, at=at: took.append(time.perf_counter() - at))
        handed_in.append(one)
    for one in handed_in:
        one.result()
    return took


def figures(place: Any, write: Callable[[bytes], None], options: argparse.Namespace) -> tuple[str, float, float, int]:
    """Measure on one engine; return the lines to print, the ratio, p99 of the clients in s, and how many faults."""
    study = seal({"kind": "study"}, os.urandom(32))
    with Store(place, entropy=os.urandom) as store:
        store.add_seal(study, kind="study", created=START)
        ours, theirs = one_by_one(store, study, write, options.answers)
        many, took = at_once(store, study, options.clients, options.each)
        at_pace = sorted(paced(store, study, options.listeners, options.seconds))
        faults = len(store.faults())
    ratio = statistics.median(ours) / statistics.median(theirs)
    many.sort()
    ours.sort()
    theirs.sort()
    p99 = at_pace[int(0.99 * len(at_pace))]
    words = (
        f"one client, {options.answers} answers: {1e6 * statistics.median(ours):.0f} us (p99 "
        f"{1e6 * ours[int(0.99 * len(ours))]:.0f} us), {len(ours) / sum(ours):.0f} a second; raw "
        f"{1e6 * statistics.median(theirs):.0f} us (p99 {1e6 * theirs[int(0.99 * len(theirs))]:.0f} us): {ratio:.2f} "
        f"times (medians)\n"
        f"{options.clients} clients at once, {options.each} answers each: {len(many) / took:.0f} answers/s, "
        f"median {1e3 * statistics.median(many):.1f} ms, p99 {1e3 * many[int(0.99 * len(many))]:.1f} ms\n"
        f"{options.listeners} listeners, an answer a second each for {options.seconds} s: median "
        f"{1e3 * statistics.median(at_pace):.1f} ms, p99 {1e3 * p99:.1f} ms; {len(at_pace)} answers, all stored, "
        f"{faults} faults in the chains"
    )
    if statistics.median(theirs) < 20e-6:
        words += "\na sync takes less than 20 us here: the folder lies in memory, not on a disk; name one with --folder"
    return words, ratio, p99, faults


def on_sqlite(folder: Path, options: argparse.Namespace) -> bool:
    """Measure, print, and return whether the goal is met."""
    with appended(folder) as write:
        words, ratio, p99, faults = figures(folder / "study.db", write, options)
    goals = f"goal <= {GOAL:g} times: {said(ratio <= GOAL)}; {goal_of('sqlite', p99)}"
    print(f"SQLite, against an append with fdatasync\n{words}\n{goals}")
    return ratio <= GOAL and p99 <= GOAL_P99_S["sqlite"] and not faults


def on_postgres(folder: Path, options: argparse.Namespace) -> bool:
    """Measure, print, and return whether the goal is met; where there is no server, say so."""
    path = Path(__file__).parents[1] / "postgres_server.py"
    spec = importlib.util.spec_from_file_location("postgres_server", path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    missing = module.missing() or ("" if importlib.util.find_spec("psycopg") else "psycopg is not installed")
    if missing:
        print(f"PostgreSQL left out: {missing}")
        return True
    server = module.PostgresServer(options.folder)
    try:
        with inserted(server.arguments()) as write:
            words, _, p99, faults = figures(ByUrl(url=server.url(), schema=server.schema()), write, options)
    finally:
        server.close()
    print(f"PostgreSQL, against an insert with its commit by the driver alone\n{words}\n{goal_of('postgres', p99)}")
    return p99 <= GOAL_P99_S["postgres"] and not faults


def goal_of(engine: str, p99: float) -> str:
    """Return whether the goal of listeners at their pace is met, in words."""
    return f"goal of listeners p99 <= {1e3 * GOAL_P99_S[engine]:g} ms: {said(p99 <= GOAL_P99_S[engine])}"


def said(met: bool) -> str:
    """Return it in a word."""
    return "met" if met else "MISSED"


def main() -> int:
    """Measure, print, and return the exit code."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--answers", type=int, default=1000)
    parser.add_argument("--clients", type=int, default=64)
    parser.add_argument("--each", type=int, default=100, help="answers of each client")
    parser.add_argument("--listeners", type=int, default=500, help="listeners at a pace of one answer a second")
    parser.add_argument("--seconds", type=int, default=20, help="how long they go on")
    parser.add_argument("--folder", type=Path, default=None)
    parser.add_argument("--engine", choices=["sqlite", "postgres"], action="append", help="both if left out")
    options = parser.parse_args()
    engines = {"sqlite": on_sqlite, "postgres": on_postgres}
    met = []
    load = os.getloadavg()[0]
    for name in options.engine or engines:
        with tempfile.TemporaryDirectory(dir=options.folder) as folder:
            met.append(engines[name](Path(folder), options))
    print(f"load of the machine before and after: {load:.1f}, {os.getloadavg()[0]:.1f} on {os.cpu_count()} processors")
    return 0 if all(met) else 1


if __name__ == "__main__":
    sys.exit(main())
