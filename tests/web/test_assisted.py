"""An assisted sitting: the listener asks and waits, the operator is told what to connect, and neither learns more."""

import importlib.util
from datetime import timedelta
from pathlib import Path
from types import SimpleNamespace

import pytest

from blindtest.errors import BlindtestError
from blindtest.session import Offer, OutOfTurn, Switching, asked, connected, undone
from blindtest.web.device_desk import PlayerOrder

SPEC = importlib.util.spec_from_file_location("assisted_sitting", Path(__file__).parents[1] / "assisted_sitting.py")
ASSISTED = importlib.util.module_from_spec(SPEC)
SPEC.loader.exec_module(ASSISTED)
BEGIN, PLACES, SWITCH_S, Sat = (getattr(ASSISTED, name) for name in ("BEGIN", "PLACES", "SWITCH_S", "Sat"))


@pytest.fixture
def sat(toy):
    return Sat(toy, toy.plan(practice=0, trials=4, nonce=bytes(range(1, 33))))


def offer(token="t", trial=0):
    return Offer(token=token, trial=trial, attempt=1, slot="A", clip="c", condition="heron")


@pytest.mark.parametrize(("took_s", "sounds_after_s"), [(0.5, 10), (9.99, 10), (10.0, 10), (10.1, 20), (31.0, 40)])
def test_a_sound_begins_a_whole_number_of_steps_after_it_was_asked_for(took_s, sounds_after_s):
    one = connected(asked(None, offer(), BEGIN), 1, BEGIN + timedelta(seconds=took_s))
    assert one.took_s == took_s
    assert not one.ready(BEGIN + timedelta(seconds=sounds_after_s - 0.001), SWITCH_S)
    assert one.ready(BEGIN + timedelta(seconds=sounds_after_s), SWITCH_S)


def test_connections_are_counted_and_only_the_present_one_is_made():
    first = asked(None, offer("a"), BEGIN)
    assert asked(first, offer("a"), BEGIN + timedelta(seconds=5)) == first
    second = asked(first, offer("b"), BEGIN)
    assert (first.number, second.number) == (1, 2)
    with pytest.raises(OutOfTurn, match="another connection is asked for now"):
        connected(second, 1, BEGIN)
    with pytest.raises(OutOfTurn, match="another connection is asked for now"):
        undone(second, 2)
    made = connected(second, 2, BEGIN)
    assert connected(made, 2, BEGIN + timedelta(seconds=9)) == made
    assert undone(made, 2) == second
    assert isinstance(second, Switching)
    assert second.took_s == 0


def test_every_sound_is_connected_first_and_the_truth_is_what_was_connected(sat, toy):
    view = sat.to_first_trial()
    sat.made.clear()
    sat.trial(view)
    planned = sat.service._sitting.planned(0)
    assert sat.made == [PLACES[slot.condition] for slot in planned.drawn.slots]
    assert [row["trial"] for row in sat.record.rows] == [0]
    kept = [event for event in sat.record.events if type(event).__name__ == "Connected"]
    assert [(event.trial, event.slot, event.took_s) for event in kept[1:]] == [(0, name, 3.0) for name in "ABX"]


def test_nothing_counts_as_heard_before_it_is_connected(sat):
    sat.listener.event("began")
    assert sat.listener.event("level_set", gain_db=-20).status == 409
    sat.hear(sat.listener.view()["level"])
    sat.listener.event("level_set", gain_db=-20)
    view = sat.listener.view()
    of = {"trial": 0, "attempt": 1}
    sat.listener.event("loaded", **of)
    early = sat.listener.event("selected", slot="A", **of)
    assert early.status == 409
    assert early.json["problem"] == "this sound is not connected yet"
    assert sat.listener.view()["heard"] == []
    token = view["slots"][0]["token"]
    sat.ask(token)
    sat.say("/connected", sat.task()["number"])
    # Connected, but its time has not come: the wait tells nothing of how quickly it was done.
    assert sat.listener.event("selected", slot="A", **of).status == 409
    sat.wall.wait(SWITCH_S)
    assert sat.listener.event("selected", slot="A", **of).status == 200
    # X may be what is connected already; it is asked for all the same.
    assert sat.listener.event("selected", slot="X", **of).status == 409


def test_a_sound_device_is_still_while_a_connection_is_made(sat, monkeypatch):
    view = sat.to_first_trial()
    obeyed = []
    desk = SimpleNamespace(take=lambda order, sitting: obeyed.append(order.type) or {})
    monkeypatch.setattr(sat.service, "_desk", desk)
    sounding = ("play", "select", "restart")
    sat.ask(view["slots"][0]["token"])
    for kind in sounding:
        with pytest.raises(BlindtestError, match="this sound is not connected yet"):
            sat.service.order(PlayerOrder(type=kind))
    assert obeyed == []
    sat.service.order(PlayerOrder(type="pause"))
    assert obeyed == ["pause"]
    sat.say("/connected", sat.task()["number"])
    sat.wall.wait(SWITCH_S)
    for kind in sounding:
        sat.service.order(PlayerOrder(type=kind))
    assert obeyed == ["pause", *sounding]


