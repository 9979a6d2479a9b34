"""Many hands: calls spread over threads, their faults gathered, their steps counted.

Threads, not processes: transforms, filters and hashes all work without Python's lock, and a process would first have
to import what takes longer than a short clip.
"""

import threading
from collections import deque
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import Executor, Future, ThreadPoolExecutor, wait
from typing import TypeVar

import numpy as np

from blindtest.errors import BlindtestError, Fault

__all__ = ["Budget", "Progress", "Steps", "all_of", "in_order", "keep_memory"]

Progress = Callable[[int, int, str], None]
"""Called with steps done, steps in all, and what was done."""
T = TypeVar("T")
LARGEST_KEPT = 31 << 20
"""Just under the 32 MiB up to which that library adapts."""


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


def keep_memory() -> None:
    """Let the C library keep what one thread gives back for the next block, where it decides by what it has seen.

    The library of most Linux systems returns the top of a thread's memory to the system as soon as it exceeds twice the
    largest block that was ever mapped and freed (mallopt(3), M_MMAP_THRESHOLD, "dynamic"). With the blocks of a filter
    that happens at each transform, and a fifth of the processor's time went into getting it back. A block that is
    never written to costs nothing.
    """
    np.empty(LARGEST_KEPT, dtype=np.uint8)


def in_order(workers: int, tasks: Iterable[Callable[[], T]]) -> Iterator[T]:
    """Yield what each of `tasks` returns, in their order; `workers` threads work ahead by one task for each of them.

    The tasks themselves are taken one after the other by the caller's thread: what has to be done in order before a
    task (reading on in a file) belongs where they are made, and what has to be done in order with its result where it
    is taken.
    """
    with ThreadPoolExecutor(max_workers=workers) as pool:
        waiting: deque[Future[T]] = deque()
        try:
            for task in tasks:
                waiting.append(pool.submit(task))
                if len(waiting) > workers:
                    yield waiting.popleft().result()
            while waiting:
                yield waiting.popleft().result()
        finally:
            for future in waiting:
                future.cancel()


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
