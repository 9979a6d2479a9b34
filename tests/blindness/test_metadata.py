"""A program that sees all but the samples guesses X no better than a coin.

It sits through sittings in front of the application itself, with stimuli read from files as `blindtest listen` reads
them, and keeps of every trial what a network tap would have: status, headers, lengths, tokens (bit by bit), the order
of requests, the time to each first byte, the time in which the answer before was acknowledged. From one half of the
trials it learns, by three learners; then it says of each trial of the other half which of A and B X is. X is drawn
independently in each (design.draws), so right guesses are binomial, whatever was learnt.

The limits hold in 999 of 1,000 runs of a product that leaks nothing (shared among the learners), and times differ from
run to run: what goes beyond them has to do so twice again with fresh trials, which chance does in one of 10**9 runs. A
leak does.
"""

import asyncio
import hashlib
import json
import time

import numpy as np
import pytest
from scipy.stats import binom

from blindtest.audio import wav_bytes
from blindtest.render import Stimulus
from blindtest.session import start
from blindtest.steps import PreparedSitting

TRIALS_A_SITTING = 125
FRAMES = 240


class Tap:
    """Speaks ASGI in one loop, fast enough for many trials, and keeps what can be seen from outside."""

    def __init__(self, app):
        self.app, self.cookie = app, b""

    async def ask(self, method, path, body=b""):
        headers = [(b"host", b"127.0.0.1:8000"), (b"cookie", self.cookie)]
        if method == "POST":
            headers += [(b"origin", b"http://127.0.0.1:8000"), (b"content-type", b"application/json")]
        scope = {
            "type": "http", "asgi": {"version": "3.0"}, "http_version": "1.1", "method": method, "scheme": "http",
            "path": path, "raw_path": path.encode(), "query_string": b"", "headers": headers,
            "client": ("127.0.0.1", 50_000), "server": ("127.0.0.1", 8000),
        }  # fmt: skip
        messages = [{"type": "http.request", "body": body, "more_body": False}]
        got, begun = [], time.perf_counter()

        async def receive():
            return messages.pop(0) if messages else {"type": "http.disconnect"}

        async def send(message):
            got.append((time.perf_counter() - begun, message))

        await self.app(scope, receive, send)
        (first_byte_s, head), *rest = got
        for key, value in head["headers"]:
            if key == b"set-cookie":
                self.cookie = value.partition(b";")[0]
        return first_byte_s, head, b"".join(message.get("body", b"") for _, message in rest)

    async def event(self, name, **values):
        body = json.dumps({"sitting": self.sitting, "event": {"event": name, **values}}).encode()
        seconds, head, body = await self.ask("POST", "/event", body)
        assert head["status"] == 200, body
        return seconds, head, body

    async def sit(self, guesses):
        """Sit through a plan of ABX; return what was seen of each trial before its answer."""
        await self.ask("POST", "/enter", b'{"token": "first-link"}')
        self.sitting = json.loads((await self.ask("GET", "/facts"))[2])["sitting"]
        await self.event("began")
        came = await self.event("level_set", gain_db=-20)
        rows = []
        for guess in guesses:
            view = json.loads(came[2])["view"]
            of = {"trial": view["trial"], "attempt": view["attempt"]}
            seen = [came]
            for slot in view["slots"]:
                seen.append(await self.ask("GET", f"/sound/{slot['token']}"))
            rows.append(features(view, seen))
            await self.event("loaded", **of)
            for slot in view["slots"]:
                await self.event("selected", slot=slot["name"], **of)
            await self.event("chosen", values={"choice": guess}, **of)
            came = await self.event("confirmed", values={"choice": guess}, **of)
        return rows


