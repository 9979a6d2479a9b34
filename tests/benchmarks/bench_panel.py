"""A panel under load: listeners at listening pace, how long an answer takes, and what is left when it is killed.

    python tests/benchmarks/bench_panel.py [--listeners 500] [--pace 10] [--seconds 60] [--engine sqlite|postgres]
                                           [--kills 0] [--stops 0] [--sounds 0] [--burst 0]

`blindtest panel` serves a small study (invented; two conditions of a clip of a second) in a process of its own, with
its limits on. Here so many listeners come by its public link, agree, set a level, and answer ABX trials: each sends
what the page sends (loaded, three selections, the choice, the confirmation) when somebody who listens would, and
confirms one trial every `--pace` seconds, spread evenly. With `--burst 1` all that a trial takes is sent at once, one
after the other, right before its confirmation: nobody listens so, and each answer meets the others' bursts. Measured
is the time from sending a confirmation to its acknowledgement, which comes after the commit, from here, that is with
the load's own work on the same machine. `--sounds 1` fetches every sound too.

`--kills` kills the server (SIGKILL) so many times meanwhile and starts it again, `--stops` stops the database at once
(PostgreSQL, immediate) as often; a listener whose confirmation was not acknowledged sends it again, as the page does.
At the end the record is opened: every acknowledged answer must be in it, once, with its value, every plan be the one
that was sealed, and every chain hold. Exit code 1 if one is not, or a goal is missed.
"""

import argparse
import asyncio
import http.client
import importlib.util
import json
import os
import random
import resource
import signal
import socket
import statistics
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

TESTS = Path(__file__).parents[1]
GOALS_MS = {("sqlite", 500): 10.0, ("postgres", 500): 50.0, ("sqlite", 2000): 100.0, ("postgres", 2000): 100.0}
"""p99 of an answer, by engine and number of listeners."""
PLANNED = 120
"""Trials of a sitting; the load ends before."""


