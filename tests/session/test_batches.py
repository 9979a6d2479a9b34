"""Answers that wait together are read and written together: what comes of them is what comes of them one by one."""

import contextlib
import random
import runpy
import threading
from pathlib import Path

import pytest

from blindtest.errors import BlindtestError
from blindtest.session import rows_of
from blindtest.session.store import Store

S = runpy.run_path(str(Path(__file__).parent / "test_store.py"))
register, answers_to, P, START = S["register"], S["answers_to"], S["P"], S["START"]
LISTENERS = ("L-a", "L-b", "L-c")


def writes_of(rng, answers, *, refused):
    """Return writes in a random order: (method, sitting, what), each answer of a sitting after the one before."""
    at = dict.fromkeys(answers, 0)
    ended = set()
    writes = []
    for _ in range(24):
        number = rng.choice(list(answers))
        kind = rng.random()
        if kind < 0.1:
            writes.append(("event", number, {"event": f"seen {len(writes)}"}))
        elif kind < 0.15 and (refused or at[number] == len(answers[number])):
            writes.append(("end", number, None))
            ended.add(number)
        elif kind < 0.3 and at[number]:
            # Sent again, since the page did not hear of it.
            rows = rows_of(answers[number][rng.randrange(at[number])])
            changed = refused and rng.random() < 0.5
            writes.append(("answer", number, [{**row, "response": 99.0} for row in rows] if changed else rows))
        elif at[number] < len(answers[number]) and (refused or number not in ended):
            writes.append(("answer", number, rows_of(answers[number][at[number]])))
            at[number] += 1
    if refused:
        first = next(place for place, (method, *_) in enumerate(writes) if method == "answer")
        _, number, rows = writes[first]
        other = [{**row, "response": 99.0} for row in rows]
        writes.insert(rng.randint(first + 1, len(writes)), ("answer", number, other))
    return writes


def handed_in(store, write):
    """Return the Future of a write."""
    method, number, what = write
    if method == "answer":
        return store.append_later(number, what)
    job = (lambda: store.add_event(number, what)) if method == "event" else (
        lambda: store.set_state(number, "finished", at=START)
    )  # fmt: skip
    found = []
    later = store._later
    store._later = lambda job: found.append(later(job)) or found[0]
    waiting = threading.Thread(target=lambda: _quiet(job))
    waiting.start()
    while not found:
        pass
    store._later = later
    return found[0]


def _quiet(job):
    with contextlib.suppress(BlindtestError):  # told by the Future
        job()


def told(future, place):
    error = future.exception(timeout=60)
    return str(error).replace(place, "") if error else future.result()


def record_of(store):
    return [
        (entry.state, entry.head, entry.links, store.rows(entry.number), store.events(entry.number))
        for entry in store.sittings()
    ]


@pytest.mark.parametrize("refused", [False, True], ids=["all taken", "some refused"])
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_batch_is_what_its_writes_are_one_by_one(place, tmp_path, seed, refused):
    rng = random.Random(seed)
    with (
        Store(tmp_path / "one by one.db", entropy=S["Entropy"]()) as single,
        Store(place, entropy=S["Entropy"]()) as batched,
    ):
        answers = {}
        for listener in LISTENERS:
            plan, number = register(single, listener, blocks=P["ALL_BLOCKS"])
            register(batched, listener, blocks=P["ALL_BLOCKS"])
            answers[number] = answers_to(plan, listener)
        writes = writes_of(rng, answers, refused=refused)
        assert any(method == "answer" for method, *_ in writes)
        expected = [told(handed_in(single, write), single.place) for write in writes]
        go = threading.Event()
        held = batched._writer.hand_in(go.wait, alone=True)
        waiting = [handed_in(batched, write) for write in writes]
        go.set()
        held.result()
        assert [told(future, batched.place) for future in waiting] == expected
        assert record_of(batched) == record_of(single)
        assert batched.faults() == ()
        assert any(isinstance(one, str) for one in expected) == refused