def features(view, seen):
    """Return numbers of all that came before the answer, the samples apart."""
    found = []
    for seconds, head, body in seen:
        found += [np.log(seconds), head["status"], len(body), len(head["headers"])]
        found += [sum(len(key) + len(value) for key, value in head["headers"])]
    found += [*seen[-1][2][:44]]
    times = [seconds for seconds, _, _ in seen[1:]]
    found += [float(earlier < later) for k, later in enumerate(times) for earlier in times[:k]]
    tokens = [slot["token"] for slot in view["slots"]]
    found += [float(one < other) for k, other in enumerate(tokens) for one in tokens[:k]]
    for token in (*tokens, *view["next"][:3], *[""] * (3 - len(view["next"][:3]))):
        text = token.encode()[:16].ljust(16, b"\0")
        found += list(np.unpackbits(np.frombuffer(text, np.uint8)))
    return np.array(found, float)


def stimuli(folder):
    """Write toy stimuli as a rendering leaves them; return them by clip and condition."""
    made = {}
    rng = np.random.default_rng(4)
    for clip in ("reeds", "water"):
        for condition in ("heron", "plover"):
            data = wav_bytes(rng.integers(-(2**20), 2**20, (FRAMES, 2)).astype(np.int32), 48_000)
            digest = hashlib.sha256(data).hexdigest()
            path = folder / f"{digest[:32]}.wav"
            path.write_bytes(data)
            made[clip, condition] = Stimulus(
                clip=clip, condition=condition, path=path, sha256=digest, frames=FRAMES, rate=48_000, channels=2,
                loudness=-23.0, true_peak=-3.0, gain_db=0.0,
            )  # fmt: skip
    return made


