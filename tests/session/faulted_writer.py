"""Runs a sitting under strace, which lets one write, sync, truncation or removal fail, and looks at what was left.

As a program: `python faulted_writer.py FOLDER PHASES CALLS FAULTS STRIDE` prints one JSON object. For each phase (a
thread of the victim: "opening" is the main one, which makes, opens and closes the database; "answering" the writer)
each call of each kind fails in turn, one run for each: the process is killed there, or the call returns EIO or ENOSPC,
once or (ENOSPC+) from there on. STRIDE 1 goes through all of them, 7 through every seventh.

With the URL of a PostgreSQL server in BLINDTEST_FAULTED_URL each run has a schema of that server, and the calls are
those that speak with it: the process is killed at each sendto and recvfrom, or recvfrom fails with ECONNRESET, once or
(ECONNRESET+) from there on. A sendto that fails alone is no broken connection: libpq waits for the server's reason.

The victim is a fork that holds the imports already. It waits until strace is attached to the thread in question, so
that no call before is counted and none of the other thread. What it serves is the page's own service; it says on a
pipe what was acknowledged. A second fork then opens the database without faults, checks it, and finishes the sitting.
"""

import ctypes
import json
import os
import re
import runpy
import shutil
import signal
import sqlite3
import subprocess
import sys
import threading
import time
from datetime import timedelta
from hashlib import sha256
from pathlib import Path

# Held here, so that no victim has to import it.
import alembic.command
import alembic.script  # noqa: F401
import numpy as np

from blindtest.design import Sealed, plan_from_record, seal, verify_chain
from blindtest.errors import BlindtestError
from blindtest.session import Confirmed, event_from_dict, restored
from blindtest.session.store import ByUrl, Store
from blindtest.web import NotStored, SittingService, StoreRecord

P = runpy.run_path(str(Path(__file__).parent / "plans.py"))
BLOCKS = (P["block"]("practice", "abx", 1, "practice", feedback=True), P["block"]("t", "abx", 3, break_after=2))
STUDY_SEAL = seal({"kind": "study"}, sha256(b"study").digest())
PLAN = P["make"](blocks=BLOCKS, seed=5, study_seal=STUDY_SEAL.commitment)
TRIES = 3
CALLS = ("pwrite64", "fdatasync", "fsync", "ftruncate", "unlink")
FAULTS = {"SIGKILL": "signal=SIGKILL", "EIO": "error=EIO", "ENOSPC": "error=ENOSPC", "ENOSPC+": "error=ENOSPC"}
URL = os.environ.get("BLINDTEST_FAULTED_URL", "")
if URL:
    CALLS = ("sendto", "recvfrom")
    FAULTS = {"SIGKILL": "signal=SIGKILL", "ECONNRESET": "error=ECONNRESET", "ECONNRESET+": "error=ECONNRESET"}
PHASES = ("opening", "answering")


def place(path):
    """Return where the database of a run stands: in the file, or in a schema of its name."""
    return ByUrl(url=URL, schema=f"faulted_{path.stem.replace('-', '_')}") if URL else path


def registered(store):
    """Make sure that seal and sitting are there."""
    store.add_seal(STUDY_SEAL, kind="study", created=P["START"])
    if not store.sittings():
        store.add_sitting(
            Sealed(record=PLAN.record, nonce=PLAN.nonce, commitment=PLAN.commitment),
            study_seal=STUDY_SEAL.commitment,
            listener="L-1",
            created=P["START"],
            deadline=P["DEADLINE"],
        )


def resumed(store):
    """Return the sitting as its server resumes it."""
    sealed = store.sealed(store.sitting(1).commitment)
    plan = plan_from_record(sealed.record, sealed.nonce, expected=sealed.commitment, methods=P["METHODS_WITH_TOYS"])
    events = [event_from_dict(held) for held in store.events(1)]
    return restored(plan, store.rows(1), study="st", listener="L-1", events=events)


