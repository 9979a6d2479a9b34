"""Not one byte that leaves before an answer may tell the truth of its trial, the samples of the sound apart.

Two sittings run side by side: the same plan, and the same plan with another possible truth in every trial
(`design.exchanged`: tokens, dither, clips and orders stay). The same visitor does the same in both, by the same clock.
All requests, statuses, headers and bodies are then compared; of a WAV the header and the length, since its samples are
what the listener is asked about. Once by ASGI, where every byte is ours; once through a real browser, with the
server's own headers (claims.md 8: "the exchange test covers all bytes but the sample data").
"""

import importlib.util
import json
import shutil
import socket
import tempfile

import pytest

from blindtest.design import exchanged

WAV_HEADER = 44
"""Bytes of a plain PCM WAV before its samples (RIFF, fmt of 16 bytes, data)."""


def _run(toy, made, record, language="en"):
    """Return all that was sent, in order, with a mark where each answer was acknowledged."""
    visitor = toy.Visitor(toy.app(toy.service(made, record), language=language))
    visitor.get("/")
    visitor.enter()
    visitor.event("began")
    if (level := visitor.view()["level"]) is not None:
        visitor.get(f"/sound/{level}")
        visitor.event("level_set", gain_db=-20)
    while (view := visitor.view())["step"] != "finished":
        if view["step"] == "trial":
            visitor.listen(view)
            for at, slot in enumerate(view["slots"]):
                visitor.event("selected", slot=view["slots"][-at]["name"], trial=view["trial"], attempt=view["attempt"])
                visitor.get(f"/sound/{slot['token']}")
            for values in _changes_of_mind(view["question"]):
                visitor.event("chosen", trial=view["trial"], attempt=view["attempt"], values=values)
            visitor.event("unchosen", trial=view["trial"], attempt=view["attempt"])
            options = view["question"]["options"]
            visitor.answer(view, options[0]["value"] if options else "")
        else:
            visitor.get("/sound/unknown")
            visitor.event("continued", trial=view["trial"])
    visitor.view()
    return visitor.sent


def _changes_of_mind(question):
    """Return values chosen before the answer: another option, or ratings one by one, some of them twice."""
    if question["kind"] == "choose":
        return [{"choice": question["options"][-1]["value"]}]
    return [{key: 7 * at + turn} for turn in (0, 3) for at, key in enumerate(question["keys"])]


def _shown(sent, *, feedback: bool):
    """Return a response as compared: sound without samples; feedback of practice, told after its answer, struck out."""
    body = sent.body
    if sent.header("content-type") == "audio/wav":
        body = (body[:WAV_HEADER], len(body))
    elif not feedback and sent.header("content-type") == "application/json" and b'"feedback":{' in body:
        held = json.loads(body)
        held["view"]["feedback"] = "struck out"
        body = held
    headers = sent.headers
    if isinstance(body, dict):
        headers = tuple((key, value) for key, value in headers if key != b"content-length")
    return sent.asked, sent.status, headers, body


@pytest.fixture(scope="module")
def plans(toy):
    made = toy.plan(practice=2, trials=8, break_after=3, nonce=bytes(range(7, 39)))
    other = exchanged(made)
    for number in range(made.length):
        assert made.trial(number).drawn != other.trial(number).drawn, "the exchange changes every trial"
        assert made.trial(number).clip == other.trial(number).clip
    rights = {(made.trial(n).drawn.right["choice"], other.trial(n).drawn.right["choice"]) for n in range(made.length)}
    assert ("A", "B") in rights or ("B", "A") in rights
    return made, other


def test_exchanging_the_truth_changes_nothing_but_samples(toy, plans):
    records = toy.Memory(), toy.Memory()
    one, other = (_run(toy, made, record) for made, record in zip(plans, records, strict=True))
    assert len(one) == len(other) > 100
    for first, second in zip(one, other, strict=True):
        assert _shown(first, feedback=False) == _shown(second, feedback=False), first.asked
    # The comparison is not empty: the truth differed, and so did the samples and the rows that stay on the server.
    sounds = [(a.body, b.body) for a, b in zip(one, other, strict=True) if a.header("content-type") == "audio/wav"]
    assert any(a[WAV_HEADER:] != b[WAV_HEADER:] for a, b in sounds)
    assert [row["order"] for row in records[0].rows] != [row["order"] for row in records[1].rows]
    assert [row["correct"] for row in records[0].rows] != [row["correct"] for row in records[1].rows]


