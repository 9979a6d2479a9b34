"""A toy sitting for tests: synthetic sounds, a drawn plan, a record on disk, a server.

As a program: `python toy_sitting.py FOLDER PORT` serves the sitting of the plan that FOLDER/options.json describes,
prints its link and goes on until it is ended. Started again on the same folder it goes on where it stopped.
"""

import asyncio
import json
import os
import sys
import time
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np

from blindtest.design import Block, Controls, Plan, Protocol, Sealed, make_plan, seal
from blindtest.methods import default_numbers
from blindtest.session import event_from_dict, restored, rows_of, start
from blindtest.session.store import Store
from blindtest.web import Facts, Server, SittingService, StoreRecord, hosts_of, link, make_app, open_port

CONDITIONS = ("heron", "plover")
RATES = {"reeds": 48_000, "water": 44_100}
SECONDS = 1.0
STUDY = seal({"format": 1, "kind": "study seal", "title": "toy"}, bytes(32))
BIRDS = (*CONDITIONS, "curlew", "bittern", "dunlin", "egret", "godwit", "knot", "rail", "ruff", "snipe", "stint")
"""Conditions of ratings: a trial has at most 12 (ITU-R BS.1534-3, 5.3)."""
LABELS = {bird: f"{bird.title()} {2 + at}" for at, bird in enumerate(BIRDS)}
LABELS |= {"reeds": "Wind in reeds", "water": "Still water"}
BRIGHTNESS = {
    "attribute": "brightness",
    "low_end": "dull",
    "high_end": "bright",
    "definition": "How strong the treble is beside the middle.",
}
PARTS = {
    "preference": ({"method": "preference"}, 2),
    "ties": ({"method": "preference", "numbers": {"ties": 1}}, 2),
    "stages": ({"method": "stage-pair"}, 4),
    "rating": ({"method": "rating"}, 4),
    "single": ({"method": "rating-single"}, 3),
    "recognition": ({"method": "recognition"}, 4),
    "labelled": ({"method": "rating", "phase": "labelled"}, 4),
    "unreliable": ({"method": "rating-single", "phase": "unreliable"}, 3),
    "named-pairs": ({"method": "preference", "phase": "labelled"}, 2),
    "worn": ({"method": "rating", "phase": "worn"}, 4),
    "abx": ({"method": "abx"}, 2),
    "multi-stimulus": ({"method": "multi-stimulus"}, 4),
    "attribute": ({"method": "rating", "numbers": BRIGHTNESS}, 3),
    "abx-sure": ({"method": "abx", "confidence": True, "comments": True}, 2),
    "free": ({"method": "free-listening", "numbers": {"choice_after_s": 2}}, 2),
    "free-of-three": ({"method": "free-listening"}, 3),
    "adjust": ({"method": "adjustment", "numbers": {"sets": "equal"}}, 12),
    "adjust-one": ({"method": "adjustment", "numbers": {"sets": "preferred"}}, 10),
    "small-impairment": ({"method": "small-impairment"}, 3),
    "controlled": ({"method": "abx", "controls": Controls(every=2, audible="curlew", inaudible=True)}, 2),
    "familiarisation": ({"method": "familiarisation", "phase": "practice"}, 4),
    "triangle": ({"method": "triangle"}, 2),
    "duo-trio": ({"method": "duo-trio"}, 2),
    "tetrad": ({"method": "tetrad"}, 2),
    "same-different": ({"method": "same-different"}, 2),
    "2afc": ({"method": "2afc", "numbers": {"attribute": "bass"}}, 2),
    "3afc": ({"method": "3afc", "numbers": {"attribute": "bass"}}, 2),
    "staircase": ({"method": "staircase", "numbers": default_numbers("staircase")}, 5),
    "staircase-weighted": ({"method": "staircase-weighted", "numbers": default_numbers("staircase-weighted")}, 5),
    "threshold-bayes": ({"method": "threshold-bayes", "numbers": default_numbers("threshold-bayes")}, 5),
}
"""Parts of a sitting by name: what makes their block, and how many conditions they compare."""


def samples(clip: str, condition: str, *, seconds: float = SECONDS) -> np.ndarray:
    """Return (n, 2) int32, 24-bit: two tones at -20 dBFS, another pair for each condition."""
    n = int(seconds * RATES[clip])
    time_s = np.arange(n) / RATES[clip]
    low, high = 400, 1200 + 300 * BIRDS.index(condition)
    wave = 0.07 * np.sin(2 * np.pi * low * time_s) + 0.03 * np.sin(2 * np.pi * high * time_s)
    return np.round(np.stack([wave, 0.5 * wave], axis=1) * 2**23).astype(np.int32)


