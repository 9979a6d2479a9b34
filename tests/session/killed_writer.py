"""Kills a writing process with SIGKILL at random instants, again and again, and looks at what it left.

As a program: `python killed_writer.py FOLDER KILLS SEED` prints one JSON object with what was found; with the URL of a
PostgreSQL server in BLINDTEST_KILLED_URL the databases are schemas of that server. The parent holds
the imports; each victim is a fork of it, so that a kill costs milliseconds. Eight sittings are answered at once, so
that commits hold several answers; a victim writes down each acknowledgement (to a pipe, unbuffered) after it came.
"""

import json
import os
import random
import runpy
import signal
import sys
import time
from hashlib import sha256
from pathlib import Path

# Held here, so that no victim has to import it.
import alembic.command
import alembic.script  # noqa: F401

from blindtest.design import Sealed, plan_from_record, seal, verify_chain
from blindtest.session import restored, rows_of
from blindtest.session.store import ByUrl, Store

P = runpy.run_path(str(Path(__file__).parent / "plans.py"))
SITTINGS = 8
MOST_SAID = 100
"""Lines that a victim may say before it is killed: that the database is open, then acknowledgements."""
BLOCKS = (P["block"]("t", "abx", 60), P["block"]("r", "toy-rating", 20, numbers={"most": 100}))
STUDY_SEAL = seal({"kind": "study"}, sha256(b"study").digest())


def opened(path):
    """Open the store and make sure that the sittings are there."""
    store = Store(path, entropy=os.urandom)
    store.add_seal(STUDY_SEAL, kind="study", created=P["START"])
    while (number := store.next_number()) <= SITTINGS:
        plan = P["make"](blocks=BLOCKS, seed=number, sitting=number, study_seal=STUDY_SEAL.commitment)
        store.add_sitting(
            Sealed(record=plan.record, nonce=plan.nonce, commitment=plan.commitment),
            study_seal=STUDY_SEAL.commitment,
            listener=f"L-{number}",
            created=P["START"],
            deadline=P["DEADLINE"],
        )
    return store


def resumed(store, number):
    """Return a sitting as its server resumes it."""
    sealed = store.sealed(store.sitting(number).commitment)
    plan = plan_from_record(sealed.record, sealed.nonce, expected=sealed.commitment, methods=P["METHODS_WITH_TOYS"])
    return restored(plan, store.rows(number), study="st", listener=f"L-{number}")


def victim(path, pipe):
    """Answer all sittings, one trial of each at a time, and say what was acknowledged; never returns."""
    store = opened(path)
    sittings = {number: resumed(store, number) for number in range(1, SITTINGS + 1)}
    os.write(pipe, b"open\n")
    while any(not sitting.over for sitting in sittings.values()):
        waiting = {}
        for number, sitting in sittings.items():
            if not sitting.over:
                answered = len(sitting.answers)
                sittings[number] = P["walked"](sitting, lambda s, n=answered: len(s.answers) > n, pick=number)
                waiting[number] = store.append_later(number, rows_of(sittings[number].answers[-1]))
        for number, future in waiting.items():
            head = future.result().head
            last = sittings[number].answers[-1]
            told = {"sitting": number, "trial": last.trial, "head": head, "values": dict(last.values)}
            os.write(pipe, json.dumps(told).encode() + b"\n")
    os.write(pipe, b"done\n")
    store.close()
    os._exit(0)


def forked(work):
    """Run `work(pipe)` in a fork; return its id and the end to read from."""
    out, into = os.pipe()
    child = os.fork()
    if child == 0:
        os.close(out)
        try:
            work(into)
        except BaseException as error:
            os.write(into, f"failed {type(error).__name__}: {error}\n".encode())
        finally:
            os._exit(1)
    os.close(into)
    return child, out


def lines_until(out, count=None):
    """Read so many lines from a pipe (more if they come at once), or all up to the end."""
    held = b""
    while count is None or held.count(b"\n") < count:
        more = os.read(out, 65536)
        if not more:
            break
        held += more
    return held


def killed(path, rng):
    """Let a victim write, kill it at a random instant, and return what it had acknowledged.

    The instant is counted in acknowledgements, and in milliseconds from one to the next: on a busy machine a victim
    that is killed by the clock alone would not get far.
    """
    child, out = forked(lambda pipe: victim(path, pipe))
    # One kill in four falls into opening the database, the first time into making it.
    opening = rng.random() < 0.25
    held = b"" if opening else lines_until(out, rng.randint(1, MOST_SAID))
    # A way to a server and back takes longer than one to a file.
    longest = 0.06 if isinstance(path, Path) else 0.3
    time.sleep(rng.uniform(0, longest if opening else longest / 3))
    os.kill(child, signal.SIGKILL)
    os.waitpid(child, 0)
    held += lines_until(out)
    os.close(out)
    # A line cut by the kill was not said.
    return held.decode().split("\n")[:-1]


def look(path, pipe):
    """Say what stands in the database."""
    store = opened(path)
    found = {"faults": [str(fault) for fault in store.faults()], "rows": {}, "heads": {}}
    for number in range(1, SITTINGS + 1):
        sitting = resumed(store, number)
        entry = store.sitting(number)
        chain = store.chain(number)
        check = verify_chain(entry.commitment, chain)
        if not check.ok or check.head != entry.head or check.links != sum(len(a.values) for a in sitting.answers):
            found["faults"].append(f"sitting {number}: {check}")
        found["rows"][number] = [dict(answer.values) for answer in sitting.answers]
        found["heads"][number] = [link.hash for link in chain]
    store.close()
    os.write(pipe, json.dumps(found).encode() + b"\n")
    os._exit(0)


def place(folder, seed, number):
    """Return where the next database stands."""
    url = os.environ.get("BLINDTEST_KILLED_URL")
    return ByUrl(url=url, schema=f"killed_{seed}_{number}") if url else folder / f"study-{number}.db"


def main(folder, kills, seed):
    """Kill and look, so many times; print what was found."""
    rng = random.Random(seed)
    folder = Path(folder)
    total = {"kills": 0, "acknowledged": 0, "lost": 0, "changed": 0, "faults": [], "databases": 0, "finished": 0}
    path = None
    while total["kills"] < kills:
        if path is None:
            total["databases"] += 1
            path, known = place(folder, seed, total["databases"]), {}
        said = killed(path, rng)
        total["kills"] += 1
        total["faults"] += [line for line in said if line.startswith("failed")]
        for line in said:
            if line.startswith("{"):
                told = json.loads(line)
                known[told["sitting"], told["trial"]] = told
                total["acknowledged"] += 1
        child, out = forked(lambda pipe, path=path: look(path, pipe))
        seen = lines_until(out).decode().strip()
        os.close(out)
        os.waitpid(child, 0)
        if not seen.startswith("{"):
            total["faults"].append(seen or "the looker said nothing")
            path = None
            continue
        found = json.loads(seen)
        total["faults"] += found["faults"]
        for (number, trial), told in known.items():
            values = found["rows"][str(number)]
            if trial >= len(values) or told["head"] not in found["heads"][str(number)]:
                total["lost"] += 1
            elif values[trial] != told["values"]:
                total["changed"] += 1
        if "done" in said or rng.random() < 0.1:
            total["finished"] += "done" in said
            path = None
    print(json.dumps(total))


if __name__ == "__main__":
    main(sys.argv[1], int(sys.argv[2]), int(sys.argv[3]))