def test_exchanging_the_truth_changes_nothing_in_another_language(toy, plans):
    records = toy.Memory(), toy.Memory()
    one, other = (_run(toy, made, record, "de") for made, record in zip(plans, records, strict=True))
    for first, second in zip(one, other, strict=True):
        assert _shown(first, feedback=False) == _shown(second, feedback=False), first.asked
    assert b'lang="de"' in one[0].body
    assert any("Blinde Durchg\u00e4nge" in reply.json["view"]["phase"] for reply in one if reply.asked == "GET /view")
    # And a language changes no row.
    english = toy.Memory()
    _run(toy, plans[0], english)
    assert records[0].rows == english.rows


def test_only_feedback_of_practice_differs_and_only_after_its_answer(toy, plans):
    one, other = (_run(toy, made, toy.Memory()) for made in plans)
    differing = [
        (at, first)
        for at, (first, second) in enumerate(zip(one, other, strict=True))
        if _shown(first, feedback=True) != _shown(second, feedback=True)
    ]
    for at, sent in differing:
        view = sent.json["view"]
        assert view["step"] == "feedback"
        assert view["phase"].startswith("Practice")
        asked = [json.loads(earlier.body) for earlier in one[: at + 1] if earlier.asked == "POST /event"]
        assert view["saved"] == view["trial"] + 1
        assert any(reply["view"]["saved"] == view["saved"] for reply in asked), "the answer was acknowledged before"


def test_the_exchange_test_would_see_a_leak(toy, plans):
    """A service that lets one bit of truth into its view is found: the check can fail."""

    class Leaking(toy.SittingService):
        def view(self):
            shown = dict(super().view())
            trial = self._sitting.planned(self._sitting.trial) if self._sitting.step == "trial" else None
            return {
                **shown,
                "message": shown["message"] + (" " if trial and trial.drawn.right == {"choice": "A"} else ""),
            }

    def views(made):
        from blindtest.session import start

        sitting = start(made, study="toy", listener="L01")
        served = Leaking(sitting, record=toy.Memory(), samples=toy.samples, rate=toy.RATES.__getitem__)
        visitor = toy.Visitor(toy.app(served))
        visitor.enter()
        visitor.event("began")
        visitor.event("level_set", gain_db=-20)
        visitor.view()
        return [_shown(sent, feedback=False) for sent in visitor.sent]

    made, other = plans
    differ = [made.trial(n).drawn.right != other.trial(n).drawn.right for n in range(made.length)]
    assert differ[0], "the nonce is chosen so that the first trial's right answer is exchanged"
    assert views(made) != views(other)


def test_no_two_slots_are_equal_and_none_tells_by_its_form(toy, plans):
    """X holds the same stimulus as A or B and is yet no copy: 1 of 4 samples moves by one step, half up, half down."""
    made, _ = plans
    visitor = toy.Visitor(toy.app(toy.service(made)))
    visitor.enter()
    visitor.event("began")
    visitor.event("level_set", gain_db=-20)
    view = visitor.view()
    sounds = {slot["name"]: visitor.get(f"/sound/{slot['token']}").body for slot in view["slots"]}
    assert len(set(sounds.values())) == 3
    assert len({len(sound) for sound in sounds.values()}) == 1
    assert len({sound[:WAV_HEADER] for sound in sounds.values()}) == 1
    assert sounds["A"][:4] == b"RIFF"
    assert sounds["A"][36:40] == b"data"


def test_nothing_names_conditions_clips_commitment_or_nonce(toy, plans):
    made, _ = plans
    sent = _run(toy, made, toy.Memory())
    texts = [r.asked.encode() + b"".join(k + v for k, v in r.headers) for r in sent]
    texts += [r.body for r in sent if r.header("content-type") == "application/json"]
    for text in texts:
        for secret in (*toy.CONDITIONS, *toy.RATES, made.commitment, made.nonce.hex()):
            assert secret.encode() not in text


# --- every method --------------------------------------------------------------------------------------------------

BLIND_PARTS = {"preference": 2, "ties": 2, "rating": 2, "single": 3, "recognition": 3, "abx": 2}


@pytest.fixture(scope="module")
def parted(toy):
    """A plan of all methods in blind phases, with practice before, and the same with the truth exchanged."""
    made = toy.plan_of(BLIND_PARTS, practice={"rating": 1, "ties": 1}, break_after=2)
    other = exchanged(made)
    for number in range(made.length):
        assert made.trial(number).drawn != other.trial(number).drawn, "the exchange changes every trial"
    return made, other


