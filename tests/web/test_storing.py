"""An answer that waits for its commit without a thread: nothing is acknowledged early, nothing happens in between."""

import asyncio
import threading
from concurrent.futures import Future
from datetime import UTC, datetime, timedelta

import pytest

from blindtest.errors import Fault, Missing
from blindtest.session import (
    Began,
    BrowserPlayer,
    Chosen,
    Confirmed,
    Continued,
    LevelSet,
    Loaded,
    MadeWhenAsked,
    OutOfTurn,
    Selected,
    rows_of,
)
from blindtest.web import NotStored

START = datetime(2026, 3, 2, 10, tzinfo=UTC)


@pytest.fixture
def later(toy):
    """A record whose answers are durable when the test says so."""

    class Later(toy.Memory):
        def __init__(self):
            super().__init__()
            self.waiting = []

        def answered_later(self, answer):
            done = Future()
            self.waiting.append((answer, done))
            return done

        def commit(self):
            answer, done = self.waiting.pop()
            self.rows.extend(rows_of(answer))
            done.set_result(None)

    return Later()


@pytest.fixture
def heard(toy, later):
    """A sitting in its first trial, all heard."""
    service = toy.service(record=later)
    service.handle(Began(at=START))
    service.handle(LevelSet(gain_db=-10.0, at=START))
    of = {"trial": 0, "attempt": 1}
    service.handle(Loaded(**of, at=START))
    for slot in "ABX":
        service.handle(Selected(**of, slot=slot, at=START + timedelta(seconds=1)))
    service.handle(Chosen(**of, values={"choice": "A"}, at=START + timedelta(seconds=8)))
    return service


def confirmed(choice="A", trial=0, at=START + timedelta(seconds=9)):
    return Confirmed(trial=trial, attempt=1, values={"choice": choice}, at=at)


def test_an_answer_counts_once_it_is_durable_and_not_before(heard, later):
    with heard.storing(confirmed()) as storing:
        assert not storing.durable.done()
        assert storing.view == {}
        assert heard._sitting.answers == ()
        later.commit()
    assert storing.view["saved"] == 1
    assert heard.view() == storing.view
    assert [row["response"] for row in later.rows] == ["A"]


def test_nothing_else_happens_in_the_sitting_until_then(heard, later):
    with heard.storing(confirmed()) as storing:
        selected = Selected(trial=0, attempt=1, slot="A", at=START)
        assert not heard.is_quick(selected)
        with heard.storing(confirmed("B")) as second:
            assert second is None, "it goes the way that waits"
        came = []
        waits = threading.Thread(target=lambda: came.append(heard.view()))
        waits.start()
        waits.join(0.1)
        assert came == []
        later.commit()
    waits.join(60)
    assert came == [storing.view]
    assert heard.is_quick(selected)


def test_what_could_not_be_stored_is_told_so_and_keeps_its_time_when_sent_again(heard, later):
    """As where a thread waits: the commit that was reported as failed may have reached the disk."""

    def told():
        with heard.storing(confirmed()) as storing:
            storing.durable.set_exception(Missing(Fault(problem="the disk is full")))
            storing.durable.result()

    with pytest.raises(NotStored, match="full"):
        told()
    assert heard.view()["saved"] == 0
    with heard.storing(confirmed(at=START + timedelta(seconds=30))) as storing:
        later.commit()
    assert later.rows[0]["answered_at"] == "2026-03-02T10:00:09.000+00:00"
    assert storing.view["saved"] == 1


def test_whoever_stops_waiting_leaves_the_sitting_as_it_was_and_open(heard, later):
    async def waits():
        with heard.storing(confirmed()) as storing:
            await asyncio.wrap_future(storing.durable)

    async def given_up():
        task = asyncio.create_task(waits())
        await asyncio.sleep(0)
        task.cancel()
        with pytest.raises(asyncio.CancelledError):
            await task

    asyncio.run(given_up())
    assert heard.view()["saved"] == 0
    with heard.storing(confirmed(at=START + timedelta(seconds=30))):
        assert later.waiting[-1][0] == later.waiting[0][0], "the same answer, with its time"
        later.commit()
    assert heard.view()["saved"] == 1


def test_a_repeat_the_last_answer_and_one_out_of_turn_go_the_other_way(toy, heard, later):
    with heard.storing(confirmed()):
        later.commit()
    with heard.storing(confirmed()) as again:
        assert again is None
    with pytest.raises(OutOfTurn), heard.storing(confirmed(trial=5)):
        pass
    with heard.storing(Loaded(trial=0, attempt=1, at=START)) as other:
        assert other is None
    assert heard.view()["saved"] == 1, "and nobody is kept out"


def test_sounds_made_when_asked_are_those_of_the_trial_in_hand_and_the_next_and_no_others(toy):
    """What plays a panel's sitting gets them ready when the first is asked for, whichever that is."""
    lazy, eager = (toy.service(toy.plan(), player=player()) for player in (MadeWhenAsked, BrowserPlayer))

    def served(service, tokens):
        return [service.sound(token) is not None for token in tokens]

    def go(event):
        views = [service.handle(event) for service in (lazy, eager)]
        assert views[0] == views[1]
        return views[0]

    seen, before = [], []
    go(Began(at=START))
    view = go(LevelSet(gain_db=-10.0, at=START))
    for trial in range(4):
        tokens = [slot["token"] for slot in view["slots"]]
        assert served(lazy, tokens[::-1]) == served(eager, tokens) == [True] * 3
        assert served(lazy, view["next"]) == served(eager, view["next"]) == [True] * len(view["next"])
        assert served(lazy, before) == served(eager, before) == [False] * len(before)
        for token in tokens:
            assert lazy.sound(token) == eager.sound(token)
        before = [token for token in tokens if token not in view["next"]]
        seen += tokens
        of = {"trial": trial, "attempt": 1}
        go(Loaded(**of, at=START))
        for slot in "ABX":
            go(Selected(**of, slot=slot, at=START + timedelta(seconds=1)))
        go(Chosen(**of, values={"choice": "A"}, at=START + timedelta(seconds=8)))
        view = go(Confirmed(**of, values={"choice": "A"}, at=START + timedelta(seconds=9)))
        if view["step"] == "feedback":
            view = go(Continued(trial=trial, at=START + timedelta(seconds=10)))
    assert len(set(seen)) == 12