def answered(store, say, hours=0):
    """Answer through the page's service to the end; return whether all could be stored."""
    sitting = resumed(store)
    silence = np.zeros((4, 2), np.int32)
    record = StoreRecord(store=store, number=1)
    service = SittingService(sitting, record=record, samples=lambda c, d: silence, rate=lambda c: 48_000)
    if sitting.over:
        # As the program does: killed after the last answer, before the sitting was closed.
        record.ended(sitting, P["START"])
    at = P["START"] + timedelta(hours=hours)
    while not service._sitting.over:
        now = service._sitting
        if now.step == "trial":
            say({"asked": now.trial})
        for event in P["next_events"](now, at, pick=now.trial):
            for _ in range(TRIES):
                # The page sends the same again later; its clock goes on.
                at += timedelta(seconds=1)
                try:
                    service.handle(event_of(event, at))
                    break
                except NotStored:
                    continue
            else:
                return False
            if isinstance(event, Confirmed):
                say({"trial": event.trial, "values": dict(event.values)})
    return True


def event_of(event, at):
    """Return the event as stamped when it arrives."""
    return type(event)(**{name: getattr(event, name) for name in event.__dataclass_fields__} | {"at": at})


def victim(path, phase, say):
    """Open, register, answer, close; wait for strace at the beginning of `phase`."""
    try:
        if phase == "opening":
            waited(threading.get_native_id(), say)
        with Store(place(path), entropy=os.urandom) as store:
            if phase == "answering":
                waited(store._writer._thread.native_id, say)
            registered(store)
            say({"registered": PLAN.commitment})
            say({"done": answered(store, say)})
    except BlindtestError as error:
        say({"said": error.faults[0].problem})


def waited(thread, say):
    """Say which thread is to be traced, and return once it is."""
    say({"thread": thread})
    status = Path(f"/proc/{os.getpid()}/task/{thread}/status")
    until = time.monotonic() + 20
    while "TracerPid:\t0\n" in status.read_text():
        if time.monotonic() > until:
            raise RuntimeError("strace did not come")
        time.sleep(0.001)


def forked(work):
    """Run `work(say)` in a fork; return its id and the end to read from."""
    out, into = os.pipe()
    child = os.fork()
    if child == 0:
        os.close(out)
        # Where Yama lets only parents trace: strace is a sibling.
        ctypes.CDLL(None).prctl(0x59616D61, ctypes.c_ulong(-1 & (2**64 - 1)), 0, 0, 0)
        try:
            work(lambda told: os.write(into, json.dumps(told).encode() + b"\n"))
        except BaseException as error:
            os.write(into, json.dumps({"failed": f"{type(error).__name__}: {error}"}).encode() + b"\n")
        os._exit(0)
    os.close(into)
    return child, os.fdopen(out, "r")


def traced(path, phase, options):
    """Let a victim run under strace; return what it said, how it ended, and what strace wrote."""
    child, out = forked(lambda say: victim(path, phase, say))
    first = json.loads(out.readline())
    log = path.with_suffix(".strace")
    command = ["strace", "-q", "-o", str(log), "-p", str(first["thread"]), *options]
    tracer = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True)
    # A line that a kill cut was not said.
    said = [json.loads(line) for line in out.read().split("\n")[:-1]]
    _, status = os.waitpid(child, 0)
    complaint = tracer.communicate(timeout=60)[1]
    out.close()
    if not log.exists():
        raise RuntimeError(f"strace: {complaint}")
    text = log.read_text()
    log.unlink()
    return said, status, text


def look(path, said, say):
    """Hold the database against what was acknowledged, then finish the sitting and look once more."""
    faults = []
    with Store(place(path), entropy=os.urandom) as store:
        faults += [str(fault) for fault in store.faults()]
        was_there = bool(store.sittings())
        if any("registered" in told for told in said) and not was_there:
            faults.append("the sitting whose plan was acknowledged is not in the register")
        registered(store)
        asked_again = []
        before = [dict(answer.values) for answer in resumed(store).answers]
        acknowledged = {told["trial"]: told["values"] for told in said if "trial" in told}
        lost = [trial for trial, values in acknowledged.items() if before[trial : trial + 1] != [values]]
        faults += drawn_otherwise(store)
        if not answered(store, asked_again.append, hours=1):
            faults.append("the sitting could not be finished without faults")
        twice = [told["asked"] for told in asked_again if told.get("asked") in acknowledged]
        sitting, entry = resumed(store), store.sitting(1)
        check = verify_chain(entry.commitment, store.chain(1))
        if not check.ok or check.head != entry.head or check.links != PLAN.length or entry.state != "finished":
            faults.append(f"at the end: {check}, {entry.state}")
        if [dict(answer.values) for answer in sitting.answers][: len(before)] != before:
            faults.append("an answer changed")
        faults += drawn_otherwise(store) + [str(fault) for fault in store.faults()]
    if not URL:
        with sqlite3.connect(path) as plain:
            (whole,) = plain.execute("PRAGMA integrity_check").fetchone()
        if whole != "ok":
            faults.append(whole)
    say({"faults": faults, "lost": lost, "twice": twice, "acknowledged": len(acknowledged)})


