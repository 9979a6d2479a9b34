"""The page as desk of a sound device: orders, what may be known of them, the locked level, underruns.

The device is stood in for by the real player's orders with a callback that the test calls itself.
"""

import json
from types import SimpleNamespace

import numpy as np
import pytest

from blindtest.design import exchanged
from blindtest.errors import BlindtestError
from blindtest.session import DeviceFacts, DevicePlayer, start
from blindtest.web import Facts, SittingService
from blindtest.web.device_desk import SILENT_DB, DeviceDesk, PlayerOrder

LINE = SimpleNamespace(output_underflow=False)


class Stream:
    """A stream without a device: its callback runs whenever somebody waits for silence."""

    active = True

    def __init__(self, rate, callback):
        self.samplerate, self.callback, self.latency, self.closed = rate, callback, 0.05, False

    def start(self):
        pass

    stop = start

    def close(self):
        self.closed = True


@pytest.fixture
def device(monkeypatch):
    """Return a maker of players on no device; `run(frames)` is the callback."""
    from blindtest.session import device_player

    monkeypatch.setattr(
        device_player, "output_device", lambda name, channels: {"index": 0, "name": "none", "hostapi": 0}
    )
    monkeypatch.setattr(
        device_player,
        "_facts_of",
        lambda found, stream, rate, channels: DeviceFacts(
            device="none", host="test", rate=rate, channels=channels, latency_s=0.05, warnings=("it is not there",)
        ),
    )

    def make(rates=(48_000,)):
        streams = []

        def opened(index, rate, channels, callback):
            streams.append(Stream(rate, callback))
            return streams[-1]

        player = DevicePlayer(rates=rates, channels=2, opened=opened)
        player.streams = streams

        def run(frames, underflow=False):
            out = np.empty((frames, 2), dtype=np.float32)
            streams[-1].callback(out, frames, None, SimpleNamespace(output_underflow=underflow))
            return out

        player.run = run
        monkeypatch.setattr(device_player, "sleep", lambda s: run(256))
        return player

    return make


def served(toy, made, player):
    record = toy.Memory()
    service = SittingService(
        start(made, study="toy", listener="L01"), record=record, samples=toy.samples, rate=toy.RATES.__getitem__,
        facts=Facts(device="none", warnings=player.facts.warnings), device=player,
    )  # fmt: skip
    visitor = toy.Visitor(toy.app(service))
    visitor.enter()
    return visitor, record, service


def order(visitor, kind, **values):
    return visitor.ask("POST", "/player", json.dumps({"type": kind, **values}).encode())


def to_the_trial(visitor, gain_db=-12.0):
    visitor.event("began")
    visitor.event("level_set", gain_db=gain_db)
    return visitor.view()


def listen(visitor, view):
    """Do what the page does in a trial up to its answer, the sound left to the device."""
    slots = {slot["name"]: slot["token"] for slot in view["slots"]}
    of = {"trial": view["trial"], "attempt": view["attempt"]}
    first = order(visitor, "load", slots=slots, slot=next(iter(slots)))
    assert first.status == 200, first.body
    visitor.event("loaded", **of)
    order(visitor, "play")
    for name in slots:
        order(visitor, "select", slot=name)
        visitor.event("selected", slot=name, **of)
    order(visitor, "pause")
    return first.json


def one_rate(toy):
    return sorted({*toy.RATES.values()})


def test_the_page_is_told_lengths_and_places_and_fetches_nothing(toy, device):
    player = device(one_rate(toy))
    visitor, _, _ = served(toy, toy.plan(practice=0, trials=2), player)
    assert visitor.get("/facts").json["facts"]["device"] == "none"
    view = to_the_trial(visitor)
    told = listen(visitor, view)
    assert set(told) == {"frames", "rate"}
    assert told["rate"] in toy.RATES.values()
    assert set(order(visitor, "where").json) == {"position_s"}
    assert visitor.get(f"/sound/{view['slots'][0]['token']}").status == 404
    assert order(visitor, "select", slot="Y").status == 422
    assert order(visitor, "load", slots={"A": "0" * 32}, slot="A").status == 422
    assert order(visitor, "louder").status == 422


