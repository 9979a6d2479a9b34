"""A database server is stopped at once, or killed, and started again while many answer: what became of the answers.

`run` is a program's worth of work for test_stopped_server.py: clients hand in answers without a pause, and hand in
again what was not acknowledged, as the page does; the server goes and comes; then the record is read by a new store.
"""

import os
import random
import runpy
import threading
import time
from hashlib import sha256
from pathlib import Path

from blindtest.design import Sealed, seal, verify_chain
from blindtest.errors import BlindtestError, Missing
from blindtest.session import rows_of, start
from blindtest.session.store import Store

P = runpy.run_path(str(Path(__file__).parent / "plans.py"))
STUDY_SEAL = seal({"kind": "study"}, sha256(b"study").digest())


def registered(store, number):
    """Register a sitting and return its plan and a row to make others from."""
    plan = P["make"](blocks=(P["block"]("t", "abx", 2),), seed=number, sitting=number, study_seal=STUDY_SEAL.commitment)
    store.add_sitting(
        Sealed(record=plan.record, nonce=plan.nonce, commitment=plan.commitment),
        study_seal=STUDY_SEAL.commitment,
        listener=f"L-{number}",
        created=P["START"],
        deadline=P["DEADLINE"],
    )
    sitting = P["walked"](start(plan, study="st", listener=f"L-{number}"), lambda s: len(s.answers) > 0)
    return plan, rows_of(sitting.answers[0])[0]


def of_trial(row, trial, number):
    """Return the row of another trial, told apart by what it says."""
    return {**row, "trial": trial, "comment": f"{number}/{trial}"}


def run(server, place, *, stops, clients, seed):
    """Stop the server in these ways, one after another; return what was found.

    stops : 'immediate', 'fast' or 'kill'
    """
    rng = random.Random(seed)
    found = {"stops": 0, "acknowledged": 0, "refused": 0, "lost": 0, "twice": 0, "changed": 0, "faults": []}
    heads = {number: {} for number in range(1, clients + 1)}
    waited = []
    enough = threading.Event()

    def client(store, number, row):
        trial = 0
        while not enough.is_set():
            began = time.perf_counter()
            while True:
                try:
                    told = store.append(number, [of_trial(row, trial, number)])
                    break
                except Missing:
                    found["refused"] += 1
                    time.sleep(0.1)
                except BlindtestError as error:
                    found["faults"].append(f"sitting {number}, trial {trial}: {error}")
                    return
            waited.append(time.perf_counter() - began)
            heads[number][trial] = told.head
            trial += 1

    with Store(place, entropy=os.urandom) as store:
        store.add_seal(STUDY_SEAL, kind="study", created=P["START"])
        plans = {number: registered(store, number) for number in heads}
        for number in heads:
            store.hold(number)
        threads = [
            threading.Thread(target=client, args=(store, number, row)) for number, (_, row) in plans.items()
        ]  # fmt: skip
        for thread in threads:
            thread.start()
        for how in stops:
            before = sum(map(len, heads.values()))
            time.sleep(rng.uniform(0.05, 0.25))
            while sum(map(len, heads.values())) == before and any(thread.is_alive() for thread in threads):
                time.sleep(0.005)
            if how == "kill":
                server.kill()
            else:
                server.stop(how)
            time.sleep(rng.uniform(0.0, 0.05))
            server.start()
            found["stops"] += 1
        time.sleep(0.1)
        enough.set()
        for thread in threads:
            thread.join()
    with Store(place, entropy=os.urandom, create=False) as store:
        found["faults"] += [str(fault) for fault in store.faults()]
        for number, acknowledged in heads.items():
            plan, row = plans[number]
            links, rows = store.chain(number), store.rows(number)
            check = verify_chain(plan.commitment, links)
            if not check.ok or store.sitting(number).commitment != plan.commitment:
                found["faults"].append(f"sitting {number}: {check}")
            by_trial = {one["trial"]: one for one in rows}
            stored = {link.hash for link in links}
            found["twice"] += len(rows) - len(by_trial)
            found["lost"] += sum(trial not in by_trial or head not in stored for trial, head in acknowledged.items())
            found["changed"] += sum(
                by_trial[trial] != of_trial(row, trial, number) for trial in acknowledged if trial in by_trial
            )
            found["acknowledged"] += len(acknowledged)
    found["longest_s"] = round(max(waited), 2)
    return found
