"""A listener and an operator before the pages of one assisted sitting, by a clock that stands until it is moved."""

import json
from datetime import UTC, datetime, timedelta

from blindtest.session import start
from blindtest.web.assisted_service import AssistedService
from blindtest.web.operator_app import make_operator_app
from blindtest.web.operator_desk import OperatorDesk
from blindtest.web.serving import hosts_of

BEGIN = datetime(2026, 3, 2, 20, 0, tzinfo=UTC)
PLACES = {"heron": "input 1", "plover": "input 2", "curlew": "input 3", "bittern": "input 4"}
SWITCH_S = 10.0
POLL_S = 1.0


class Wall:
    """A clock on the wall: it stands until somebody moves it."""

    def __init__(self):
        self.time = BEGIN

    def __call__(self):
        return self.time

    def wait(self, seconds):
        self.time += timedelta(seconds=seconds)


class Sat:
    """A listener and an operator before the pages of one assisted sitting."""

    def __init__(self, toy, made, took_s=lambda place: 3.0):
        self.wall, self.record, self.took_s = Wall(), toy.Memory(), took_s
        self.desk = OperatorDesk(PLACES, switch_s=SWITCH_S, clock=self.wall)
        self.service = AssistedService(
            start(made, study="toy", listener="L01"), hands=self.desk, record=self.record, samples=toy.samples,
            rate=toy.RATES.__getitem__,
        )  # fmt: skip
        self.listener = toy.Visitor(toy.app(self.service, clock=self.wall))
        self.operator = toy.Visitor(
            make_operator_app(self.service, hosts=hosts_of(8001), link_token="operator", cookie_secret="other"),
            port=8001,
        )
        self.listener.enter()
        self.operator.enter("operator")
        self.made = []

    def ask(self, token):
        return self.listener.ask("POST", "/connection", json.dumps({"token": token}).encode())

    def task(self):
        return self.operator.get("/task").json

    def say(self, path, number):
        return self.operator.ask("POST", path, json.dumps({"number": number}).encode())

    def hear(self, token):
        """Ask for a sound, have it connected, and wait until it may sound; return how long that took."""
        begun = self.wall.time
        assert self.ask(token).json == {"ready": False}
        task = self.task()
        assert task["state"] == "connect"
        left = self.took_s(task["connect"])
        self.made.append(task["connect"])
        while not self.ask(token).json["ready"]:
            assert (self.wall.time - begun).total_seconds() < 100
            self.wall.wait(POLL_S)
            left -= POLL_S
            if -POLL_S < left <= 0:
                assert self.say("/connected", task["number"]).status == 200
        return (self.wall.time - begun).total_seconds()

    def trial(self, view, answer="A"):
        of = {"trial": view["trial"], "attempt": view["attempt"]}
        self.listener.event("loaded", **of)
        waits = []
        for slot in view["slots"]:
            waits.append(self.hear(slot["token"]))
            assert self.listener.event("selected", slot=slot["name"], **of).status == 200
        question = view["question"]
        options = [option["value"] for option in question["options"]]
        if options:
            self.listener.answer(view, answer if answer in options else options[0])
        else:
            # Where one of the ratings has to be the highest, the first is.
            top = question["range"][1] if question["one_at"] is None else question["one_at"]
            values = {key: top - at * question["step"] for at, key in enumerate(question["keys"])}
            self.listener.event("chosen", values=values, **of)
            self.listener.event("confirmed", values=values, **of)
        return waits

    def to_first_trial(self):
        self.listener.event("began")
        self.hear(self.listener.view()["level"])
        self.listener.event("level_set", gain_db=-20)
        return self.listener.view()
