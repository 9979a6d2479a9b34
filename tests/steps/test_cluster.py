"""A real Dask scheduler and two worker processes on the loopback address: the same bytes as one machine, also when a
worker is killed on the way. The reference is the same command without a cluster, whose numbers other tests prove."""

import json
import os
import re
import signal
import subprocess
import sys
import threading
from pathlib import Path

import numpy as np
import pytest

from blindtest.audio import Clip, write_clip
from blindtest.errors import BlindtestError, Missing, WrongUse
from blindtest.render import ClipSource, Condition, RecordingStage, RenderJob, render
from blindtest.steps import planned
from blindtest.steps.cluster import hands_at

pytest.importorskip("distributed")

RATE = 48_000


class Cluster:
    """A scheduler and its workers, each a process of its own."""

    def __init__(self, workers: int) -> None:
        self._workers: list[subprocess.Popen] = []
        self.scheduler, line = self._started(
            "scheduler", "--host", "127.0.0.1", "--port", "0", "--no-dashboard", says="Scheduler at:"
        )
        self.address = re.search(r"tcp://127\.0\.0\.1:\d+", line).group()
        for _ in range(workers):
            self.add()

    def add(self) -> None:
        # Without a nanny, which would bring a killed worker back.
        made, _ = self._started(
            "worker", self.address, "--nthreads", "1", "--no-nanny", "--no-dashboard", says="Registered to:"
        )
        self._workers.append(made)

    def _started(self, *what: str, says: str) -> tuple[subprocess.Popen, str]:
        made = subprocess.Popen(
            [sys.executable, "-m", "distributed.cli.dask_" + what[0], *what[1:]],
            stderr=subprocess.PIPE,
            text=True,
            env={**os.environ, "OPENBLAS_NUM_THREADS": "1"},
        )
        for line in made.stderr:
            if says in line:
                threading.Thread(target=made.stderr.read, daemon=True).start()
                return made, line
        raise AssertionError(f"{what[0]} did not start")

    def kill_one(self) -> None:
        os.kill(self._workers.pop().pid, signal.SIGKILL)

    def close(self) -> None:
        for one in (*self._workers, self.scheduler):
            one.kill()
            one.wait()
            one.stderr.close()


@pytest.fixture(scope="module")
def cluster():
    made = Cluster(2)
    yield made
    made.close()


def _job(folder: Path, clips: int, bad: bool = False) -> RenderJob:
    """Noise clips, natively and as another recording of each (a little louder and dull)."""
    folder.mkdir(exist_ok=True)
    made, recordings = [], {}
    for number in range(clips):
        rng = np.random.Generator(np.random.PCG64(number))
        frames = 0.1 * rng.standard_normal((RATE, 2)).clip(-2, 2)
        path, other = folder / f"c{number}.flac", folder / f"c{number}-other.flac"
        write_clip(Clip(frames=frames, rate=RATE), path)
        write_clip(Clip(frames=0.7 * frames[:, ::-1] * (0.0 if bad and number == 1 else 1.0), rate=RATE), other)
        made.append(ClipSource(id=f"c{number}", path=path))
        recordings[f"c{number}"] = other
    return RenderJob(
        clips=tuple(made),
        conditions=(Condition(id="a", stages=()), Condition(id="b", stages=(RecordingStage(files=recordings),))),
    )


def _content(folder: Path) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in sorted(folder.iterdir())}


def test_stimuli_are_the_same_bytes(cluster, tmp_path):
    job = _job(tmp_path / "clips", 5)
    here = render(job, tmp_path / "here")
    with hands_at(cluster.address) as hands:
        there = render(job, tmp_path / "there", hands=hands)
    assert _content(tmp_path / "here") == _content(tmp_path / "there")
    assert (here.made, [one.sha256 for one in here.stimuli]) == (there.made, [one.sha256 for one in there.stimuli])
    assert there.made == 10
    # What is there is not made again, whoever made it.
    assert render(job, tmp_path / "there").made == 0


def test_a_fault_names_the_file_as_its_sender_knows_it(cluster, tmp_path):
    job = _job(tmp_path / "clips", 3, bad=True)
    with hands_at(cluster.address) as hands, pytest.raises(BlindtestError) as there:
        render(job, tmp_path / "there", hands=hands)
    with pytest.raises(BlindtestError) as here:
        render(job, tmp_path / "here")
    assert str(there.value) == str(here.value)
    assert "silent in condition 'b'" in str(here.value)
    assert not list((tmp_path / "there").glob("*.wav"))


def test_a_map_is_the_same_with_a_worker_killed_on_the_way(cluster):
    asked = {"listeners": 12, "studies": 60_000, "seed": 3}
    here = json.dumps(planned("rating", map=True, **asked).to_dict())
    killing = threading.Timer(0.5, cluster.kill_one)
    killing.start()
    there = json.dumps(planned("rating", map=True, cluster=cluster.address, **asked).to_dict())
    killing.join()
    cluster.add()
    assert there == here


@pytest.mark.long
def test_simulated_power_is_the_same(cluster):
    asked = {"listeners": 8, "clips": 2, "studies": 200}
    here, there = planned("contrast", **asked), planned("contrast", cluster=cluster.address, **asked)
    assert there.to_dict() == here.to_dict()


@pytest.mark.long
@pytest.mark.parametrize("workers", [0, 1, 2])
def test_any_number_of_workers_and_one_killed(workers, tmp_path):
    """Rendering too is gone on with elsewhere."""
    job = _job(tmp_path / "clips", 24)
    render(job, tmp_path / "here")
    own = Cluster(workers)
    try:
        if not workers:
            with pytest.raises(Missing, match="no worker"), hands_at(own.address):
                pass
            return
        killing = threading.Timer(1.0, own.kill_one if workers > 1 else lambda: None)
        killing.start()
        with hands_at(own.address) as hands:
            render(job, tmp_path / "there", hands=hands)
        killing.join()
        assert _content(tmp_path / "here") == _content(tmp_path / "there")
    finally:
        own.close()


def test_a_cluster_that_computes_otherwise_is_refused(cluster, monkeypatch):
    monkeypatch.setattr("blindtest.steps.cluster.COMPARED", ("numpy", "pytest"))
    monkeypatch.setattr("blindtest.steps.cluster.version", lambda name: "1.0")
    differs = pytest.raises(Missing, match=r"another numpy: its results could differ in the last bit, got '\d")
    with differs, hands_at(cluster.address):
        pass


def test_nobody_there_and_nothing_to_share_out_are_a_line_each(monkeypatch):
    monkeypatch.setattr("blindtest.steps.cluster.WAIT_S", 0.5)
    with pytest.raises(Missing, match=r"no cluster answers, got 'tcp://127\.0\.0\.1:9'"), hands_at("tcp://127.0.0.1:9"):
        pass
    with pytest.raises(Missing, match="no cluster answers"), hands_at("nonsense://"):
        pass
    with pytest.raises(WrongUse, match="reckoned at once"):
        planned("abx", cluster="tcp://127.0.0.1:9")