def plan(
    *, practice: int = 2, trials: int = 4, break_after: int | None = 2, nonce: bytes = bytes(range(32)), clips=None
) -> Plan:
    """Return a plan: practice trials with feedback, then blind ones with a break."""
    blocks = (
        Block(id="practice", phase="practice", method="abx", trials=practice, feedback=True),
        Block(id="test", phase="blind", method="abx", trials=trials, break_after=break_after, margin=0.5),
    )
    protocol = Protocol(name="toy", title="Toy", source="made for a test", decides=("heard",), blocks=blocks)
    return make_plan(
        study_seal=STUDY.commitment,
        sitting=1,
        protocol=protocol,
        conditions=CONDITIONS,
        clips=tuple(clips or RATES),
        nonce=nonce,
        deadline="2999-01-01T00:00:00+00:00",
    )


def plan_of(
    parts: dict[str, int],
    *,
    practice: dict[str, int] | None = None,
    many: int | None = None,
    break_after: int | None = None,
    nonce: bytes = bytes(range(32)),
) -> Plan:
    """Return a plan of `parts` in order, by name with their numbers of trials; see PARTS.

    practice : parts that come before, never counted
    many : how many conditions ratings compare, if not as in PARTS
    """
    blocks, compared = [], {}
    for phase, wanted in (("practice", practice or {}), ("blind", parts)):
        for name, trials in wanted.items():
            block, count = PARTS[name]
            numbers = {"phase": phase, "trials": trials, "break_after": break_after, **block}
            identity = f"{phase}-{name}"
            blocks.append(Block(id=identity, feedback=phase == "practice", **numbers))
            compared[identity] = BIRDS[: many if many and block["method"] in ("rating", "multi-stimulus") else count]
    protocol = Protocol(name="toy", title="Toy", source="made for a test", decides=("rated",), blocks=tuple(blocks))
    return make_plan(
        study_seal=STUDY.commitment,
        sitting=1,
        protocol=protocol,
        conditions=BIRDS[: max(len(each) for each in compared.values())],
        clips=tuple(RATES),
        nonce=nonce,
        deadline="2999-01-01T00:00:00+00:00",
        compared=compared,
        labels=LABELS,
    )


@dataclass
class Clock:
    """A clock that goes on by one second whenever it is read."""

    now: datetime = datetime(2026, 3, 2, 10, 0, tzinfo=UTC)

    def __call__(self) -> datetime:
        self.now += timedelta(seconds=1)
        return self.now


@dataclass
class Memory:
    """A record that lasts as long as the test."""

    rows: list = field(default_factory=list)
    events: list = field(default_factory=list)
    state: str = "open"
    languages: list = field(default_factory=list)

    def answered(self, answer) -> None:
        self.rows.extend(row for row in rows_of(answer) if row not in self.rows)

    def happened(self, event) -> None:
        self.events.append(event)

    def ended(self, sitting, at) -> None:
        self.state = sitting.step

    def spoken(self, language) -> None:
        self.languages.append(language)


@dataclass
class SlowRecord:
    """The record in a database, acknowledging late: time to be killed between the commit and its acknowledgement."""

    record: StoreRecord
    pause_s: float

    def answered(self, answer) -> None:
        self.record.answered(answer)
        time.sleep(self.pause_s)

    def happened(self, event) -> None:
        self.record.happened(event)

    def ended(self, sitting, at) -> None:
        self.record.ended(sitting, at)

    def spoken(self, language) -> None:
        self.record.spoken(language)


def opened_store(folder: Path, made: Plan) -> Store:
    """Return the database of `folder`, with the sitting of `made` registered."""
    store = Store(folder / "study.db", entropy=os.urandom)
    if not store.sittings():
        store.add_seal(STUDY, kind="study", created=datetime.now(UTC))
        store.add_sitting(
            Sealed(record=made.record, nonce=made.nonce, commitment=made.commitment),
            study_seal=STUDY.commitment,
            listener="L01",
            created=datetime.now(UTC),
            deadline=datetime.fromisoformat(made.record["deadline"]),
        )
    return store


@dataclass(frozen=True)
class Answered:
    """A response, and what was asked."""

    asked: str
    status: int
    headers: tuple[tuple[bytes, bytes], ...]
    body: bytes

    def header(self, name: str) -> str | None:
        """Return a header by name, or None."""
        return next((value.decode() for key, value in self.headers if key.decode() == name), None)

    @property
    def json(self):
        """The body as JSON."""
        return json.loads(self.body)


