"""When the garbage collector looks at what: nobody is answered meanwhile.

CPython collects what is young after every 700 objects more, all that was young ten times as seldom, and the whole heap
now and then. With the sittings of 500 listeners in memory that stopped everything for 2 to 4 ms about once a second and
for 10 to 27 ms about every ten. Hardly anything of theirs is in a cycle. So what is young is collected more often, in
steps of some .3 ms, and the whole heap when nobody has asked for anything for a while.
"""

import gc
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from threading import Event, Thread
from time import monotonic

__all__ = ["WholeHeap", "collecting_seldom"]

_YOUNG = 150
"""Objects more than before: a collection of so many takes some .3 ms."""
_NEVER = 2**30
LOOKED_S = 5.0
"""So long nobody has asked for anything when the whole heap is collected."""
LONGEST_S = 3_600.0
"""By then it is collected whoever waits: somebody may always be listening."""


class WholeHeap:
    """Tells when the whole heap is collected.

    Parameters
    ----------
    asked : how many requests there were since the beginning
    clock : seconds that only rise
    """

    def __init__(self, asked: Callable[[], int], clock: Callable[[], float] = monotonic) -> None:
        self._asked = asked
        self._clock = clock
        self._collected, self._collected_at = asked(), clock()
        self._before = self._collected

    def is_due(self) -> bool:
        """Return whether to collect now: nobody asked since the last look, but somebody since the last collection."""
        asked, now = self._asked(), self._clock()
        idle, self._before = asked == self._before, asked
        due = asked != self._collected and (idle or now - self._collected_at >= LONGEST_S)
        if due:
            self._collected, self._collected_at = asked, now
        return due


@contextmanager
def collecting_seldom(asked: Callable[[], int]) -> Iterator[None]:
    """Collect so for as long as requests are served; `asked`: how many there were."""
    before = gc.get_threshold()
    # What was imported is never garbage.
    gc.collect()
    gc.freeze()
    gc.set_threshold(_YOUNG, _NEVER, _NEVER)
    over, whole = Event(), WholeHeap(asked)

    def look() -> None:
        while not over.wait(LOOKED_S):
            if whole.is_due():
                gc.collect()

    thread = Thread(target=look, name="whole heap", daemon=True)
    thread.start()
    try:
        yield
    finally:
        over.set()
        thread.join()
        gc.set_threshold(*before)
        gc.unfreeze()
