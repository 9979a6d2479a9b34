"""Figures of the store: a durable answer against a raw append with fdatasync, and many clients at once.

    python tests/benchmarks/bench_store.py [--answers 1000] [--clients 64] [--folder DIR]

An answer is one row of ABX, handed to the store and acknowledged after the commit; the reference appends the same
bytes (the row's canonical JSON) to a plain file and calls fdatasync. Both alternate in the same run, in the same
folder, which should lie on the disk that studies lie on; the ratio is that of the medians. Exit code 1 if the goal is
missed.
"""

import argparse
import os
import statistics
import sys
import tempfile
import threading
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from blindtest.design import Block, Protocol, Sealed, canonical, make_plan, seal
from blindtest.session import SimulatedListener, rows_of, simulate_sitting, simulated_clock
from blindtest.session.store import Store

GOAL = 3.0
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


def one_by_one(store: Store, study: Sealed, folder: Path, answers: int) -> tuple[list[float], list[float]]:
    """Return the times in s of durable answers and of raw appends, alternating; the first tenth is not counted."""
    number, row = register(store, study)
    raw = os.open(folder / "raw", os.O_CREAT | os.O_WRONLY | os.O_APPEND)
    ours: list[float] = []
    theirs: list[float] = []
    for trial in range(answers + answers // 10):
        rows = [{**row, "trial": trial}]
        began = time.perf_counter()
        store.append(number, rows)
        ours.append(time.perf_counter() - began)
        text = canonical(rows[0])
        began = time.perf_counter()
        os.write(raw, text)
        SYNC(raw)
        theirs.append(time.perf_counter() - began)
    os.close(raw)
    return ours[answers // 10 :], theirs[answers // 10 :]


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


def main() -> int:
    """Measure, print, and return the exit code."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--answers", type=int, default=1000)
    parser.add_argument("--clients", type=int, default=64)
    parser.add_argument("--each", type=int, default=100, help="answers of each client")
    parser.add_argument("--folder", type=Path, default=None)
    options = parser.parse_args()
    with tempfile.TemporaryDirectory(dir=options.folder) as name:
        folder = Path(name)
        study = seal({"kind": "study"}, os.urandom(32))
        with Store(folder / "study.db", entropy=os.urandom) as store:
            store.add_seal(study, kind="study", created=START)
            ours, theirs = one_by_one(store, study, folder, options.answers)
            many, took = at_once(store, study, options.clients, options.each)
            faults = store.faults()
    ratio = statistics.median(ours) / statistics.median(theirs)
    if statistics.median(theirs) < 20e-6:
        print("a sync takes less than 20 us here: this folder lies in memory, not on a disk; name one with --folder")
    print(
        f"durable answer, {options.answers} of them: {1e6 * statistics.median(ours):.0f} us against "
        f"{1e6 * statistics.median(theirs):.0f} us for a raw append with fdatasync, {ratio:.2f} times (medians); "
        f"goal <= {GOAL:g}: {'met' if ratio <= GOAL else 'MISSED'}"
    )
    many.sort()
    print(
        f"{options.clients} clients at once, {options.each} answers each: {len(many) / took:.0f} answers/s, "
        f"median {1e3 * statistics.median(many):.1f} ms, p99 {1e3 * many[int(0.99 * len(many))]:.1f} ms; "
        f"all stored, {len(faults)} faults in the chains"
    )
    return 0 if ratio <= GOAL and not faults else 1


if __name__ == "__main__":
    sys.exit(main())
