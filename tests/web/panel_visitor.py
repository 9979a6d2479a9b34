"""Somebody who takes part in a panel through its pages: speaks ASGI, keeps the cookie, notes all that was sent."""

import asyncio
import json

LOOP = asyncio.Runner()
"""One loop for all: each new one would have to start its threads anew."""


def visitor_of(toy, app, *, port=8000):
    """Return a `PanelVisitor` on `app`; `toy`: the module of `Visitor`."""

    class PanelVisitor(toy.Visitor):
        resume = ""
        name = ""

        def __repr__(self):
            # A loop names what it runs, and all that was sent makes a long name.
            return "a visitor"

        def ask(self, method, path, body=b"", headers=None, chunks=1):
            given = {
                "host": f"127.0.0.1:{self.port}",
                "cookie": self.cookie or None,
                "origin": f"http://127.0.0.1:{self.port}" if method == "POST" else None,
                "content-type": "application/json" if method == "POST" else None,
                "content-length": str(len(body)) if body else None,
                **(headers or {}),
            }
            kept = {key: value for key, value in given.items() if value is not None}
            return LOOP.run(self._ask(method, path, body, kept, chunks))

        def event(self, event, *, sitting=None, **values):
            """Send an event; the sitting's name is asked for once, as a page does."""
            self.name = self.name or self.get("/facts").json["sitting"]
            return self.post("/event", {"sitting": sitting or self.name, "event": {"event": event, **values}})

        def post(self, path, body, **headers):
            return self.ask("POST", path, json.dumps(body).encode(), headers=headers)

        def open(self, token=""):
            return self.post("/panel/open", {"token": token}).json

        def agree(self, token, state):
            told = self.post("/panel/consent", {"token": token, "consent_sha256": state["consent_sha256"]}).json
            self.resume = told.get("resume") or self.resume
            return told

        def state(self):
            return self.get("/panel/state").json

        def step(self, step, **values):
            if step == "questions":
                # As a page does: by the place of what was chosen.
                asked = {one["id"]: one["options"] for one in self.state().get("questions", [])}
                values = {
                    name: asked[name].index(said) if said in asked.get(name, ()) else said
                    for name, said in values.items()
                }
            return self.post("/panel/step", {"step": step, "values": values})

        def to_the_sitting(self, token, **said):
            """Open the link, agree, answer what is asked, and begin."""
            self.goes_on(self.agree(token, self.open(token)), **said)

        def goes_on(self, state, **said):
            """Answer what is asked before the sitting, and begin or go on."""
            answers = {"questions": {"age": "30 to 44 years", "equipment": "headphones"} | said,
                       "output": {"rate_hz": 48_000, "latency_s": 0.02}}  # fmt: skip
            while (step := state["step"]) in answers:
                state = self.step(step, **answers[step]).json
            assert state["step"] == "sitting", state
            assert self.post("/panel/begin", {}).json == {"begun": True}

        def to_the_trials(self):
            self.event("began")
            level = self.view()["level"]
            assert self.get(f"/sound/{level}").status == 200
            self.event("level_set", gain_db=-20, output_rate_hz=48_000, output_latency_s=0.02)

        def one_trial(self, choice="A"):
            """Answer the trial in hand, or go on after feedback or a break; return the view."""
            view = self.view()
            if view["step"] == "trial":
                self.listen(view)
                return self.answer(view, choice).json["view"]
            return self.event("continued", trial=view["trial"]).json["view"]

        def to_the_end(self, choice="A"):
            while (view := self.view())["step"] not in ("finished", "abandoned"):
                self.one_trial(choice)
            return view

    return PanelVisitor(app, port=port)
