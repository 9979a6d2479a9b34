"""What leaves the page as sound: sample by sample, rendered by Chromium's own Web Audio.

Sources: ITU-R BS.1534-3, 5.3 (no cross-fade at a switch); W3C Web Audio API (a render quantum is 128 frames). The
expected samples are computed here by numpy from the same WAV, by a formula of our own: a fade over n frames has the
gain 1/2 - 1/2 cos(pi (k + 1/2) / n) at its frame k.
"""

import base64
import struct

import numpy as np
import pytest

from blindtest.session import served_wav

pytestmark = pytest.mark.browser

RATE = 48_000
FADE = 240
QUANTUM = 128

RENDER = """
async ({ wavs, rate, seconds, orders }) => {
  const { readWav } = await import("/static/sound.js");
  const decode = (text) => Uint8Array.from(atob(text), (c) => c.charCodeAt(0)).buffer;
  const read = Object.fromEntries(Object.entries(wavs).map(([name, text]) => [name, readWav(decode(text))]));
  const context = new OfflineAudioContext(2, seconds * rate, rate);
  await context.audioWorklet.addModule("/static/switcher.js");
  const node = new AudioWorkletNode(context, "switcher", { numberOfInputs: 0, outputChannelCount: [2] });
  node.connect(context.destination);
  const sounds = Object.fromEntries(Object.entries(read).map(([name, wav]) => [name, wav.channels]));
  node.port.postMessage({ type: "load", sounds, slot: Object.keys(sounds)[0] });
  // Orders are taken one after the other: what comes after them was answered once they were.
  const settle = () => new Promise((resolve) => {
    node.port.onmessage = ({ data }) => { if (data.position !== undefined) resolve(); };
    node.port.postMessage({ type: "where" });
  });
  await settle();
  for (const [frame, order] of orders) {
    if (frame === 0) { node.port.postMessage(order); await settle(); continue; }
    context.suspend(frame / rate).then(async () => { node.port.postMessage(order); await settle(); context.resume(); });
  }
  const buffer = await context.startRendering();
  return [0, 1].map((c) => {
    const bytes = new Uint8Array(buffer.getChannelData(c).buffer);
    let text = "";
    for (let i = 0; i < bytes.length; i += 32768) text += String.fromCharCode(...bytes.subarray(i, i + 32768));
    return btoa(text);
  });
}
"""


@pytest.fixture(scope="module")
def noise():
    rng = np.random.default_rng(3)
    return {name: rng.integers(-(2**22), 2**22, (RATE, 2), dtype=np.int32) for name in "ABX"}


@pytest.fixture(scope="module")
def page(toy, playwright, chromium, flags):
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


def _rendered(page, noise, orders, seconds=1):
    wavs = {n: base64.b64encode(served_wav(s, bytes([4]) * s.size, RATE)).decode() for n, s in noise.items()}
    given = {"wavs": wavs, "rate": RATE, "seconds": seconds, "orders": orders}
    return np.stack([np.frombuffer(base64.b64decode(c), "<f4") for c in page.evaluate(RENDER, given)], axis=1)


def _gain(frames=FADE):
    return 0.5 - 0.5 * np.cos(np.pi * (np.arange(frames) + 0.5) / frames)


FULL = [[0, {"type": "gain", "gain": 1}], [0, {"type": "play", "slowFrames": 0}]]


def _expected(noise, switches, frames, *, loop=None):
    """Return what should sound: `switches` are (frame, slot); the first fade comes in at frame 0 from 'A'."""
    start, end = loop or (0, RATE)
    out = np.zeros((frames, 2))
    slot, position, state, step, asked = "A", start, "in", 0, list(switches)
    wanted = None
    for i in range(frames):
        if asked and asked[0][0] <= i:
            wanted = asked.pop(0)[1]
        if state == "on" and (wanted is not None or position >= end - FADE):
            state, step = "out", 0
        gain = 1.0 if state == "on" else _GAINS[step if state == "in" else FADE - 1 - step]
        out[i] = gain * (noise[slot][position] / 2**23)
        position += 1
        if state != "on":
            step += 1
            if step == FADE:
                if state == "in":
                    state = "on"
                else:
                    slot, wanted = wanted or slot, None
                    position = start if end - position < 2 * FADE else position
                    state, step = "in", 0
    return out


_GAINS = _gain()


