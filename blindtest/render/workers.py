"""Many hands: calls spread over threads, their faults gathered, their steps counted.

Threads, not processes: transforms, filters and hashes all work without Python's lock, and a process would first have
to import what takes longer than a short clip.
"""

import threading
from collections.abc import Callable, Sequence
from concurrent.futures import Executor, Future, wait
from typing import TypeVar

from blindtest.errors import BlindtestError, Fault

__all__ = ["Budget", "Progress", "Steps", "all_of"]

Progress = Callable[[int, int, str], None]
"""Called with steps done, steps in all, and what was done."""
T = TypeVar("T")


def all_of(pool: Executor, calls: Sequence[tuple[Callable[..., T], *tuple[object, ...]]]) -> list[T]:
    """Return the results of `calls` (function, arguments...) in their order.

    Raises
    ------
    BlindtestError
        The faults of all of them together; any other exception goes before and is raised as it is.
    """
    futures: list[Future[T]] = [pool.submit(call, *arguments) for call, *arguments in calls]
    try:
        wait(futures)
    except BaseException:
        for future in futures:
            future.cancel()
        raise
    faults: list[Fault] = []
    for future in futures:
        reason = future.exception()
        if isinstance(reason, BlindtestError):
            # By what they say: a fault that got "not a number" is not equal to itself.
            told = {str(fault) for fault in faults}
            faults.extend(fault for fault in reason.faults if str(fault) not in told)
        elif reason is not None:
            raise reason
    if faults:
        raise BlindtestError.of(faults)
    return [future.result() for future in futures]


class Steps:
    """Steps done by several threads, told to one listener at a time."""

    def __init__(self, progress: Progress | None) -> None:
        self._progress = progress
        self._lock = threading.Lock()
        self._total = 0
        self._done = 0

    def expect(self, more: int) -> None:
        """Say how many steps are still to come."""
        with self._lock:
            self._total = self._done + more

    def step(self, text: str) -> None:
        """Count one step."""
        with self._lock:
            self._done += 1
            if self._progress is not None:
                self._progress(self._done, max(self._done, self._total), text)


class Budget:
    """An amount of memory that several threads take from."""

    def __init__(self, limit: int) -> None:
        self._left = limit
        self._lock = threading.Lock()

    def take(self, amount: int) -> bool:
        """Take `amount` bytes; False if they aren't left."""
        with self._lock:
            if amount > self._left:
                return False
            self._left -= amount
            return True
