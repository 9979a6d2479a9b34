"""One writer thread per process: collects waiting writes, commits once, then acknowledges each.

Whoever hands in a write gets a Future that is done only after the commit that made it durable, or holds the write's own
exception. A write that fails is rolled back alone and doesn't sink the batch it came in.
"""

from collections.abc import Callable, Sequence
from concurrent.futures import Future
from dataclasses import dataclass
from queue import Empty, SimpleQueue
from threading import Lock, Thread
from typing import Any, Protocol, TypeVar

__all__ = ["About", "Session", "Writer"]

T = TypeVar("T")
About = tuple[int, int]
"""What an answer is about: sitting and trial."""
_MOST_AT_ONCE = 1000


class Session(Protocol):
    """What the writer needs of a connection; only its own thread calls it."""

    def begin(self, about: Sequence[About]) -> None:
        """Begin a transaction that may write; `about`: what the answers among the writes to come are about."""

    def settle(self) -> None:
        """Write what answers have added so far, where that was put off."""

    def commit(self) -> None:
        """Make durable what was written since `begin`; on failure nothing of it is."""

    def rollback(self) -> None:
        """Undo what was written since `begin`."""

    def save(self) -> None:
        """Set a savepoint."""

    def release(self) -> None:
        """Keep what was written since the savepoint."""

    def undo(self) -> None:
        """Undo what was written since the savepoint."""

    def close(self) -> None:
        """Let go of the database."""


@dataclass(frozen=True, slots=True)
class _Write:
    job: Callable[[], Any]
    done: Future[Any]
    alone: bool
    about: About | None


class Writer:
    """The thread and its queue."""

    def __init__(self, session: Session, *, name: str) -> None:
        self._session = session
        self._waiting: SimpleQueue[_Write | None] = SimpleQueue()
        self._closing = Lock()
        self._closed = False
        self._thread = Thread(target=self._run, name=name, daemon=True)
        self._thread.start()

    def hand_in(self, job: Callable[[], T], *, alone: bool = False, about: About | None = None) -> Future[T]:
        """Return a Future of what `job` returns; it is done when what the job wrote is durable.

        alone : the job runs outside any transaction (and minds its own)
        about : sitting and trial, where it is an answer
        """
        done: Future[T] = Future()
        with self._closing:
            if self._closed:
                raise ValueError("the store is closed")
            self._waiting.put(_Write(job, done, alone, about))
        return done

    def close(self) -> None:
        """Finish what is waiting, then stop."""
        with self._closing:
            if self._closed:
                return
            self._closed = True
            self._waiting.put(None)
        self._thread.join()

    def _run(self) -> None:
        while True:
            batch, alone, last = self._collected()
            if batch:
                self._commit(batch)
            if alone is not None:
                _settle(alone, *_tried(alone))
            if last:
                self._session.close()
                return

    def _collected(self) -> tuple[list[_Write], _Write | None, bool]:
        """Return the writes that wait, up to one that must run alone or the end; block until there is something."""
        batch: list[_Write] = []
        write = self._waiting.get()
        while True:
            if write is None:
                return batch, None, True
            if write.alone:
                return batch, write, False
            batch.append(write)
            if len(batch) == _MOST_AT_ONCE:
                return batch, None, False
            try:
                write = self._waiting.get_nowait()
            except Empty:
                return batch, None, False

    def _commit(self, batch: list[_Write]) -> None:
        """Run a batch in one transaction and acknowledge each of its writes after the commit."""
        try:
            # Savepoints cost as much as an answer, and hardly ever is one needed: at first without.
            told = self._told(batch, saved=False) or self._told(batch, saved=True)
        except BaseException as failed:
            # The commit as a whole failed (disk full, say): nothing of the batch is durable, and each is told so.
            told = [(None, failed)] * len(batch)
        for write, (result, error) in zip(batch, told, strict=True):
            _settle(write, result, error)

    def _told(self, batch: list[_Write], *, saved: bool) -> list[tuple[Any, BaseException | None]]:
        """Run and commit a batch; return what each write came to, or nothing if one failed that was not `saved`."""
        told: list[tuple[Any, BaseException | None]] = []
        try:
            self._session.begin(() if saved else [write.about for write in batch if write.about is not None])
            for write in batch:
                if saved:
                    self._session.save()
                told.append(self._settled(write) if saved or write is batch[-1] else _tried(write))
                error = told[-1][1]
                if saved:
                    self._kept_or_undone(error)
                elif error is not None:
                    self._session.rollback()
                    return told if len(batch) == 1 else []
            self._session.commit()
        except BaseException:
            self._session.rollback()
            raise
        return told

    def _settled(self, write: _Write) -> tuple[Any, BaseException | None]:
        """Run a write, and write what it and those before have put off."""
        result, error = _tried(write)
        if error is None:
            try:
                self._session.settle()
            except BaseException as refused:
                return None, refused
        return result, error

    def _kept_or_undone(self, error: BaseException | None) -> None:
        if error is None:
            self._session.release()
            return
        try:
            self._session.undo()
        except Exception as lost:
            # The database gave up the whole transaction by itself (disk full): the write's own error says why.
            raise error from lost


def _tried(write: _Write) -> tuple[Any, BaseException | None]:
    try:
        return write.job(), None
    except BaseException as error:
        return None, error


def _settle(write: _Write, result: Any, error: BaseException | None) -> None:
    if not write.done.set_running_or_notify_cancel():
        return
    if error is not None:
        write.done.set_exception(error)
    else:
        write.done.set_result(result)