class Player:
    """Takes down what a desk asks of a player at 1000 frames a second."""

    def __init__(self):
        self.asked, self.underruns = [], 0
        self.switcher = SimpleNamespace(
            names=("A", "B"), rate=1000, position=2500,
            loop=lambda *of: self.asked.append(("loop", *of)), select=lambda slot: self.asked.append(("select", slot)),
        )  # fmt: skip

    def set_gain(self, gain_db):
        self.asked.append(("gain", gain_db))

    def load(self, slots, slot, *, once):
        self.asked.append(("load", slot, once))
        return 77


def asked_of(step, *orders, gain_db=-20.0, selected="A", first=None):
    """Return what a desk asks of its player for these orders, and what it tells of the last."""
    sitting = SimpleNamespace(
        step=step, gain_db=gain_db, selected=selected, trial=3, first_slot=lambda trial: first if trial == 3 else "?"
    )
    desk = DeviceDesk(Player())
    for one in orders:
        told = desk.take(PlayerOrder(**one), sitting)
    return desk.player.asked, told


def test_what_is_loaded_is_as_loud_as_was_set_or_silent():
    load = {"type": "load", "slots": {"A": "t"}, "slot": "A"}
    assert asked_of("trial", load) == ([("gain", -20.0), ("load", "A", False)], {"frames": 77, "rate": 1000})
    assert asked_of("level", load, gain_db=None)[0][0] == ("gain", SILENT_DB)
    # Heard once, in a trial that says what sounds first; the sound by which the level is set goes on.
    assert asked_of("trial", load, first="A")[0][1] == ("load", "A", True)
    assert asked_of("level", load, first="A")[0][1] == ("load", "A", False)


def test_places_are_seconds():
    loop = {"type": "loop", "start_s": 1.25, "end_s": 3.0}
    assert asked_of("trial", loop) == ([("loop", 1250, 3000)], {"position_s": 2.5})


def test_the_rest_is_played_on_what_was_chosen():
    assert asked_of("onward", {"type": "select", "slot": "A"})[0] == [("select", "A")]
    assert asked_of("trial", {"type": "select", "slot": "B"})[0] == [("select", "B")]
    with pytest.raises(BlindtestError, match="another slot was chosen to play the rest"):
        asked_of("onward", {"type": "select", "slot": "B"})


def test_a_loop_of_nothing_is_a_line():
    def refused(*of):
        raise ValueError("the end is before the beginning")

    desk = DeviceDesk(Player())
    desk.player.switcher.loop = refused
    with pytest.raises(BlindtestError, match="the end is before the beginning"):
        desk.take(PlayerOrder(type="loop", start_s=2, end_s=1), SimpleNamespace(step="trial"))


def test_exchanging_the_truth_changes_no_byte(toy, device):
    made = toy.plan(practice=0, trials=3)
    sent = []
    for plan in (made, exchanged(made)):
        visitor, _, _ = served(toy, plan, device(one_rate(toy)))
        view = to_the_trial(visitor)
        while view["step"] == "trial":
            listen(visitor, view)
            visitor.answer(view)
            view = visitor.view()
        sent.append([(answered.asked, answered.status, answered.headers, answered.body) for answered in visitor.sent])
    assert len(sent[0]) > 40
    assert sent[0] == sent[1]


def test_the_level_is_locked_once_it_is_set(toy, device):
    player = device(one_rate(toy))
    visitor, _, _ = served(toy, toy.plan(practice=0, trials=2), player)
    visitor.event("began")
    level = visitor.view()["level"]
    assert order(visitor, "load", slots={"level": level}, slot="level").status == 200
    order(visitor, "gain", gain_db=-6.0)
    assert player._gain_db == -6.0
    visitor.event("level_set", gain_db=-20.0)
    view = visitor.view()
    listen(visitor, view)
    order(visitor, "gain", gain_db=0.0)
    assert player._gain_db == -20.0
    order(visitor, "play")
    player.run(48_000 * 5)
    heard = np.abs(player.run(4800)).max()
    assert 0 < heard <= 10 ** (-20 / 20)


def test_before_the_level_is_set_nothing_can_be_turned_up(toy, device):
    player = device(one_rate(toy))
    visitor, _, _ = served(toy, toy.plan(practice=0, trials=2), player)
    order(visitor, "gain", gain_db=0.0)
    assert player._gain_db == -80.0