def collected(toy, folder, trials, seed, service=None):
    """Return (features, X is A) of so many trials, over sittings of their own plans."""
    held, rows, truth = stimuli(folder), [], []
    rng = np.random.default_rng(seed)
    for number in range(trials // TRIALS_A_SITTING):
        nonce = hashlib.sha256(f"{seed}/{number}".encode()).digest()
        made = toy.plan(practice=0, trials=TRIALS_A_SITTING, break_after=None, nonce=nonce)
        prepared = PreparedSitting(
            study=None, store=None, entry=None, sitting=start(made, study="toy", listener="L"), study_seal=None,
            stimuli=held, resumed=False, clock=None, entropy=None,
        )  # fmt: skip
        served = (service or toy.SittingService)(
            prepared.sitting, record=toy.Memory(), samples=prepared.samples, rate=prepared.rate
        )
        guesses = rng.choice(["A", "B"], TRIALS_A_SITTING)
        rows += asyncio.run(Tap(toy.app(served)).sit([str(guess) for guess in guesses]))
        truth += [made.trial(n).drawn.right["choice"] == "A" for n in range(TRIALS_A_SITTING)]
    return np.array(rows), np.array(truth)


# --- the learners -----------------------------------------------------------------------------------------------------


def logistic(seen, truth, asked, ridge=30.0):
    """Logistic regression with a ridge, by Newton's steps."""
    design = np.column_stack([np.ones(len(seen)), seen])
    weights = np.zeros(design.shape[1])
    penalty = np.full(design.shape[1], ridge)
    penalty[0] = 0
    for _ in range(15):
        p = 1 / (1 + np.exp(-np.clip(design @ weights, -30, 30)))
        curvature = (design * (p * (1 - p))[:, None]).T @ design + np.diag(penalty + 1e-9)
        step = np.linalg.solve(curvature, design.T @ (truth - p) - penalty * weights)
        weights += step
        if np.abs(step).max() < 1e-8:
            break
    return np.column_stack([np.ones(len(asked)), asked]) @ weights > 0


def neighbours(seen, truth, asked, k=15):
    """The majority among the trials that look most alike."""
    squares, nearest = (seen**2).sum(1), []
    for block in np.array_split(asked, -(-len(asked) // 500)):
        nearest.append(np.argpartition(squares - 2 * block @ seen.T, k, axis=1)[:, :k])
    return truth[np.concatenate(nearest)].mean(1) > 0.5


def one_cut(seen, truth, asked):
    """The single number that parts best, cut at its best place among its tenths."""
    best = (0.0, 0, 0.0, True)
    for column in range(seen.shape[1]):
        values = seen[:, column]
        for cut in np.unique(np.quantile(values, np.arange(0.1, 1, 0.1))):
            share = np.mean((values > cut) == truth)
            for right, above in ((share, True), (1 - share, False)):
                if right > best[0]:
                    best = (right, column, cut, above)
    _, column, cut, above = best
    return (asked[:, column] > cut) == above


LEARNERS = {"logistic regression": logistic, "nearest neighbours": neighbours, "one cut": one_cut}


def guessed(rows, truth):
    """Learn from the first half, guess the second; return right guesses by learner, and how many were asked for."""
    half = len(truth) // 2
    mean, spread = rows[:half].mean(0), rows[:half].std(0)
    kept = spread > 0
    # What never changed while learning can't be scaled; what changes only later is a feature of its own.
    scaled = (rows[:, kept] - mean[kept]) / spread[kept]
    scaled = np.clip(np.column_stack([scaled, rows[:, ~kept] != mean[~kept]]), -8, 8)
    right = {
        name: int(np.sum(learner(scaled[:half], truth[:half], scaled[half:]) == truth[half:]))
        for name, learner in LEARNERS.items()
    }
    return right, len(truth) - half


def limits(asked):
    """99.9 % limits of right guesses by a coin, shared among the learners."""
    tail = 0.0005 / len(LEARNERS)
    return int(binom.ppf(tail, asked, 0.5)), int(binom.isf(tail, asked, 0.5))


def beyond(rows, truth):
    """Return what went beyond the limits, by learner."""
    right, asked = guessed(rows, truth)
    low, high = limits(asked)
    print(f"{asked} trials guessed after {len(truth) - asked} learnt: {right}, limits {low} ... {high}")
    return {name: count for name, count in right.items() if not low <= count <= high}


def test_the_limits_are_those_of_the_binomial():
    """Normal approximation by hand: 5000 +- 3.588 * 50 at a tail of 0.0005 / 3 (z from scipy's norm.isf)."""
    low, high = limits(10_000)
    assert (low, high) == pytest.approx((5000 - 179.4, 5000 + 179.4), abs=1.5)


@pytest.fixture(scope="module")
def thousand(toy, tmp_path_factory):
    """What was seen of 1,000 trials, and the truth."""
    return collected(toy, tmp_path_factory.mktemp("stimuli"), 1000, seed=1)


def fresh(toy, folder, trials, seeds):
    """Return for each seed what collects so many trials of its own."""
    return [lambda seed=seed: collected(toy, folder, trials, seed=seed) for seed in seeds]


def goes_beyond(collections):
    """Say whether each collection goes beyond the limits; none is collected after one that does not."""
    return all(beyond(*collect()) for collect in collections)


def test_metadata_guess_x_like_a_coin(toy, tmp_path, thousand):
    assert not goes_beyond([lambda: thousand, *fresh(toy, tmp_path, 1000, seeds=(2, 5))])


@pytest.mark.long
def test_metadata_guess_x_like_a_coin_in_ten_thousand_trials(toy, tmp_path):
    assert not goes_beyond(fresh(toy, tmp_path, 20_000, seeds=(3, 4, 6)))


def test_a_planted_leak_is_found(toy, tmp_path):
    """A server that is 4 ms late, in three trials of four, where X is A: found by its time alone."""

    class Late(toy.SittingService):
        def sound(self, token):
            plan, trial = self._sitting.plan, self._sitting.trial
            drawn = plan.trial(trial).drawn
            if token == plan.token(trial, 1, "X") and drawn.right["choice"] == "A" and trial % 4:
                until = time.perf_counter() + 0.004
                while time.perf_counter() < until:
                    pass
            return super().sound(token)

    # On a machine that is busy enough others are late too: then it is found in one of three.
    assert any(beyond(*collected(toy, tmp_path, 250, seed=seed, service=Late)) for seed in (1, 2, 3))


def test_a_leak_in_one_bit_of_a_token_is_found(thousand):
    """The learners are not blind to what is written: a bit of X's token that tells the truth in four trials of five."""
    rows, truth = thousand
    leaking = rows.copy()
    bit = rows.shape[1] - 6 * 128 + 2 * 128 + 7
    leaking[:, bit] = np.where(np.arange(len(truth)) % 5 > 0, truth, ~truth)
    assert "one cut" in beyond(leaking, truth)
