"""Replies that come late: what was done is done once, and the page says of the sound what is so.

Replies are held by the test and let go by it, so that what happens in between does not hang on how fast anything is.
"""

import time
from concurrent.futures import ThreadPoolExecutor

import pytest

from blindtest.web.operator_app import make_operator_app
from blindtest.web.serving import Server, hosts_of, open_port

pytestmark = [pytest.mark.browser, pytest.mark.slow]

NOTES = """() => { window.notes = []; const note = document.getElementById("note");
new MutationObserver(() => notes.push(note.textContent)).observe(note, { childList: true, subtree: true }); }"""


@pytest.fixture(scope="module")
def modules(toy, playwright, chromium, flags):
    """A page from which the modules can be imported one by one."""
    with toy.open_port() as opened:
        port = opened.getsockname()[1]
        end = toy.Server(toy.app(toy.service(), port=port), opened).run_in_thread()
        browser = playwright.chromium.launch(executable_path=chromium, args=flags)
        page = browser.new_page()
        page.goto(f"http://127.0.0.1:{port}/#first-link")
        page.get_by_role("heading", name="Before you listen").wait_for()
        yield page
        browser.close()
        end()


def test_two_presses_before_the_reply_are_one(listener):
    """Each step is left by two presses; the reply to the first comes after the second."""
    someone = listener(practice=1, trials=1)
    held, passing = [], []

    def hold(route):
        event = route.request.post_data_json["event"]["event"]
        if event in ("began", "level_set", "continued", "confirmed") and not passing:
            held.append((event, route))
        else:
            route.continue_()

    def let_go(event):
        until = time.monotonic() + 60
        while not held:
            assert time.monotonic() < until, f"{event} never came"
            someone.page.wait_for_timeout(20)
        assert [each for each, _ in held] == [event]
        held.pop()[1].continue_()

    someone.hears("Before you listen")
    someone.page.evaluate(NOTES)
    someone.page.route("**/event", hold)
    for begin in ("Begin", "Begin"):
        someone.press(begin)
    let_go("began")
    someone.hears("It begins very softly")
    someone.press("Start the sound")
    someone.hears("The sound comes in slowly")
    for done in ("My level is set", "My level is set"):
        someone.press(done)
    let_go("level_set")
    someone.hears("Still to be heard before you can confirm: A, B, X")
    someone.key("123j")
    someone.hears("Confirm your answer")
    someone.key("cc")
    someone.hears("Being saved")
    let_go("confirmed")
    someone.hears("Trial 1 of 2: ")
    someone.key("nn")
    let_go("continued")
    someone.hears("Still to be heard before you can confirm: A, B, X")
    passing.append(True)
    someone.key("123j")
    someone.hears("Confirm your answer")
    someone.key("c")
    # All that was sent before is answered by now, what was sent too often too.
    someone.hears("Thank you")
    assert set(someone.page.evaluate("notes")) <= {"", "Saved."}


def test_a_language_chosen_before_the_link_was_exchanged_waits_for_it(launch, serving, listener_on):
    """The link is good for once and gone from the address: a page opened anew before would stand there without it."""
    page = launch().new_page()
    held, asked = [], []
    page.on("request", lambda request: asked.append(request.url.rpartition("/")[2]))
    page.route("**/enter", lambda route: held.append(route))
    with page.expect_request("**/enter"):
        page.goto(serving(practice=0, trials=1).link)
    page.get_by_role("button", name="Deutsch").click()
    # What the press has asked for was asked before this.
    page.evaluate("fetch('/static/icon.svg').then((r) => r.text())")
    assert "language" not in asked
    held.pop().continue_()
    someone = listener_on(page, "de")
    someone.hears(someone.said("Before you listen"))
    assert asked.count("language") == 1


def test_a_link_whose_exchange_fails_is_exchanged_once_the_server_is_reached(launch, serving, listener_on):
    page = launch().new_page()
    lost = []

    def fails_once(route):
        if lost:
            route.continue_()
        else:
            lost.append(route.request.url)
            route.abort()

    page.route("**/enter", fails_once)
    page.goto(serving(practice=0, trials=1).link)
    listener_on(page).hears("Before you listen")
    assert len(lost) == 1


def test_a_step_whose_reply_was_lost_went_on_nowhere_else(listener):
    """The event arrives, its reply does not: sent again it finds the step gone, which is no other tab's doing."""
    someone = listener(practice=1, trials=1)
    lost = []

    def loses(route):
        event = route.request.post_data_json["event"]["event"]
        if event in ("began", "level_set", "continued") and event not in lost:
            lost.append(event)
            route.fetch()
            route.abort()
        else:
            route.continue_()

    someone.hears("Before you listen")
    someone.page.evaluate(NOTES)
    someone.page.route("**/event", loses)
    someone.to_the_trials()
    someone.answers(1, 2)
    someone.press("Next")
    someone.answers(2, 2)
    someone.hears("Thank you")
    assert lost == ["began", "level_set", "continued"]
    notes = {note.partition(":")[0] for note in someone.page.evaluate("notes")}
    assert notes <= {"", "Saved.", "Not saved yet", "Connected again."}


