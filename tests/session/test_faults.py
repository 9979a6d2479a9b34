"""Every write, sync, truncation and removal of a sitting fails in turn, by strace: nothing acknowledged is lost.

conventions.md asks for it by `strace -e inject=CALL:signal=SIGKILL:when=N` and the like; see faulted_writer.py.
"""

import json
import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

EVERY_CALL = "pwrite64,fdatasync,fsync,ftruncate,unlink"
EVERY_FAULT = "SIGKILL,EIO,ENOSPC,ENOSPC+"


def run(folder, phases, calls, faults, stride, timeout=60, url=""):
    script = Path(__file__).parent / "faulted_writer.py"
    command = [sys.executable, str(script), str(folder), phases, calls, faults, str(stride)]
    env = {**os.environ, "BLINDTEST_FAULTED_URL": url}
    done = subprocess.run(command, capture_output=True, text=True, check=False, timeout=timeout, env=env)
    assert done.returncode == 0, done.stderr
    found = json.loads(done.stdout.splitlines()[-1])
    print(found)
    return found


@pytest.fixture(autouse=True)
def _strace(require):
    require("strace", shutil.which("strace") is not None, "there is no strace")
    # A container may forbid tracing.
    tried = subprocess.run(["strace", "-o", "/dev/null", sys.executable, "-c", ""], capture_output=True, check=False)
    require("strace", tried.returncode == 0, "processes may not be traced here")


def holds(found):
    """Nothing acknowledged was lost or asked again, plan, chain and database hold, and the faults did take place."""
    assert (found["lost"], found["twice"], found["faults"]) == (0, 0, [])
    assert found["injected"] == found["runs"]
    assert found["acknowledged"] > 0
    assert found["killed"] > 0
    assert found["refused"] > 0


@pytest.mark.slow
def test_some_faults_lose_nothing(tmp_path):
    """Every sync while answers are given, killed there and for want of room: where acknowledgements hang on."""
    found = run(tmp_path, "answering", "fdatasync", "SIGKILL,ENOSPC+", 3, timeout=300)
    holds(found)
    assert found["runs"] >= 6


@pytest.mark.long
def test_no_fault_at_any_call_loses_anything(tmp_path):
    found = run(tmp_path, "opening,answering", EVERY_CALL, EVERY_FAULT, 1, timeout=7200)
    holds(found)
    counted = sum(count for calls in found["calls"].values() for count in calls.values())
    assert found["runs"] == 4 * counted > 400


@pytest.mark.long
@pytest.mark.postgres
def test_no_break_of_the_connection_loses_anything(tmp_path, postgres_server):
    """The writer is killed, or its connection breaks, at each call that speaks with the server: commits among them."""
    faults = "SIGKILL,ECONNRESET,ECONNRESET+"
    found = run(tmp_path, "answering", "sendto,recvfrom", faults, 1, timeout=3000, url=postgres_server.url())
    assert (found["lost"], found["twice"], found["faults"]) == (0, 0, [])
    # How often a connection is looked at in vain differs from run to run.
    assert found["injected"] > 0.9 * found["runs"] > 0
    assert min(found["acknowledged"], found["killed"], found["refused"]) > 0