def test_exchanging_the_truth_changes_nothing_in_any_method(toy, parted):
    records = toy.Memory(), toy.Memory()
    one, other = (_run(toy, made, record) for made, record in zip(parted, records, strict=True))
    assert len(one) == len(other) > 300
    for first, second in zip(one, other, strict=True):
        assert _shown(first, feedback=True) == _shown(second, feedback=True), first.asked
    assert {row["method"] for row in records[0].rows} == {
        "preference", "rating", "rating-single", "recognition", "abx",
    }  # fmt: skip
    differ = [a["order"] != b["order"] for a, b in zip(records[0].rows, records[1].rows, strict=True)]
    assert all(differ), "what stayed on the server differs in every trial"


def test_in_blind_phases_names_stand_in_the_question_that_names_all_and_nowhere_else(toy, parted):
    sent = _run(toy, parted[0], toy.Memory())
    names = [toy.LABELS[bird] for bird in toy.BIRDS]
    views = [r.json["view"] for r in sent if b'"view":{' in r.body]
    asked = [view for view in views if view["question"] and view["question"]["prompt"] == "Which one is this?"]
    assert asked
    assert len({json.dumps(view["question"]) for view in asked}) == 1, "the same names in the same order in every trial"
    for view in views:
        if view in asked:
            view = {**view, "question": None}
        assert not [name for name in (*names, *toy.BIRDS, *toy.RATES) if name in json.dumps(view)]


def test_named_parts_tell_nothing_of_blind_ones(toy):
    """Labelled, then blind: names apart nothing differs in the first, nothing at all in the second."""
    made = toy.plan_of({"labelled": 2, "rating": 2, "recognition": 1})
    one, other = (_run(toy, each, toy.Memory()) for each in (made, exchanged(made)))
    named = 0
    for first, second in zip(one, other, strict=True):
        if b'"phase":"Named' in first.body and first.body != second.body:
            named += 1
            views = [reply.json for reply in (first, second)]
            for view in views:
                for slot in view["view"]["slots"]:
                    assert slot.pop("label") in toy.LABELS.values()
            assert views[0] == views[1]
        else:
            assert _shown(first, feedback=False) == _shown(second, feedback=False), first.asked
    assert named > 10


def test_names_that_may_be_wrong_tell_nothing(toy):
    """The page reads a name beside every sound; with the truth exchanged every byte is the same, the sounds apart."""
    made = toy.plan_of({"unreliable": 12, "recognition": 1}, break_after=5)
    records = toy.Memory(), toy.Memory()
    one, other = (_run(toy, each, r) for each, r in zip((made, exchanged(made)), records, strict=True))
    named = 0
    for first, second in zip(one, other, strict=True):
        assert _shown(first, feedback=False) == _shown(second, feedback=False), first.asked
        named += b'"label":"Heron 2"' in first.body
    assert named > 4
    for mine, its in zip(*(record.rows[:12] for record in records), strict=True):
        assert mine["label"] == its["label"]
        assert mine["condition"] != its["condition"]
    assert sum(row["label"] == row["condition"] for row in records[0].rows[:12]) == 6


def test_a_name_that_slips_into_a_blind_rating_is_seen(toy):
    """The check can fail: a service that puts the name of what sounds under one slot of a blind rating."""

    class Leaking(toy.SittingService):
        def view(self):
            shown = dict(super().view())
            if shown["slots"]:
                drawn = self._sitting.planned(self._sitting.trial).drawn
                first = {**shown["slots"][0], "label": self._sitting.plan.label(drawn.slots[0].condition)}
                shown["slots"] = [first, *shown["slots"][1:]]
            return shown

    def views(made):
        from blindtest.session import start

        sitting = start(made, study="toy", listener="L01")
        served = Leaking(sitting, record=toy.Memory(), samples=toy.samples, rate=toy.RATES.__getitem__)
        visitor = toy.Visitor(toy.app(served))
        visitor.enter()
        visitor.event("began")
        visitor.event("level_set", gain_db=-20)
        visitor.view()
        return [_shown(sent, feedback=False) for sent in visitor.sent]

    made = toy.plan_of({"single": 1})
    assert views(made) != views(exchanged(made))


# --- through a real browser ----------------------------------------------------------------------------------------


class Recorder:
    """Stands before the application and notes what a real browser asks and gets."""

    def __init__(self, app):
        self.app = app
        self.sent = []

    async def __call__(self, scope, receive, send):
        asked = [f"{scope['method']} {scope['path']}?{scope['query_string'].decode()}"]
        got = []

        async def noting_receive():
            message = await receive()
            asked.append(message.get("body", b"").decode())
            return message

        async def noting_send(message):
            got.append(message)
            await send(message)

        await self.app(scope, noting_receive, noting_send)
        start, *rest = got
        body = b"".join(message.get("body", b"") for message in rest)
        headers = tuple((bytes(key), bytes(value)) for key, value in start["headers"])
        self.sent.append(("".join(asked[:2]), start["status"], headers, body))

    def count(self, event="", trial=None):
        """How many events were answered so far, of one kind and trial or of all."""
        start = "POST /event?"
        told = [json.loads(asked.removeprefix(start))["event"] for asked, *_ in self.sent if asked.startswith(start)]
        return sum(not event or (each["event"], each.get("trial")) == (event, trial) for each in told)

    def last_view(self):
        """The view that was told last."""
        return next(json.loads(body)["view"] for *_, body in reversed(self.sent) if b'"view":{' in body)