def test_samples_outside_fades_leave_as_they_are(page, noise):
    heard = _rendered(page, noise, FULL)
    as_stored = noise["A"] / 2**23
    assert np.array_equal(heard[FADE : RATE - FADE], as_stored[FADE : RATE - FADE].astype(np.float32))
    assert np.allclose(heard[:FADE], as_stored[:FADE] * _gain()[:, None], atol=1e-7)
    assert np.allclose(heard[-FADE:], as_stored[-FADE:] * _gain()[::-1, None], atol=1e-7)


@pytest.mark.parametrize("slot", ["B", "X", "A"])
def test_a_switch_is_5_ms_out_then_5_ms_in_at_the_same_position(page, noise, slot):
    """Also from a slot to itself, so that a switch that changes nothing sounds like one that does."""
    at = 100 * QUANTUM
    heard = _rendered(page, noise, [*FULL, [at, {"type": "select", "slot": slot}]])
    before, after = noise["A"] / 2**23, noise[slot] / 2**23
    assert np.array_equal(heard[FADE:at], before[FADE:at].astype(np.float32))
    assert np.allclose(heard[at : at + FADE], before[at : at + FADE] * _gain()[::-1, None], atol=1e-7)
    assert np.allclose(heard[at + FADE : at + 2 * FADE], after[at + FADE : at + 2 * FADE] * _gain()[:, None], atol=1e-7)
    assert np.array_equal(heard[at + 2 * FADE : -FADE], after[at + 2 * FADE : -FADE].astype(np.float32))