def drawn_otherwise(store):
    """Return what differs between the plan that is stored and the one that was sealed."""
    plan = resumed(store).plan
    same = plan.commitment == PLAN.commitment
    same = same and all(plan.trial(n).drawn == PLAN.trial(n).drawn for n in range(PLAN.length))
    return [] if same else ["the plan changed"]


def begun(path, phase):
    """Return `path`, where for the phase "answering" an empty database was made before."""
    template = path.with_name("template.db")
    if URL:
        child, out = forked(lambda say: Store(place(path), entropy=os.urandom).close())
        out.read()
        os.waitpid(child, 0)
        return path
    if phase == "answering":
        if not template.exists():
            Store(template, entropy=os.urandom).close()
        shutil.copyfile(template, path)
    return path


def counted(folder, phase):
    """Return how often each call is made in a phase, without any fault."""
    path = begun(folder / f"counted-{phase}.db", phase)
    said, status, text = traced(path, phase, ["-e", f"trace={','.join(CALLS)}"])
    if status != 0 or said[-1] != {"done": True}:
        raise RuntimeError(f"without a fault: {said[-1]}, {status}")
    return {call: len(re.findall(rf"^{call}\(", text, re.MULTILINE)) for call in CALLS}


def main(folder, phases, calls, faults, stride):
    """Go through all; print what was found."""
    folder = Path(folder)
    total = {"runs": 0, "injected": 0, "killed": 0, "refused": 0, "acknowledged": 0, "lost": 0, "twice": 0}
    total |= {"faults": [], "calls": {}}
    turn = 0
    for phase in phases:
        made = counted(folder, phase)
        total["calls"][phase] = {call: count for call, count in made.items() if count}
        for call, name in ((call, name) for call in calls for name in faults):
            if call == "sendto" and name != "SIGKILL":
                continue
            for at in range(1, made[call] + 1):
                turn += 1
                if turn % stride:
                    continue
                run(folder / f"{turn}.db", phase, call, name, at, total)
    print(json.dumps(total))


def run(path, phase, call, name, at, total):
    """Let one call fail and look."""
    begun(path, phase)
    when = f"{at}+" if name.endswith("+") else str(at)
    said, status, text = traced(path, phase, ["-e", f"trace={call}", "-e", f"inject={call}:{FAULTS[name]}:when={when}"])
    killed = os.WIFSIGNALED(status) and os.WTERMSIG(status) == signal.SIGKILL
    where = f"{phase}, {call} {at}, {name}: "
    total["runs"] += 1
    total["injected"] += killed or "(INJECTED)" in text
    total["killed"] += killed
    total["refused"] += any("said" in told or told.get("done") is False for told in said)
    total["faults"] += [where + told["failed"] for told in said if "failed" in told]
    if status != 0 and not killed:
        total["faults"].append(f"{where}ended with {status}")
    child, out = forked(lambda say: look(path, said, say))
    (found,) = [json.loads(line) for line in out.read().split("\n")[:-1]]
    out.close()
    os.waitpid(child, 0)
    if "failed" in found:
        total["faults"].append(where + found["failed"])
        return
    total["faults"] += [where + fault for fault in found["faults"]]
    for key in ("lost", "twice"):
        total[key] += len(found[key])
    total["acknowledged"] += found["acknowledged"]
    for left in path.parent.glob(f"{path.name}*"):
        left.unlink()


if __name__ == "__main__":
    if shutil.which("strace") is None:
        sys.exit("there is no strace")
    main(sys.argv[1], sys.argv[2].split(","), sys.argv[3].split(","), sys.argv[4].split(","), int(sys.argv[5]))