@dataclass
class Visitor:
    """A browser without a page: speaks ASGI to the application, keeps its cookie, and notes all that it was sent."""

    app: object
    port: int = 8000
    cookie: str = ""
    sent: list[Answered] = field(default_factory=list)

    def ask(self, method: str, path: str, body: bytes = b"", headers: dict | None = None, chunks: int = 1) -> Answered:
        """Return the response to a request; `headers` with the value None are left out."""
        given = {
            "host": f"127.0.0.1:{self.port}",
            "cookie": self.cookie or None,
            "origin": f"http://127.0.0.1:{self.port}" if method == "POST" else None,
            "content-type": "application/json" if method == "POST" else None,
            "content-length": str(len(body)) if body else None,
            **(headers or {}),
        }
        return asyncio.run(self._ask(method, path, body, {k: v for k, v in given.items() if v is not None}, chunks))

    async def _ask(self, method: str, path: str, body: bytes, headers: dict[str, str], chunks: int) -> Answered:
        scope = {
            "type": "http",
            "asgi": {"version": "3.0"},
            "http_version": "1.1",
            "method": method,
            "scheme": "http",
            "path": path,
            "raw_path": path.encode(),
            "query_string": b"",
            "headers": [(key.encode(), value.encode()) for key, value in headers.items()],
            "client": ("127.0.0.1", 50_000),
            "server": ("127.0.0.1", self.port),
        }
        size = -(-len(body) // chunks)
        parts = [body[i * size : (i + 1) * size] for i in range(chunks)]
        messages = [
            {"type": "http.request", "body": part, "more_body": at + 1 < chunks} for at, part in enumerate(parts)
        ]
        status, got, received = 0, (), b""

        async def receive():
            return messages.pop(0) if messages else {"type": "http.disconnect"}

        async def send(message):
            nonlocal status, got, received
            if message["type"] == "http.response.start":
                status, got = message["status"], tuple((bytes(k), bytes(v)) for k, v in message["headers"])
            else:
                received += message.get("body", b"")

        await self.app(scope, receive, send)
        answered = Answered(asked=f"{method} {path}", status=status, headers=got, body=received)
        if cookie := answered.header("set-cookie"):
            self.cookie = cookie.partition(";")[0]
        self.sent.append(answered)
        return answered

    def get(self, path: str, **headers) -> Answered:
        """GET with further headers."""
        return self.ask("GET", path, headers=headers)

    def enter(self, token: str = "first-link") -> Answered:
        """Exchange the link's token for the cookie."""
        return self.ask("POST", "/enter", json.dumps({"token": token}).encode())

    def event(self, event: str, *, sitting: str | None = None, **values) -> Answered:
        """Send an event of the present sitting."""
        name = sitting or self.get("/facts").json["sitting"]
        return self.ask("POST", "/event", json.dumps({"sitting": name, "event": {"event": event, **values}}).encode())

    def view(self):
        """Return the present view."""
        return self.get("/view").json["view"]

    def listen(self, view) -> None:
        """Do in the trial of `view` what a page does up to its answer: fetch all, load, select each slot."""
        of = {"trial": view["trial"], "attempt": view["attempt"]}
        for slot in view["slots"]:
            self.get(f"/sound/{slot['token']}")
        self.event("loaded", **of)
        for slot in view["slots"]:
            self.event("selected", slot=slot["name"], **of)
        for token in view["next"]:
            self.get(f"/sound/{token}")

    def answer(self, view, choice: str = "A") -> Answered:
        """Choose and confirm; where ratings are asked for, rate every slot."""
        question = view["question"]
        rated = {key: 10 * (at + 1) for at, key in enumerate(question["keys"])}
        values = rated if question["kind"] == "rate" else {"choice": choice}
        of = {"trial": view["trial"], "attempt": view["attempt"], "values": values}
        self.event("chosen", **of)
        return self.event("confirmed", **of)


def service(made: Plan | None = None, record=None, player=None, **facts) -> SittingService:
    """Return a service of a new sitting."""
    sitting = start(made or plan(), study="toy", listener="L01")
    return SittingService(
        sitting, record=record or Memory(), samples=samples, rate=RATES.__getitem__, facts=Facts(**facts), player=player
    )


def app(served: SittingService, *, port: int = 8000, link_token: str = "first-link", clock=None, language: str = ""):
    """Return the ASGI application, as it would be served on `port`; `language`: the study's own."""
    return make_app(
        served, clock=clock or Clock(), hosts=hosts_of(port), link_token=link_token, cookie_secret="remembered",
        language=language,
    )  # fmt: skip


def _main() -> None:
    folder, port = Path(sys.argv[1]), int(sys.argv[2])
    options = json.loads((folder / "options.json").read_text())
    pause_s = options.pop("pause_before_ack_s", 0.0)
    seconds = options.pop("seconds", SECONDS)
    language = options.pop("language", "")
    made = plan_of(**options) if "parts" in options else plan(**options)
    with opened_store(folder, made) as store:
        events = [event_from_dict(held) for held in store.events(1)]
        sitting = restored(made, store.rows(1), study="toy", listener="L01", events=events)
        if sitting.step == "finished":
            # As the program does: killed after the last answer, before the sitting was closed.
            store.set_state(1, "finished", at=datetime.now(UTC))
        record = SlowRecord(StoreRecord(store=store, number=1), pause_s)
        served = SittingService(
            sitting, record=record, samples=lambda *of: samples(*of, seconds=seconds), rate=RATES.__getitem__
        )
        with open_port(port) as opened:
            serving = opened.getsockname()[1]
            token = os.urandom(24).hex()
            page = app(served, port=serving, link_token=token, clock=lambda: datetime.now(UTC), language=language)
            print(link(serving, token), flush=True)
            Server(page, opened).run(until=served.over, patience_s=20.0 if sitting.over else None)


if __name__ == "__main__":
    _main()
