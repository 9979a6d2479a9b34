"""When the whole heap is collected while a panel is served."""

import gc
import time
import weakref

from blindtest.web import collecting
from blindtest.web.collecting import LONGEST_S, WholeHeap, collecting_seldom


class Requests:
    """Counts as a server does, beside a clock."""

    def __init__(self):
        self.count, self.now = 0, 0.0

    def heap(self):
        return WholeHeap(lambda: self.count, lambda: self.now)


def test_it_is_due_once_nobody_has_asked_since_the_last_look():
    made = Requests()
    heap = made.heap()
    assert not heap.is_due()  # nothing happened: nothing to collect
    made.count = 7
    assert not heap.is_due()  # somebody asked a moment ago
    assert heap.is_due()
    assert not heap.is_due()  # collected, and nothing since


def test_where_somebody_always_asks_it_is_due_after_the_longest_time():
    made = Requests()
    heap = made.heap()
    looks = []
    for _ in range(3 * int(LONGEST_S) // 100):
        made.now += 100.0
        made.count += 1
        looks.append(heap.is_due())
    assert looks.count(True) == 3
    assert looks.index(True) == LONGEST_S / 100 - 1


class Ring:
    """Garbage that only a collection finds."""

    def __init__(self):
        self.me = self


def test_what_is_old_is_collected_when_nobody_asks_and_not_before(monkeypatch):
    monkeypatch.setattr(collecting, "LOOKED_S", 0.02)
    made, before = Requests(), gc.get_threshold()
    with collecting_seldom(lambda: made.count):
        assert gc.get_freeze_count() > 0
        ring = Ring()
        gone = weakref.ref(ring)
        gc.collect(1)  # it is old now
        del ring
        held = [[] for _ in range(5_000)]  # young ones enough for any collection that comes by itself
        assert gone() is not None
        made.count += 1
        until = time.monotonic() + 60
        while gone() is not None and time.monotonic() < until:
            time.sleep(0.01)
        assert gone() is None
        assert len(held) == 5_000
    assert gc.get_threshold() == before
    assert gc.get_freeze_count() == 0