FLAGS = [
    "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
    "--disable-background-networking", "--disable-component-update", "--disable-sync",
]  # fmt: skip


CHOICES = {"abx": "k", "preference": "j", "recognition": "k"}


def _keys_for(planned):
    """Return the keys that answer a trial: each slot selected, then chosen, or rated while it sounds."""
    slots = [str(place) for place in range(1, len(planned.drawn.slots) + 1)]
    if planned.method in CHOICES:
        return [*slots, CHOICES[planned.method]]
    return [key for slot in slots for key in (slot, "h" if slot == "1" else "f")]


MEMORY = """async () => {
  const kept = [];
  for (const { name, version } of await indexedDB.databases()) {
    const database = await new Promise((resolve) => {
      const asked = indexedDB.open(name, version);
      asked.onsuccess = () => resolve(asked.result);
    });
    for (const store of database.objectStoreNames) {
      const rows = await new Promise((resolve) => {
        const asked = database.transaction(store).objectStore(store).getAll();
        asked.onsuccess = () => resolve(asked.result);
      });
      kept.push([name, store, rows]);
    }
    database.close();
  }
  const sized = (e) => (e.name.includes("/sound/") ? [e.name, e.encodedBodySize, e.decodedBodySize] : [e.name]);
  const fetched = performance.getEntriesByType("resource").map(sized).filter(([name]) => !name.endsWith("/icon.svg"));
  return JSON.stringify({
    kept, local: { ...localStorage }, session: { ...sessionStorage }, globals: Object.keys(window),
    page: document.documentElement.outerHTML, title: document.title, address: location.href, cookies: document.cookie,
    fetched: fetched.sort(),
  });
}"""
"""All that a script of the page could find in it beside the samples: what is kept, shown, named, and was fetched.

Sizes of what is not sound are compared with its bytes; feedback of practice, told after its answer, changes them. When
the picture of its tab is fetched is up to the browser.
"""


FETCHED = """([sounds, events]) => {
  const names = performance.getEntriesByType("resource").map((entry) => new URL(entry.name).pathname);
  return sounds.every((sound) => names.includes(sound)) && names.filter((name) => name === "/event").length === events;
}"""
"""Whether the page has these sounds, and the answers to so many events."""


def _sit(toy, playwright, made, port):
    """Sit in a browser by keyboard; return what it asked and got, and tree and memory before each answer."""
    served = toy.service(made, toy.Memory())
    recorder = Recorder(toy.app(served, port=port))
    trees, memories = [], []

    def settled(page, number):
        """Wait until all that was chosen is acknowledged and every sound of this trial and the next has come.

        How far the page is at a given moment is a matter of the machine's load, and no more of what is compared.
        """
        planned = made.trial(number)
        choices = len(_keys_for(planned)) - len(planned.drawn.slots)
        for _ in range(3000):
            if recorder.count("chosen", number) == choices:
                break
            page.wait_for_timeout(20)
        view = recorder.last_view()
        sounds = [f"/sound/{token}" for token in [*(slot["token"] for slot in view["slots"]), *view["next"]]]
        page.wait_for_function(FETCHED, arg=[sounds, recorder.count()])
        page.locator("#note:empty").wait_for(state="attached")

    def tree(page, number):
        settled(page, number)
        trees.append(page.locator("#page").aria_snapshot())
        memories.append(page.evaluate(MEMORY))

    with toy.open_port(port) as opened, tempfile.TemporaryDirectory() as folder:
        assert opened.getsockname()[1] == port
        end = toy.Server(recorder, opened).run_in_thread()
        try:
            with playwright.sync_playwright() as run:
                browser = run.chromium.launch_persistent_context(
                    folder, executable_path=shutil.which("chromium"), args=FLAGS
                )
                page = browser.new_page()
                page.set_default_timeout(60_000)
                page.goto(f"http://127.0.0.1:{port}/#first-link")
                page.get_by_role("button", name="Begin").click()
                page.get_by_role("button", name="Start the sound").click()
                page.get_by_role("button", name="My level is set").click()
                for number in range(made.length):
                    page.get_by_role("heading", name=f"Trial {number + 1} of {made.length}", exact=True).wait_for()
                    page.get_by_text("Still to be heard before you can confirm: ").first.wait_for()
                    trees.append(page.locator("#page").aria_snapshot())
                    for key in _keys_for(made.trial(number)):
                        page.keyboard.press(key)
                    page.get_by_text("Confirm your answer").wait_for()
                    tree(page, number)
                    page.keyboard.press("c")
                    page.locator("#note", has_text="Saved.").wait_for()
                    # Said at the next silence, which comes before or after the answer is acknowledged.
                    page.locator("#said", has_text="Saved.").wait_for(state="attached")
                    if made.trial(number).feedback:
                        page.get_by_role("button", name="Next").click()
                    if number + 1 < made.length and made.trial(number + 1).break_before:
                        page.get_by_role("button", name="Go on", exact=True).click()
                page.get_by_role("heading", name="Thank you").wait_for()
                browser.close()
        finally:
            end()
    return recorder.sent, trees, memories