def test_the_operator_reads_how_far_the_sitting_is(sat):
    """Four trials of three sounds each, after the one by which the level is set: 13 connections."""

    def told():
        return {name: sat.task()[name] for name in ("state", "trial", "of", "made")}

    assert (told()["state"], told()["of"], told()["made"]) == ("waiting", 4, 0)
    sat.listener.event("began")
    sat.ask(sat.listener.view()["level"])
    assert told() == {"state": "connect", "trial": 0, "of": 4, "made": 0}
    sat.hear(sat.listener.view()["level"])
    assert told() == {"state": "connected", "trial": 0, "of": 4, "made": 1}
    sat.listener.event("level_set", gain_db=-20)
    for number in range(4):
        if (view := sat.listener.view())["step"] == "break":
            sat.listener.event("continued", trial=view["trial"])
            view = sat.listener.view()
        sat.ask(view["slots"][0]["token"])
        assert told() == {"state": "connect", "trial": number + 1, "of": 4, "made": 1 + 3 * number}
        sat.trial(view)
    assert sat.listener.view()["step"] == "finished"
    assert (told()["state"], told()["of"], told()["made"]) == ("over", 4, 13)


def test_a_token_of_another_trial_connects_nothing(sat):
    view = sat.to_first_trial()
    assert sat.ask(view["next"][0]).status == 404
    assert sat.ask("unknown").status == 404
    assert sat.task()["state"] == "waiting"


def test_a_wrong_connection_is_on_record_and_its_trial_comes_again(sat):
    view = sat.to_first_trial()
    sat.listener.event("loaded", trial=0, attempt=1)
    sat.hear(view["slots"][0]["token"])
    sat.listener.event("selected", slot="A", trial=0, attempt=1)
    number = sat.task()["number"]
    assert sat.say("/mistaken", number).json["state"] == "waiting"
    again = sat.listener.view()
    assert (again["trial"], again["attempt"], again["heard"]) == (0, 2, [])
    assert sat.ask(view["slots"][0]["token"]).status == 404
    sat.trial(again)
    assert sat.record.rows[0]["faults"] == "misconnected"
    kinds = [type(event).__name__ for event in sat.record.events]
    assert kinds.count("Misconnected") == 1
    # The trial is answered: what is said of its last connection is on record, its answer stands.
    sat.say("/mistaken", sat.desk._now.number)
    assert sat.listener.view()["trial"] == 1
    assert len(sat.record.rows) == 1


def test_a_wrong_connection_while_the_level_is_set_is_asked_for_again(sat):
    sat.listener.event("began")
    level = sat.listener.view()["level"]
    sat.hear(level)
    task = sat.say("/mistaken", sat.task()["number"]).json
    assert task["state"] == "connect"
    assert sat.ask(level).json == {"ready": False}


def test_a_stale_word_of_the_operator_changes_nothing(sat):
    view = sat.to_first_trial()
    sat.ask(view["slots"][0]["token"])
    number = sat.task()["number"]
    for path in ("/connected", "/mistaken"):
        assert sat.say(path, number + 1).status == 409
    assert sat.say("/connected", 0).status == 422
    assert sat.say("/connected", number).status == 200
    assert sat.say("/connected", number).status == 200
    assert sum(type(event).__name__ == "Connected" for event in sat.record.events) == 2


def test_what_can_not_be_stored_is_not_shown_as_connected(sat, monkeypatch):
    view = sat.to_first_trial()
    sat.ask(view["slots"][0]["token"])
    number = sat.task()["number"]

    def full(event):
        raise OSError("the disk is full")

    with monkeypatch.context() as broken:
        broken.setattr(sat.record, "happened", full)
        assert sat.say("/connected", number).status == 503
    assert sat.task()["state"] == "connect"
    assert sat.say("/connected", number).json["state"] == "connected"


def test_the_listener_can_not_say_that_something_is_connected(sat):
    sat.to_first_trial()
    for event in ("connected", "misconnected"):
        more = {"took_s": 1.0} if event == "connected" else {}
        refused = sat.listener.event(event, trial=0, attempt=1, slot="A", **more)
        assert refused.status == 409
        assert "not for the listener to say" in refused.json["problem"]


def test_each_page_keeps_to_its_own_door(sat):
    for visitor, path in ((sat.listener, "/task"), (sat.operator, "/view"), (sat.operator, "/facts")):
        assert visitor.get(path).status == 404
    assert sat.listener.cookie.partition("=")[0] != sat.operator.cookie.partition("=")[0]
    stranger = sat.operator.cookie.partition("=")[2]
    sat.listener.cookie = sat.listener.cookie.partition("=")[0] + "=" + stranger
    assert sat.listener.get("/view").status == 401
    sat.operator.cookie = ""
    assert sat.operator.get("/task").status == 401
    assert sat.operator.enter("operator").status == 403
    assert sat.operator.get("/static/operator.js").status == 200
    assert sat.operator.get("/static/trial.js").status == 404
