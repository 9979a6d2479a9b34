"""Two devices of one listener through a whole sitting, each request sent twice at once, copies arriving late and mixed.

A network may repeat and delay whatever a page sends, and a listener may have two pages open. Nothing of that may answer
a trial twice, change an answer that was acknowledged, draw another plan, or make one listener two.
"""

import asyncio
import importlib.util
import json
import shutil
from datetime import UTC, datetime, timedelta
from pathlib import Path
from random import Random

import pytest

from blindtest import steps
from blindtest.session.store import Store
from blindtest.web import PanelServices, hosts_of, make_panel_app

spec = importlib.util.spec_from_file_location("panel_visitor", Path(__file__).with_name("panel_visitor.py"))
panel_visitor = importlib.util.module_from_spec(spec)
spec.loader.exec_module(panel_visitor)

TRIALS = 6


class Network:
    """Sends every request twice at once, with copies of earlier ones among them, in any order."""

    def __init__(self, toy, app, chance):
        self.toy, self.app, self.chance = toy, app, chance
        self.late = []
        self.statuses = {}
        self.copies = 0

    def send(self, device, method, path, body=b""):
        """Return the answers to both, in the order in which they were taken up."""
        copy = (method, path, body, device.cookie)
        stale = [self.late.pop(self.chance.randrange(len(self.late))) for _ in range(3) if self.late]
        every = [*[(None, one) for one in stale], (device, copy), (device, copy)]
        self.chance.shuffle(every)
        self.copies += len(stale) + 1
        if "/sound/" not in path and self.chance.random() < 0.5:
            self.late.append(copy)

        async def one(own, sent):
            method, path, body, cookie = sent
            asks = self.toy.Visitor(self.app, cookie=cookie)
            given = {"host": "127.0.0.1:8000", "cookie": cookie or None}
            if method == "POST":
                given |= {"origin": "http://127.0.0.1:8000", "content-type": "application/json",
                          "content-length": str(len(body))}  # fmt: skip
            answer = await asks._ask(method, path, body, {key: value for key, value in given.items() if value}, 1)
            if own is not None and asks.cookie != cookie:
                own.cookie = asks.cookie
            self.statuses[answer.status] = self.statuses.get(answer.status, 0) + 1
            assert answer.status in (200, 401, 404, 409, 422), (path, answer.status, answer.body)
            return own, answer

        async def all_of_them():
            return await asyncio.gather(*(one(*each) for each in every))

        return [answer for own, answer in panel_visitor.LOOP.run(all_of_them()) if own is not None]


class Device:
    """One of a listener's browsers, in hands that go on wherever the page says they are."""

    def __init__(self, network, choices):
        self.network, self.choices, self.cookie, self.sitting = network, choices, "", ""
        self.link = ""

    def post(self, path, body):
        return self.network.send(self, "POST", path, json.dumps(body).encode())

    def get(self, path):
        return self.network.send(self, "GET", path)

    def event(self, event, **values):
        return self.post("/event", {"sitting": self.sitting, "event": {"event": event, **values}})

    def agree(self, token, sha256):
        """Both copies come without a cookie, as where an answer was lost."""
        told = self.post("/panel/consent", {"token": token, "consent_sha256": sha256, "browser": "b" * 27})
        links = {answer.json["resume"] for answer in told if answer.json.get("resume")}
        assert len(links) == 1
        self.link = links.pop()

    def to_the_sitting(self):
        """Open the link, do what is due, begin or go on; False where there is nothing more to do."""
        self.post("/panel/open", {"token": self.link})
        for _ in range(40):
            answers = [one for one in self.get("/panel/state") if one.status == 200]
            if not answers:
                self.post("/panel/open", {"token": self.link})
                continue
            state = answers[0].json
            if state["step"] == "thanks":
                return False
            if state["step"] == "questions":
                self.post("/panel/step", {"step": "questions", "values": {"age": 1, "equipment": 0}})
            elif state["step"] == "output":
                self.post("/panel/step", {"step": "output", "values": {"rate_hz": 48_000, "latency_s": None}})
            elif state["step"] == "screening":
                sound = state["sound"]
                where = {key: sound[key] for key in ("test", "attempt", "trial")}
                said = {**where, "choice": sound["options"][0], "interruptions": 0}
                self.post("/panel/step", {"step": "screening", "values": said})
            else:
                assert state["step"] == "sitting", state
                if any(one.status == 200 and one.json["begun"] for one in self.post("/panel/begin", {})):
                    facts = [one.json for one in self.get("/facts") if one.status == 200]
                    if facts:
                        self.sitting = facts[0]["sitting"]
                        return True
        raise AssertionError("the sitting was never reached")

    def view(self):
        """Return what is seen, or None where another device has taken over."""
        seen = [one for one in self.get("/view") if one.status == 200]
        return seen[0].json["view"] if seen else None

    def moves(self, view):
        """Do the next thing, and return (trial, choice) of an answer that was acknowledged, else None."""
        if view["step"] == "ready":
            self.event("began")
        elif view["step"] == "level":
            self.get(f"/sound/{view['level']}")
            self.event("level_set", gain_db=-20, output_rate_hz=48_000, output_latency_s=None)
        elif view["step"] in ("feedback", "break"):
            self.event("continued", trial=view["trial"])
        else:
            assert view["step"] == "trial", view
            of = {"trial": view["trial"], "attempt": view["attempt"]}
            for slot in view["slots"]:
                self.get(f"/sound/{slot['token']}")
            self.event("loaded", **of)
            for slot in view["slots"]:
                self.event("selected", slot=slot["name"], **of)
            values = {"choice": self.choices[view["trial"]]}
            self.event("chosen", values=values, **of)
            if any(one.status == 200 for one in self.event("confirmed", values=values, **of)):
                return view["trial"], values["choice"]
        return None


