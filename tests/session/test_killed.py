"""A writing process is killed with SIGKILL at random instants: no acknowledged answer is lost or changed."""

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

pytestmark = pytest.mark.skipif(not hasattr(os, "fork"), reason="needs fork")


def kill(folder, kills, seed, url=""):
    script = Path(__file__).parent / "killed_writer.py"
    run = subprocess.run(
        [sys.executable, str(script), str(folder), str(kills), str(seed)],
        capture_output=True,
        text=True,
        check=False,
        timeout=60 + (30 if url else 3) * kills,
        env={**os.environ, "BLINDTEST_KILLED_URL": url},
    )
    assert run.returncode == 0, run.stderr
    return json.loads(run.stdout.splitlines()[-1])


@pytest.mark.parametrize(
    ("kills", "seed"),
    [pytest.param(20, 1, marks=pytest.mark.slow), pytest.param(1000, 2, marks=pytest.mark.long)],
    ids=["20 kills", "1000 kills"],
)
def test_no_acknowledged_answer_is_lost(tmp_path, kills, seed):
    """conventions.md, figures to publish: 0 of 1,000 local sittings killed at random instants."""
    holds(kill(tmp_path, kills, seed), kills)


@pytest.mark.postgres
@pytest.mark.parametrize(
    ("kills", "seed"),
    [pytest.param(100, 4, marks=pytest.mark.long)],
    ids=["100 kills"],
)
def test_no_acknowledged_answer_is_lost_on_a_server(tmp_path, postgres_server, kills, seed):
    """The program is killed; the server lives on, and ends what its connection had begun."""
    holds(kill(tmp_path, kills, seed, postgres_server.url()), kills, least=1)


def holds(found, kills, least=2):
    print(found)
    assert (found["lost"], found["changed"], found["faults"]) == (0, 0, [])
    assert found["kills"] == kills
    # Else nothing was put to the test: answers were acknowledged, and the kills fell before the end.
    assert found["acknowledged"] > least * kills
    assert found["finished"] <= kills / 4