def _compared(sent):
    """Return by request, in order, what is compared; requests of several connections may overtake each other."""
    found = {}
    for asked, status, headers, body in sent:
        if dict(headers).get(b"content-type") == b"audio/wav":
            body = (body[:WAV_HEADER], len(body))
        elif b'"feedback":{' in body:
            body = {**json.loads(body), "view": "feedback, told after its answer"}
            headers = tuple((key, value) for key, value in headers if key != b"content-length")
        found.setdefault(asked, []).append((status, headers, body))
    return found


@pytest.mark.browser
@pytest.mark.parametrize("methods", ["abx", "others"])
def test_through_a_browser_too(toy, require, methods, held_port):
    require("browser", shutil.which("chromium") is not None, "there is no chromium on the path")
    require("browser", importlib.util.find_spec("playwright") is not None, "playwright is not installed")
    from playwright import sync_api

    if methods == "abx":
        made = toy.plan(practice=1, trials=4, break_after=2, nonce=bytes(range(7, 39)))
    else:
        made = toy.plan_of({"preference": 1, "ties": 1, "rating": 2, "single": 1, "recognition": 1})
    port = held_port()  # the same for both: it stands in what is sent
    one, other = (_sit(toy, sync_api, each, port) for each in (made, exchanged(made)))
    assert one[1] == other[1], "names and states in the accessibility tree"
    assert len(one[1]) == 2 * made.length
    assert one[2] == other[2], "what a script would find in the page"
    assert len(one[2]) == made.length
    assert all(f"/sound/{made.token(n, 1, 'A')}" in memory for n, memory in enumerate(one[2]) if methods == "abx")
    first, second = _compared(one[0]), _compared(other[0])
    assert first.keys() == second.keys()
    assert len(first) > 40
    for asked, replies in first.items():
        assert replies == second[asked], asked


def test_the_server_adds_nothing_to_what_the_application_sends(toy):
    """On the wire: no Date, no Server, the headers of all slots equal byte for byte."""
    with toy.open_port() as opened:
        port = opened.getsockname()[1]
        served = toy.service()
        end = toy.Server(toy.app(served, port=port), opened).run_in_thread()
        try:
            entered = _wire(port, b"POST /enter", b'{"token": "first-link"}')
            cookie = next(line[12:] for line in entered.split(b"\r\n") if line.startswith(b"set-cookie: "))
            tokens = served.view()["next"]
            heads = {
                _wire(port, b"GET /sound/" + token.encode(), b"", cookie.partition(b";")[0]).split(b"\r\n\r\n")[0]
                for token in tokens
            }
        finally:
            end()
    assert len(tokens) == 3
    assert len(heads) == 1
    names = {line.partition(b":")[0].lower() for line in heads.pop().split(b"\r\n")[1:]}
    assert not names & {b"date", b"server", b"etag", b"last-modified", b"accept-ranges", b"transfer-encoding"}


def _wire(port, asked, body=b"", cookie=b""):
    head = asked + b" HTTP/1.1\r\nHost: 127.0.0.1:%d\r\nOrigin: http://127.0.0.1:%d\r\n" % (port, port)
    head += b"Content-Type: application/json\r\nContent-Length: %d\r\nConnection: close\r\n" % len(body)
    if cookie:
        head += b"Cookie: " + cookie + b"\r\n"
    with socket.create_connection(("127.0.0.1", port), timeout=10) as wire:
        wire.sendall(head + b"\r\n" + body)
        received = b""
        while part := wire.recv(65_536):
            received += part
    assert received.startswith(b"HTTP/1.1 200"), received[:200]
    return received