@pytest.mark.parametrize("seed", [1, *(pytest.param(seed, marks=pytest.mark.long) for seed in range(2, 21))])
def test_no_repetition_and_no_second_device_changes_what_is_on_record(seed, toy, panel_template, tmp_path):
    chance = Random(seed)
    folder = Path(shutil.copytree(panel_template, tmp_path / "study"))
    path = folder / "study.toml"
    text = path.read_text(encoding="utf-8")
    path.write_text(text.replace("public = true\n", 'public = true\nheadphones = "antiphase"\n'), encoding="utf-8")
    seconds = iter(range(10**6))
    begun = datetime(2030, 5, 1, 9, tzinfo=UTC)
    with steps.open_panel(folder, clock=lambda: begun + timedelta(seconds=next(seconds))) as panel:
        network = Network(toy, make_panel_app(panel, hosts=hosts_of(8000), services=PanelServices(panel)), chance)
        choices = [["AB"[chance.randrange(2)] for _ in range(TRIALS)] for _ in range(2)]
        devices = [Device(network, each) for each in choices]
        token = panel.public_token()
        (shown, _) = devices[0].post("/panel/open", {"token": token})
        devices[0].agree(token, shown.json["consent_sha256"])
        devices[1].link = devices[0].link
        saved, now, sealed, moved = {}, devices[0], None, 0
        going = now.to_the_sitting()
        while going:
            # Once for certain, and more often as it comes.
            if chance.random() < 0.06 or (len(saved) == 2 and not moved):
                left, now = now, devices[1 - devices.index(now)]
                going = now.to_the_sitting()
                assert left.view() is None, "another device has taken over"
                moved += 1
                continue
            view = now.view()
            if view is None or view["step"] in ("finished", "abandoned"):
                going = now.to_the_sitting()
                continue
            if sealed is None:
                with Store(folder / "study.db", entropy=bytes, create=False) as store:
                    sealed = store.sittings()[0].commitment
            if (told := now.moves(view)) is not None:
                assert saved.setdefault(*told) == told[1], "acknowledged twice, as another answer"
        assert panel.counts().listeners == 1
        assert panel.counts().finished == 1
    assert moved
    assert {200, 401} <= network.statuses.keys(), network.statuses
    assert network.copies > 75, "one of each request, and what came late"
    with Store(folder / "study.db", entropy=bytes, create=False) as store:
        assert store.faults() == ()
        (entry,) = store.sittings()
        assert (entry.commitment, entry.state) == (sealed, "finished")
        rows = store.rows(1)
        assert [row["trial"] for row in rows] == list(range(TRIALS))
        for row in rows:
            assert row["response"] in {each[row["trial"]] for each in choices}
            assert saved.get(row["trial"], row["response"]) == row["response"], "the answer that was acknowledged"
        (one,) = store.panel.replies()
        assert one.kept["questions"] == {"age": "18 to 29 years", "equipment": "headphones"}
    assert len(saved) >= TRIALS - 1
    assert steps.verify(folder).ok