def test_many_switches_and_a_loop_follow_the_rule(page, noise):
    """Switches within fades, near the seam and twice in a block; expected by an implementation of its own."""
    rng = np.random.default_rng(5)
    frames = sorted({int(f) * QUANTUM for f in rng.integers(3, 3 * RATE // QUANTUM - 20, 60)})
    switches = [(frame, "ABX"[int(rng.integers(3))]) for frame in frames]
    orders = [*FULL, *([frame, {"type": "select", "slot": slot}] for frame, slot in switches)]
    heard = _rendered(page, noise, orders, seconds=3)
    assert np.allclose(heard, _expected(noise, switches, 3 * RATE), atol=1e-7)


def test_a_part_is_looped_with_the_same_fades(page, noise):
    start, end = 9_600, 19_200
    orders = [[0, {"type": "loop", "start": start, "end": end}], *FULL]
    heard = _rendered(page, noise, orders)
    assert np.allclose(heard, _expected(noise, [], RATE, loop=(start, end)), atol=1e-7)


def test_pausing_and_going_on_keep_the_position(page, noise):
    at, on = 50 * QUANTUM, 100 * QUANTUM
    orders = [*FULL, [at, {"type": "pause"}], [on, {"type": "play", "slowFrames": 0}]]
    heard = _rendered(page, noise, orders)
    assert not heard[at + FADE : on].any()
    stored = noise["A"] / 2**23
    position = at + FADE
    assert np.allclose(heard[on : on + FADE], stored[position : position + FADE] * _gain()[:, None], atol=1e-7)
    length = RATE - on - FADE - 1000
    later = stored[position + FADE : position + FADE + length]
    assert np.array_equal(heard[on + FADE : on + FADE + length], later.astype(np.float32))


def test_the_first_play_comes_in_slowly(page, noise):
    slow = RATE // 2
    heard = _rendered(page, noise, [FULL[0], [0, {"type": "play", "slowFrames": slow}]])
    stored = noise["A"] / 2**23
    assert np.allclose(heard[FADE:slow], stored[FADE:slow] * _gain(slow)[FADE:, None], atol=1e-7)
    assert np.array_equal(heard[slow : RATE - FADE], stored[slow : RATE - FADE].astype(np.float32))


def test_a_level_below_0_db_is_the_same_factor_for_all(page, noise):
    at = 100 * QUANTUM
    orders = [[0, {"type": "gain", "gain": 0.1}], FULL[1], [at, {"type": "select", "slot": "B"}]]
    heard = _rendered(page, noise, orders)
    for slot, part in (("A", slice(FADE, at)), ("B", slice(at + 2 * FADE, RATE - FADE))):
        assert np.allclose(heard[part], 0.1 * noise[slot][part] / 2**23, atol=1e-8)


def test_24_bit_samples_are_read_exactly(page):
    """The page's reader against Python's own unpacking (struct), extremes included."""
    values = np.array([[-(2**23), 2**23 - 1], [0, -1], [1, 65_536], [-256, 8_388_000]], dtype=np.int32)
    wav = served_wav(values, bytes([4]) * values.size, 44_100)
    told = page.evaluate(
        """async (text) => { const { readWav } = await import("/static/sound.js");
        const wav = readWav(Uint8Array.from(atob(text), (c) => c.charCodeAt(0)).buffer);
        return { rate: wav.rate, channels: wav.channels.map((c) => Array.from(c)) }; }""",
        base64.b64encode(wav).decode(),
    )
    raw = wav[44:]
    unpacked = [struct.unpack("<i", b"\0" + raw[i : i + 3])[0] / 2**31 for i in range(0, len(raw), 3)]
    assert told["rate"] == 44_100
    assert told["channels"] == [unpacked[0::2], unpacked[1::2]]


TAP = b"""registerProcessor("tap", class extends AudioWorkletProcessor {
  constructor() { super(); this.kept = []; this.port.onmessage = () => this.port.postMessage(this.kept); }
  process(inputs) { const c = inputs[0][0]; if (c) this.kept.push(...c); return true; } });"""


def _with_tap(app):
    """The application, and beside it the module that listens (Playwright can't stand in for a worklet's module)."""

    async def served(scope, receive, send):
        if scope["path"] != "/tap.js":
            await app(scope, receive, send)
            return
        headers = [(b"content-type", b"text/javascript"), (b"cross-origin-resource-policy", b"same-origin")]
        await send({"type": "http.response.start", "status": 200, "headers": headers})
        await send({"type": "http.response.body", "body": TAP})

    return served


@pytest.fixture
def tapped_link(toy):
    with toy.open_port() as opened:
        port = opened.getsockname()[1]
        served = toy.service(toy.plan(practice=1, trials=1, clips=["reeds"]))
        end = toy.Server(_with_tap(toy.app(served, port=port)), opened).run_in_thread()
        yield f"http://127.0.0.1:{port}/#first-link"
        end()


def test_the_page_itself_plays_at_the_rate_of_the_file(tapped_link, launch):
    """Through the live page: a tap on the way to the loudspeaker hears the served samples."""
    page = launch().new_page()
    page.add_init_script(
        """window.contexts = [];
        const Plain = window.AudioContext;
        window.AudioContext = class extends Plain {
          constructor(options) {
            super(options);
            window.contexts.push({ asked: options?.sampleRate ?? null, rate: this.sampleRate });
          }
        };
        const connect = AudioNode.prototype.connect;
        AudioNode.prototype.connect = function (target, ...more) {
          const last = target instanceof AudioDestinationNode && this instanceof AudioWorkletNode;
          if (last) window.tapped = [this, target.context];
          return connect.call(this, target, ...more);
        };"""
    )
    page.goto(tapped_link)
    page.get_by_role("button", name="Begin").click()
    page.get_by_role("button", name="Start the sound").click()
    page.get_by_role("slider", name="Level in this page").fill("0")
    page.get_by_text("The sound comes in slowly.").wait_for()
    heard = page.evaluate(
        """async () => {
          const [node, context] = window.tapped;
          // By the clock of the sound itself: 3 s in which it comes in, then more than one pass through the clip.
          const until = async (at) => {
            while (context.currentTime < at) await new Promise((resolve) => setTimeout(resolve, 20));
          };
          await until(context.currentTime + 3.3);
          await context.audioWorklet.addModule("/tap.js");
          const tap = new AudioWorkletNode(context, "tap", { numberOfOutputs: 0 });
          node.connect(tap);
          await until(context.currentTime + 1.5);
          return new Promise((resolve) => { tap.port.onmessage = (m) => resolve(m.data); tap.port.postMessage(0); });
        }"""
    )
    contexts = page.evaluate("window.contexts")
    assert {"asked": 48_000, "rate": 48_000} in contexts
    assert sum(c["asked"] is None for c in contexts) == 1, "the browser's own rate was asked for once"
    token = page.evaluate("fetch('/view').then((r) => r.json()).then((r) => r.view.level)")
    served = page.evaluate(
        """async (token) => { const { readWav } = await import("/static/sound.js");
        return Array.from(readWav(await (await fetch(`/sound/${token}`)).arrayBuffer()).channels[0]); }""",
        token,
    )
    heard, served = np.array(heard, dtype=np.float32), np.array(served, dtype=np.float32)
    assert len(heard) > RATE
    # The clip is 1 s and loops: from its first whole pass on, sample for sample.
    at = next(i for i in range(len(heard) - 1000) if np.array_equal(heard[i : i + 1000], served[FADE : FADE + 1000]))
    length = min(len(heard) - at, len(served) - 2 * FADE)
    assert length > 10_000
    assert np.array_equal(heard[at : at + length], served[FADE : FADE + length])