def beside(name: str) -> Any:
    """Return a module of tests/ by its name."""
    spec = importlib.util.spec_from_file_location(name, TESTS / f"{name}.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[name] = module
    spec.loader.exec_module(module)
    return module


@dataclass
class Figures:
    """What the listeners saw."""

    answers: list[float] = field(default_factory=list)
    """Seconds from a confirmation to its acknowledgement, where it was not sent twice."""
    acknowledged: dict[tuple[str, int], str] = field(default_factory=dict)
    """Pseudonym and trial to the choice that was acknowledged."""
    unsure: set[tuple[str, int]] = field(default_factory=set)
    """Sent, and not acknowledged when all was over."""
    requests: int = 0
    again: int = 0
    """Confirmations sent again."""
    refused: int = 0
    """Requests answered with 429, which waited and came again."""
    processor_s: float = 0.0
    """The server's processor time under the load, where it was not killed meanwhile."""


class Wire(asyncio.Protocol):
    """One connection that stays open, with a cookie; as little work as will do, since it shares the machine."""

    def __init__(self, port: int, figures: Figures) -> None:
        self.port, self.figures, self.cookie = port, figures, ""
        self._transport: asyncio.Transport | None = None
        self._got = b""
        self._length = -1
        self._answer: asyncio.Future[tuple[int, bytes]] | None = None

    async def ask(self, method: str, path: str, body: object = None) -> tuple[int, bytes]:
        """Send a request and return status and body; again where the server is away or asks to wait."""
        data = b"" if body is None else json.dumps(body).encode()
        head = f"{method} {path} HTTP/1.1\r\nhost: 127.0.0.1:{self.port}\r\n"
        if self.cookie:
            head += f"cookie: {self.cookie}\r\n"
        if method == "POST":
            head += f"origin: http://127.0.0.1:{self.port}\r\ncontent-type: application/json\r\n"
            head += f"content-length: {len(data)}\r\n"
        wait = 0.05
        while True:
            try:
                status, got = await self._once(head.encode() + b"\r\n" + data)
            except (OSError, ValueError):
                self.close()
                status, got = 0, b""
            self.figures.requests += 1
            if status not in (0, 429, 500, 502, 503):
                return status, got
            self.figures.refused += status == 429
            await asyncio.sleep(wait * (0.5 + random.random()))
            wait = min(2.0, wait * 2)

    async def _once(self, request: bytes) -> tuple[int, bytes]:
        loop = asyncio.get_running_loop()
        if self._transport is None:
            await loop.create_connection(lambda: self, "127.0.0.1", self.port)
        assert self._transport is not None
        answer = self._answer = loop.create_future()
        self._transport.write(request)
        late = loop.call_later(30, self._lost, TimeoutError())
        try:
            return await answer
        finally:
            late.cancel()

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        """Be connected."""
        assert isinstance(transport, asyncio.Transport)
        self._transport, self._got, self._length = transport, b"", -1

    def data_received(self, data: bytes) -> None:
        """Take what came; the answer is there once its body is as long as its head said."""
        self._got += data
        if self._length < 0:
            head, ended, rest = self._got.partition(b"\r\n\r\n")
            if not ended:
                return
            self._length, self._got, self._status = 0, rest, int(head[9:12])
            for line in head.split(b"\r\n")[1:]:
                name, _, value = line.partition(b":")
                if name.lower() == b"content-length":
                    self._length = int(value)
                elif name.lower() == b"set-cookie" and b"panel" in value:
                    self.cookie = value.partition(b";")[0].strip().decode()
        if len(self._got) >= self._length and self._answer is not None and not self._answer.done():
            body, self._got, self._length = self._got, b"", -1
            self._answer.set_result((self._status, body))

    def connection_lost(self, error: Exception | None) -> None:
        """Tell whoever waits."""
        self._transport = None
        self._lost(error or ConnectionResetError())

    def _lost(self, error: Exception) -> None:
        if self._answer is not None and not self._answer.done():
            self._answer.set_exception(error)

    def close(self) -> None:
        """Drop the connection."""
        if self._transport is not None:
            self._transport.abort()
        self._transport = None

    async def json(self, method: str, path: str, body: object = None) -> Any:
        """Return what was answered; a refusal ends the run."""
        status, got = await self.ask(method, path, body)
        if status != 200:
            raise RuntimeError(f"{method} {path}: {status} {got[:300]!r}")
        return json.loads(got)


class Listener:
    """Somebody with a browser, at the public link."""

    def __init__(self, place: int, token: str, port: int, figures: Figures, sounds: bool, listens_s: float) -> None:
        self.wire = Wire(port, figures)
        self.figures, self.token, self.sounds = figures, token, sounds
        self.listens_s = listens_s
        """How long from a trial's first sound to its answer; 0: no time at all."""
        self.random = random.Random(place)
        self.pseudonym = self.sitting = ""
        self.view: dict[str, Any] = {}

    async def enter(self) -> None:
        """From the link to the first trial."""
        state = await self.wire.json("POST", "/panel/open", {"token": self.token})
        agreed = {"token": self.token, "consent_sha256": state["consent_sha256"]}
        state = await self.wire.json("POST", "/panel/consent", agreed)
        self.pseudonym = state["pseudonym"]
        answers = {
            "questions": {"age": 1, "equipment": 0},
            "output": {"rate_hz": 48_000, "latency_s": 0.02},
        }
        while (step := state["step"]) in answers:
            state = await self.wire.json("POST", "/panel/step", {"step": step, "values": answers[step]})
        await self.wire.json("POST", "/panel/begin", {})
        self.sitting = (await self.wire.json("GET", "/facts"))["sitting"]
        await self.event("began")
        await self.event("level_set", gain_db=-20.0, output_rate_hz=48_000, output_latency_s=0.02)

    async def event(self, kind: str, **values: Any) -> int:
        """Send an event; keep the view that comes back."""
        body = {"sitting": self.sitting, "event": {"event": kind, **values}}
        status, got = await self.wire.ask("POST", "/event", body)
        told = json.loads(got)
        if status not in (200, 409):
            raise RuntimeError(f"{kind}: {status} {got[:300]!r}")
        self.view = told["view"]
        if status == 409 and told.get("sitting") not in (None, self.sitting):
            self.sitting = told["sitting"]
        return status

    async def answer(self) -> None:
        """Hear the trial in hand and confirm an answer to it."""
        if self.view["step"] == "level":
            await self.event("level_set", gain_db=-20.0, output_rate_hz=48_000, output_latency_s=0.02)
        if self.view["step"] == "ready":
            await self.event("began")
            return
        if self.view["step"] != "trial":
            await self.event("continued", trial=self.view["trial"])
            return
        view = self.view
        trial, choice = view["trial"], self.random.choice("AB")
        of = {"trial": trial, "attempt": view["attempt"]}
        anew = False
        while self.view["step"] == "trial" and self.view["trial"] == trial:
            if self.sounds:
                for slot in self.view["slots"]:
                    await self.wire.ask("GET", f"/sound/{slot['token']}")
            told = [("loaded", {}), *(("selected", {"slot": slot["name"]}) for slot in view["slots"])]
            for kind, values in (*told, ("chosen", {"values": {"choice": choice}})):
                await self.hear(0 if anew else len(told) + 1)
                if await self.event(kind, **of, **values) == 409 and self.view["step"] == "trial":
                    break
            if self.view["step"] != "trial" or self.view["trial"] != trial:
                return
            await self.hear(0 if anew else len(told) + 1)
            sent, before = time.perf_counter(), self.figures.requests
            self.figures.unsure.add((self.pseudonym, trial))
            status = await self.event("confirmed", **of, values={"choice": choice})
            if status == 200:
                taken = time.perf_counter() - sent
                self.figures.acknowledged[self.pseudonym, trial] = choice
                self.figures.unsure.discard((self.pseudonym, trial))
                if self.figures.requests - before >= 1:
                    self.figures.answers.append(taken)
                return
            # The server was started again since: it is told the trial anew, as the page does.
            anew = True
            self.figures.again += 1

    async def hear(self, parts: int) -> None:
        """Listen to one of so many parts of a trial; 0: it was heard before."""
        if self.listens_s and parts:
            await asyncio.sleep(self.listens_s / parts * (0.5 + self.random.random()))

    async def listen(self, pace: float, until: float) -> None:
        """Answer a trial every `pace` seconds until then."""
        due = time.monotonic() + pace * self.random.random()
        while due < until:
            await asyncio.sleep(max(0.0, due - time.monotonic()))
            if self.view["step"] in ("finished", "abandoned"):
                return
            await self.answer()
            due = max(due + pace, time.monotonic() - pace)
        self.wire.close()


class Server:
    """`blindtest panel` in a process of its own."""

    def __init__(self, folder: Path, port: int, log: Path, environment: dict[str, str]) -> None:
        self.folder, self.port, self.log = folder, port, log
        self.environment = {**os.environ, **environment}
        self.process: subprocess.Popen[bytes] | None = None
        self.token = ""

    def start(self) -> None:
        """Start it and wait for its page."""
        with self.log.open("ab") as log:
            began = log.tell()
            self.process = subprocess.Popen(
                [sys.executable, "-m", "blindtest", "panel", str(self.folder), "--port", str(self.port)],
                stdout=log, stderr=log, env=self.environment,
            )  # fmt: skip
        until = time.monotonic() + 120
        while time.monotonic() < until:
            try:
                wire = http.client.HTTPConnection("127.0.0.1", self.port, timeout=5)
                wire.request("GET", "/")
                if wire.getresponse().status == 200:
                    break
            except OSError:
                if self.process.poll() is not None:
                    raise RuntimeError(self.log.read_text()[-3000:]) from None
                time.sleep(0.05)
        said = self.log.read_bytes()[began:].decode()
        if "/#" in said:
            self.token = said.partition("/#")[2].split()[0]

    def processor_s(self) -> float:
        """Return the processor time that it has taken, s; 0 where this system does not say."""
        try:
            told = Path(f"/proc/{self.process.pid if self.process else 0}/stat").read_text()
        except OSError:
            return 0.0
        user, system = told.rpartition(") ")[2].split()[11:13]
        return (int(user) + int(system)) / os.sysconf("SC_CLK_TCK")

    def kill(self) -> None:
        """Kill it."""
        assert self.process is not None
        self.process.send_signal(signal.SIGKILL)
        self.process.wait()

    def stop(self) -> None:
        """Interrupt it, as an organiser would."""
        assert self.process is not None
        self.process.send_signal(signal.SIGINT)
        self.process.wait(60)


async def trouble(server: Server, database: Any, kills: int, stops: int, seconds: float) -> None:
    """Kill the server and stop the database, evenly spread over the time."""
    what = ["kill"] * kills + ["stop"] * stops
    random.Random(1).shuffle(what)
    for one in what:
        await asyncio.sleep(seconds / (len(what) + 1))
        if one == "kill":
            await asyncio.to_thread(server.kill)
            await asyncio.to_thread(server.start)
        else:
            await asyncio.to_thread(database.stop)
            await asyncio.sleep(0.3)
            await asyncio.to_thread(database.start)


async def load(options: argparse.Namespace, server: Server, database: Any) -> tuple[Figures, float]:
    """Bring the listeners in, let them listen, and return what they saw."""
    figures = Figures()
    listeners = [
        Listener(
            place,
            server.token,
            server.port,
            figures,
            bool(options.sounds),
            0.0 if options.burst else 0.8 * options.pace,
        )
        for place in range(options.listeners)
    ]
    begun = time.monotonic()
    doors = asyncio.Semaphore(16)

    async def come(one: Listener) -> None:
        async with doors:
            await one.enter()

    await asyncio.gather(*(come(one) for one in listeners))
    print(f"  {options.listeners} listeners in after {time.monotonic() - begun:.0f} s", flush=True)
    figures.answers.clear()
    figures.requests = 0
    before = server.processor_s()
    until = time.monotonic() + options.seconds
    running = [one.listen(options.pace, until) for one in listeners]
    began = time.monotonic()
    await asyncio.gather(trouble(server, database, options.kills, options.stops, options.seconds), *running)
    figures.processor_s = server.processor_s() - before
    return figures, time.monotonic() - began


def checked(folder: Path, figures: Figures) -> list[str]:
    """Open the record and return what is wrong with it."""
    from blindtest.steps import verify
    from blindtest.steps.place import open_store
    from blindtest.study import load_study

    wrong = []
    with open_store(load_study(folder), create=False) as store:
        rows: dict[tuple[str, int], list[str]] = {}
        for entry in store.sittings():
            for row in store.rows(entry.number):
                rows.setdefault((entry.listener, int(row["trial"])), []).append(str(row["response"]))
        for place, choice in figures.acknowledged.items():
            if place not in rows:
                wrong.append(f"lost: {place}")
            elif rows[place] != [choice]:
                wrong.append(f"changed or twice: {place} {rows[place]}, acknowledged {choice}")
        extra = rows.keys() - figures.acknowledged.keys() - figures.unsure
        wrong += [f"nobody sent: {place}" for place in extra]
        wrong += [f"a fault of the record: {fault}" for fault in store.faults()]
    # Seals, plans drawn again from their seeds, chains.
    wrong += [finding.text() for finding in verify(folder).findings if not finding.ok]
    return wrong


def main() -> int:
    """Serve, load, check, print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--listeners", type=int, default=500)
    parser.add_argument("--pace", type=float, default=10.0, help="seconds from one answer of a listener to the next")
    parser.add_argument("--seconds", type=float, default=60.0)
    parser.add_argument("--engine", choices=["sqlite", "postgres"], default="sqlite")
    parser.add_argument("--kills", type=int, default=0)
    parser.add_argument("--stops", type=int, default=0, help="of the database; PostgreSQL only")
    parser.add_argument("--sounds", type=int, default=0)
    parser.add_argument("--burst", type=int, default=0)
    options = parser.parse_args()
    resource.setrlimit(resource.RLIMIT_NOFILE, (min(8192, resource.getrlimit(resource.RLIMIT_NOFILE)[1]),) * 2)
    database, environment = None, {}
    if options.engine == "postgres":
        servers = beside("postgres_server")
        if reason := servers.missing():
            print(f"left out: {reason}")
            return 0
        database = servers.PostgresServer()
        environment["BENCH_PANEL_DATABASE"] = database.url()
        os.environ.update(environment)
    try:
        with tempfile.TemporaryDirectory() as place:
            return run(options, Path(place), database, environment)
    finally:
        if database is not None:
            database.close()


def run(options: argparse.Namespace, place: Path, database: Any, environment: dict[str, str]) -> int:
    """Run it in a folder; return the exit code."""
    folder = beside("panel_folder").write_panel(
        place / "study", practice=1, trials=PLANNED, planned=options.listeners,
        panel=f"public = true\npublic_places = {options.listeners + 10}\nmost_listeners = {options.listeners + 10}\n",
    )  # fmt: skip
    if database is not None:
        text = (folder / "study.toml").read_text()
        (folder / "study.toml").write_text(
            text.replace("[rendering]", '[storage]\nurl_from = "BENCH_PANEL_DATABASE"\n\n[rendering]', 1)
        )
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    server = Server(folder, port, place / "server.log", environment)
    server.start()
    print(
        f"{options.listeners} listeners, an answer every {options.pace:g} s each, {options.engine}"
        + (
            f", {options.kills} kills of the server, {options.stops} stops of the database"
            if options.kills or options.stops
            else ""
        ),
        flush=True,
    )
    before = os.times()
    figures, seconds = asyncio.run(load(options, server, database))
    own = os.times().user + os.times().system - before.user - before.system
    server.stop()
    spent = resource.getrusage(resource.RUSAGE_CHILDREN)
    taken = np.array(figures.answers) * 1000
    p50, p99 = (float(np.percentile(taken, share)) for share in (50, 99))
    print(
        f"  {len(figures.acknowledged)} answers acknowledged, {len(taken) / seconds:.0f} a second, "
        f"{figures.requests / seconds:.0f} requests a second; {figures.again} answers told anew, "
        f"{figures.refused} requests waited for the limits\n"
        f"  an answer: p50 {p50:.1f} ms, p99 {p99:.1f} ms, longest {taken.max():.0f} ms, mean "
        f"{statistics.fmean(taken):.1f} ms\n"
        f"  processor: {own / seconds:.2f} cores the load itself (its coming in too), "
        f"{(spent.ru_utime + spent.ru_stime) / seconds:.2f} server (with its start) and database"
        + (f", {figures.processor_s / seconds:.2f} server under the load" if not options.kills else "")
        + "; "
        f"1-minute load of the machine {os.getloadavg()[0]:.1f}"
    )
    if database is not None:
        # It ends with the thread that started it, and the last start was one of the load's.
        database.start()
    wrong = checked(folder, figures)
    print(f"  the record: {len(wrong)} faults" + "".join(f"\n    {one}" for one in wrong[:10]))
    goal = GOALS_MS.get((options.engine, options.listeners))
    missed = goal is not None and not options.kills and not options.stops and p99 > goal
    if goal is not None and not options.kills and not options.stops:
        print(f"  goal: p99 up to {goal:g} ms: {'MISSED' if missed else 'met'}")
    return int(bool(wrong) or missed)


if __name__ == "__main__":
    sys.exit(main())