def test_an_operator_whose_word_was_lost_can_say_it_again(launch, toy, assisted):
    # Requests of the listener go in a thread of their own: in this one runs the browser's loop.
    with ThreadPoolExecutor(1) as thread, open_port() as opened:
        sat = thread.submit(assisted.Sat, toy, toy.plan()).result()
        port = opened.getsockname()[1]
        app = make_operator_app(sat.service, hosts=hosts_of(port), link_token="tok", cookie_secret="x")
        end = Server(app, opened).run_in_thread()
        page = launch().new_page()
        lost = []

        def fails_once(route):
            if lost:
                route.continue_()
            else:
                lost.append(route.request.url)
                route.abort()

        page.route("**/connected", fails_once)
        page.goto(f"http://127.0.0.1:{port}/#tok")
        page.get_by_role("heading", name="Nothing to connect now").wait_for()
        thread.submit(sat.listener.event, "began").result()
        level = thread.submit(sat.listener.view).result()["level"]
        thread.submit(sat.ask, level).result()
        page.get_by_role("button", name="Connected").click()
        page.get_by_text("press again").wait_for()
        page.get_by_role("button", name="Connected").click()
        page.get_by_role("heading", name="Connected: leave it").wait_for()
        assert len(lost) == 1
        end()


def test_an_answer_that_is_being_saved_stays_so_whatever_else_is_acknowledged(modules):
    """The sound is still fading out when the reply to the choice comes: the answer has not been sent yet."""
    seen = modules.evaluate(
        """async () => {
          const { trialPage } = await import("/static/trial.js");
          const { Keys } = await import("/static/keys.js");
          const slots = ["A", "B", "X"].map((name) => ({ name, token: name, label: "" }));
          const options = ["A", "B"].map((value) => ({ value, words: `X is ${value}` }));
          const question = {
            kind: "choose", prompt: "Which?", keys: ["choice"], options, range: null, step: 1, adjusts: "",
          };
          const view = {
            step: "trial", trial: 0, attempt: 1, number: 1, of: 2, phase: "blind", slots, next: [], question,
            heard: ["A", "B", "X"], chosen: null, sure: null, remark: null, dial: null, clip: null, level: null,
            first: null, feedback: null, loaded: false, message: "", part: 1, parts: 1,
          };
          const sent = [];
          let silence;
          const quiet = new Promise((resolve) => { silence = resolve; });
          const page = {
            keys: new Keys(), view, asked: null, hands: null, shown: null, sounds: { fetchAhead() {} },
            line: { queue: [], send: (event) => sent.push(event.event), recall() {} },
            player: {
              load: async () => {}, play: async () => {}, pause: () => quiet, select() {}, resampled: false, frames: 1,
              rate: 1,
            },
            say() {}, note() {},
          };
          const shown = trialPage(page, view);
          document.body.append(shown.node);
          const key = (key) => shown.node.dispatchEvent(new KeyboardEvent("keydown", { key }));
          const state = () => shown.node.querySelector("#state").textContent;
          await new Promise((resolve) => setTimeout(resolve));
          key("j");
          const ready = state();
          key("c");
          const saving = state();
          shown.update({ ...view, chosen: { choice: "A" } });
          const late = state();
          key("c");
          key("k");
          silence();
          await new Promise((resolve) => setTimeout(resolve));
          const { checked } = shown.node.querySelector("#option-0");
          shown.update({ ...view, chosen: { choice: "A" } });
          const refused = state();
          shown.node.remove();
          return { ready, saving, late, checked, refused, sent };
        }"""
    )
    assert seen["ready"] == "Confirm your answer, or choose again."
    assert seen["saving"] == seen["late"] == "Being saved …"
    assert seen["checked"], "what is being saved can't be changed"
    assert seen["sent"] == ["loaded", "chosen", "confirmed"]
    assert seen["refused"] == seen["ready"], "once it has been answered, and this is still the trial, it can be changed"


def test_the_desk_of_a_device_knows_that_it_sounds_when_play_overtakes_the_reply_to_pause(modules):
    seen = modules.evaluate(
        """async () => {
          const { DevicePlayer } = await import("/static/device.js");
          const plain = window.fetch;
          const orders = [], replies = [], silent = [];
          window.fetch = (path, { body }) => {
            orders.push(JSON.parse(body).type);
            return new Promise((resolve) => replies.push(() => resolve(new Response("{}"))));
          };
          const settle = () => new Promise((resolve) => setTimeout(resolve));
          const reply = async () => { await settle(); replies.shift()(); await settle(); };
          const player = new DevicePlayer({ onFault() {}, onSilent: (yes) => silent.push(yes) });
          void player.play();
          await reply();
          void player.pause();
          await settle();
          void player.play();
          await reply();
          await reply();
          void player.pause();
          await settle();
          const sounding = [...silent];
          if (replies.length > 0) await reply();
          window.fetch = plain;
          return { orders, sounding, silent };
        }"""
    )
    assert seen["orders"] == ["play", "pause", "play", "pause"], "what sounds can be stopped"
    assert True not in seen["sounding"], "it sounds, and nothing may be announced"
    assert seen["silent"][-1] is True


def test_a_sound_that_was_stopped_while_the_output_was_opened_does_not_begin(modules):
    orders = modules.evaluate(
        """async () => {
          const { Player } = await import("/static/sound.js");
          const orders = [];
          let opened;
          const player = new Player({ onFault() {}, onSilent() {} }, {});
          player.context = { state: "suspended", resume: () => new Promise((resolve) => { opened = resolve; }) };
          player.node = { port: { postMessage: (order) => orders.push(order.type) } };
          const playing = player.play();
          await player.pause();
          opened();
          await playing;
          return orders;
        }"""
    )
    assert orders == ["pause"]