def test_an_underrun_flags_the_trial_and_offers_it_again(toy, device):
    player = device(one_rate(toy))
    visitor, record, _ = served(toy, toy.plan(practice=0, trials=2), player)
    view = to_the_trial(visitor)
    listen(visitor, view)
    player.run(256, underflow=True)
    refused = visitor.answer(view)
    assert refused.status == 409
    again = visitor.view()
    assert (again["trial"], again["attempt"], again["saved"]) == (view["trial"], view["attempt"] + 1, 0)
    assert {slot["token"] for slot in again["slots"]}.isdisjoint(slot["token"] for slot in view["slots"])
    listen(visitor, again)
    assert visitor.answer(again).status == 200
    assert {row["faults"] for row in record.rows} == {"dropout"}


def test_an_underrun_while_nothing_was_heard_counts_for_nothing(toy, device):
    player = device(one_rate(toy))
    visitor, record, _ = served(toy, toy.plan(practice=0, trials=2), player)
    player.run(256, underflow=True)
    view = to_the_trial(visitor)
    player.run(256, underflow=True)
    listen(visitor, view)
    assert visitor.answer(view).status == 200
    assert {row["faults"] for row in record.rows} <= {"", None}


def test_a_device_that_stands_still_is_said_to(toy, device, monkeypatch):
    from blindtest.session import device_player

    player = device(one_rate(toy))
    visitor, _, _ = served(toy, toy.plan(practice=0, trials=2), player)
    view = to_the_trial(visitor)
    slots = {slot["name"]: slot["token"] for slot in view["slots"]}
    order(visitor, "load", slots=slots, slot="A")
    order(visitor, "play")
    player.run(4800)
    monkeypatch.setattr(device_player, "sleep", lambda s: None)
    player.streams[-1].active = False
    stopped = order(visitor, "pause")
    assert stopped.status == 422
    assert "does not go on playing" in stopped.json["problem"]


def test_a_clip_of_another_rate_opens_the_stream_anew_in_silence(toy, device):
    player = device((44_100, 48_000))
    assert [stream.samplerate for stream in player.streams] == [48_000, 44_100]
    assert player.streams[0].closed
    from blindtest.session import Sound

    for name, rate in (("t1", 44_100), ("t2", 48_000)):
        player.prepare(
            [
                Sound(
                    token=name,
                    samples=lambda: np.ones((9600, 2), dtype=np.int32),
                    rate=rate,
                    dither=lambda n: b"\7" * n,
                )
            ]
        )
        assert player.load({"A": name}, "A") == 9600
        assert player.switcher.rate == player.streams[-1].samplerate == rate
    assert player.streams[1].closed


def test_where_the_browser_plays_there_is_no_such_desk(toy):
    visitor = toy.Visitor(toy.app(toy.service()))
    visitor.enter()
    assert order(visitor, "where").status == 404
    stranger = toy.Visitor(toy.app(toy.service()))
    assert order(stranger, "where").status == 401


def test_a_ladder_lies_on_the_device_and_a_move_is_a_switch(toy, device):
    """Adjustment: all rungs are loaded at once; what is set changes at the position it has reached."""
    player = device(one_rate(toy))
    made = toy.plan_of({"adjust": 1})
    visitor, record, service = served(toy, made, player)
    view = to_the_trial(visitor, gain_db=0.0)
    of = {"trial": 0, "attempt": 1}
    held = {slot["name"]: slot["token"] for slot in view["slots"] if slot["name"] != view["dial"]["slot"]}
    held |= {one["name"]: one["token"] for one in view["dial"]["sounds"]}
    assert len(held) == 11
    assert order(visitor, "load", slots=held, slot="A").status == 200
    visitor.event("loaded", **of)
    order(visitor, "play")
    visitor.event("selected", slot="A", **of)
    heard = []
    for offset in (0, 1, -1):
        moved = visitor.event("chosen", values={"offset": offset}, **of).json["view"]["dial"]
        order(visitor, "select", slot=moved["now"])
        visitor.event("selected", slot="B", **of)
        before = player.switcher.position
        heard.append(player.run(4800)[-2400:])
        assert player.switcher.position == (before + 4800) % len(toy.samples(service._sitting.planned(0).clip, "heron"))
    assert not np.array_equal(heard[0], heard[1])
    visitor.event("confirmed", values={"offset": -1}, **of)
    said = {row["slot"]: row["response"] for row in record.rows}
    drawn = made.trial(0).drawn
    assert said["set"] == drawn.ladder[drawn.ladder.index(said["start"]) - 1]
    assert said["moves"] == 2
