"""A sitting served to one page: events in, views out, answers durable in between, sound by token.

It holds the sitting as it stands and is the only one that changes it. What must last goes to a `Record` first; only
then is the new sitting shown to anybody, so that "saved" is never said too early.
"""

import logging
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from concurrent.futures import Future
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import datetime
from threading import Event as Flag
from threading import Lock
from typing import Any, Literal, Protocol

from blindtest.errors import BlindtestError, Fault
from blindtest.session import (
    LEVEL_TRIAL,
    Abandoned,
    Answer,
    BrowserPlayer,
    Chosen,
    Commented,
    Confirmed,
    DevicePlayer,
    Event,
    Faulted,
    LaidPlayer,
    Left,
    LevelSet,
    Loaded,
    Offer,
    Paused,
    Resumed,
    Route,
    Selected,
    Sitting,
    Sound,
    Unchosen,
    after,
    event_to_dict,
    offers,
    plain_view_of,
    rows_of,
    trimmed,
)
from blindtest.web.app import Facts, NotStored
from blindtest.web.device_desk import DeviceDesk, PlayerOrder

__all__ = ["AnswerStore", "Record", "SittingService", "StoreRecord", "Storing"]

_log = logging.getLogger("blindtest.web")

_LASTING = (LevelSet, Faulted, Abandoned, Commented)
"""Events besides answers from which a sitting is restored."""
_QUICK = (Chosen, Loaded, Paused, Resumed, Selected, Unchosen)
"""Events that change what is in memory and nothing else."""


class Record(Protocol):
    """What keeps a sitting beyond this process. All return when what they were given is durable, or raise."""

    def answered(self, answer: Answer) -> None:
        """Keep an answer. Given the same one again, do nothing."""

    def answered_later(self, answer: Answer) -> Future[Any]:
        """Do what `answered` does without waiting: the Future is done when it is durable, or holds what refused it."""

    def happened(self, event: Event) -> None:
        """Keep an event that a sitting is restored from: level set, fault, abandoned."""

    def ended(self, sitting: Sitting, at: datetime) -> None:
        """Note that the sitting is finished or abandoned. Told again, do nothing."""

    def spoken(self, language: str) -> None:
        """Keep that an answer was given to a page in this language."""


class AnswerStore(Protocol):
    """What `StoreRecord` needs of `session.store.Store`."""

    def append(self, sitting: int, rows: Sequence[Mapping[str, Any]]) -> object:
        """Append the rows of an answer to the chain."""

    def append_later(self, sitting: int, rows: Sequence[Mapping[str, Any]]) -> Future[Any]:
        """Do what `append` does without waiting."""

    def add_event(self, sitting: int, held: Mapping[str, Any]) -> None:
        """Store an event."""

    def set_state(
        self, sitting: int, state: Literal["finished", "abandoned"], *, at: datetime, reason: str = ""
    ) -> None:
        """End a sitting."""


@dataclass(frozen=True, slots=True, kw_only=True)
class StoreRecord:
    """The record of one sitting in a study's database."""

    store: AnswerStore
    number: int
    """Of the sitting in the register."""

    def answered(self, answer: Answer) -> None:
        """Append the answer's rows to the chain."""
        self.store.append(self.number, rows_of(answer))

    def answered_later(self, answer: Answer) -> Future[Any]:
        """Append the answer's rows to the chain, without waiting."""
        return self.store.append_later(self.number, rows_of(answer))

    def happened(self, event: Event) -> None:
        """Store the event."""
        self.store.add_event(self.number, event_to_dict(event))

    def ended(self, sitting: Sitting, at: datetime) -> None:
        """Set the sitting's state in the register."""
        state: Literal["finished", "abandoned"] = "finished" if sitting.step == "finished" else "abandoned"
        self.store.set_state(self.number, state, at=at, reason=sitting.reason)

    def spoken(self, language: str) -> None:
        """Keep nothing: what plays a sitting, and what its page says, is on record elsewhere."""


@dataclass(slots=True, kw_only=True)
class Storing:
    """An answer on its way to the record."""

    durable: Future[Any]
    """Done when it is stored for good."""
    view: Mapping[str, Any] = field(default_factory=dict)
    """What the listener may see once it is; empty before."""


class SittingService:
    """One sitting; its methods block and may be called from any thread.

    Parameters
    ----------
    sitting : as it stands, new or restored
    record : where answers and lasting events go
    samples : (clip, condition) to stored 24-bit samples, (n, channels) int32
    rate : clip to Hz
    facts : what the page says before the first sound
    device : plays the sounds here; without one the page fetches and plays them
    routes : condition to the outputs and the trim of its real unit; those left out sound as they are
    player : makes the files that a page fetches, if not all of a trial beforehand
    level : as `samples`, what the level is set by; without it the programme itself
    spoken : languages of the page that are on record for this run
    """

    def __init__(
        self,
        sitting: Sitting,
        *,
        record: Record,
        samples: Callable[[str, str], Any],
        rate: Callable[[str], int],
        facts: Facts | None = None,
        device: DevicePlayer | None = None,
        routes: Mapping[str, Route] | None = None,
        player: BrowserPlayer | None = None,
        level: Callable[[str, str], Any] | None = None,
        spoken: Iterable[str] = (),
    ) -> None:
        self.over = Flag()
        """Set when the sitting is finished or abandoned and its page was told so."""
        self._sitting = sitting
        self._record = record
        self._samples = samples
        self._rate = rate
        self._facts = facts or Facts()
        self._routes = routes or {}
        if device is None and any(route.outputs for route in self._routes.values()):
            raise ValueError("outputs of a sound device are switched by a sound device")
        self._player: BrowserPlayer | DevicePlayer = device or player or BrowserPlayer()
        self._level = level or samples
        self._desk = DeviceDesk(device, most_gain_db=self._facts.most_gain_db) if device else None
        self._lock = Lock()
        self._unstored: Sitting | None = None
        self._unready = False
        self._spoken = set(spoken)
        # Not the number in the register: a page left open from another study may have the same one and the same port.
        self._name = sitting.plan.draws.token("page")
        self._arrived()

    @property
    def sitting(self) -> str:
        """A name that says nothing."""
        return self._name

    def facts(self) -> Facts:
        """Return what is said before the first sound."""
        return self._facts

    def view(self) -> Mapping[str, Any]:
        """Return what the listener may see now."""
        with self._lock:
            return self._shown()

    def handle(self, event: Event) -> Mapping[str, Any]:
        """Take an event; see `ListeningService`."""
        if isinstance(event, LevelSet) and event.gain_db > self._facts.most_gain_db:
            raise BlindtestError(
                Fault(
                    problem="louder than this chain may be played",
                    key="gain_db",
                    got=event.gain_db,
                    allowed=f"up to {self._facts.most_gain_db:g} dB",
                    remedy="set a lower level",
                )
            )
        with self._lock:
            self._stumbled(event)
            self._take(event)
            return self._shown()

    @contextmanager
    def storing(self, event: Event) -> Iterator[Storing | None]:
        """Hand an answer in without a thread that waits for it: for many sittings in one program.

        Who is given one waits until it is durable and leaves; only then does it count, and only then does anything
        else happen in this sitting. Given is None where the event goes the way of `handle`: it is no new answer, the
        last one (with which the sitting ends), or somebody is at the sitting now.

        Raises
        ------
        OutOfTurn, NotStored
            See `ListeningService.handle`.
        """
        new = self._begun_storing(event)
        if new is None:
            yield None
            return
        try:
            try:
                storing = Storing(durable=self._record.answered_later(new.answers[-1]))
                yield storing
            except Exception as error:
                raise self._not_stored(event, new, error) from error
            except BaseException:
                # Nobody waits any more, and it may be stored all the same: sent again, it is this answer.
                self._unstored = new
                raise
            self._became(new)
            storing.view = self._shown()
        finally:
            self._lock.release()

    def _begun_storing(self, event: Event) -> Sitting | None:
        """Return the sitting after an answer, and keep it from everybody else; None if it goes another way."""
        if not isinstance(event, Confirmed | Left) or self._desk is not None or not self._lock.acquire(blocking=False):
            return None
        new = None
        try:
            new = self._following(event)
            if new.over or new.answers == self._sitting.answers:
                new = None
            return new
        finally:
            if new is None:
                self._lock.release()

    def is_quick(self, event: Event) -> bool:
        """Return whether an event is taken without waiting: nothing of it is stored, and nobody else is at it."""
        return isinstance(event, _QUICK) and self._desk is None and not self._lock.locked()

    def _take(self, event: Event) -> None:
        new = self._following(event)
        try:
            self._keep(event, new)
        except Exception as error:
            raise self._not_stored(event, new, error) from error
        self._became(new)

    def _not_stored(self, event: Event, new: Sitting, error: Exception) -> NotStored:
        """Return what is told where an event could not be made durable; an answer is remembered as it was."""
        self._unstored = new if isinstance(event, Confirmed | Left) else None
        return NotStored(error.faults[0] if isinstance(error, BlindtestError) else Fault(problem=f"{error}"))

    def _became(self, new: Sitting) -> None:
        """Let what is durable count."""
        self._unstored = None
        moved = (new.step, new.trial, new.attempt) != (
            self._sitting.step,
            self._sitting.trial,
            self._sitting.attempt,
        )
        self._sitting = new
        if not self._player.makes_ahead:
            # Whoever asks for a sound of the trial first has them got ready: nobody waits for that here.
            self._unready = self._unready or moved
        elif moved or self._unready:
            self._arrive()

    def _stumbled(self, event: Event) -> None:
        """Flag the trial in hand and offer it again, before `event`, where the sound device has had an underrun."""
        if self._desk is None or not self._desk.stumbled():
            return
        now = self._sitting
        if now.step == "trial" and now.heard and not isinstance(event, Faulted | Abandoned):
            self._take(Faulted(trial=now.trial, attempt=now.attempt, kind="dropout", at=event.at))

    def spoken(self, language: str) -> None:
        """Put the language of the page on record, once; the answer is stored already, so no fault of this is told."""
        if language in self._spoken:
            return
        self._spoken.add(language)
        try:
            self._record.spoken(language)
        except Exception as error:
            _log.error("the language of the page could not be stored: %s", error)

    def speaks(self, language: str) -> bool:
        """Return whether the language was put on record since this was begun."""
        return language in self._spoken

    def sound(self, token: str) -> bytes | None:
        """Return the WAV under `token`, or None. All were made beforehand, or none: the time taken tells nothing."""
        if not isinstance(self._player, BrowserPlayer):
            return None
        if self._unready:
            with self._lock:
                if self._unready:
                    self._arrive()
        try:
            return self._player.wav(token)
        except BlindtestError:
            return None

    def place(self, token: str) -> str | None:
        """Return where a web server finds the file under `token`, below the folder of sounds; None where none lies."""
        return self._player.place(token) if isinstance(self._player, LaidPlayer) else None

    def close(self) -> None:
        """Remove what was laid down for a web server."""
        if isinstance(self._player, LaidPlayer):
            self._player.close()

    def connection(self, token: str) -> Mapping[str, bool] | None:
        """Return None: nobody connects anything here; see `AssistedService`."""
        return None

    def order(self, order: PlayerOrder) -> Mapping[str, Any] | None:
        """Hand an order to the sound device; see `ListeningService`."""
        if self._desk is None:
            return None
        with self._lock:
            return self._desk.take(order, self._sitting)

    def _following(self, event: Event) -> Sitting:
        """Return the sitting after `event`; an answer that could not be stored keeps its time when sent again.

        Else a write that was reported as failed but had reached the disk would meet another answer to the same trial.
        """
        new = after(self._sitting, event)
        if self._unstored is None or not isinstance(event, Confirmed | Left):
            return new
        kept = self._unstored.answers[-1]
        sent = new.answers[-1] if new.answers else None
        if sent is None or (sent.trial, sent.attempt, set(sent.values)) != (kept.trial, kept.attempt, set(kept.values)):
            return new
        # What is measured goes on; what the listener said, and how they left, is the same or not.
        said = (*self._sitting.question(kept.trial).keys, "ended")
        same = all(sent.values.get(key) == kept.values.get(key) for key in said)
        return self._unstored if same else new

    def _keep(self, event: Event, new: Sitting) -> None:
        if new.answers != self._sitting.answers:
            self._record.answered(new.answers[-1])
        elif isinstance(event, _LASTING):
            self._record.happened(event)
        if new.over:
            self._record.ended(new, event.at)

    def _shown(self) -> Mapping[str, Any]:
        if self._sitting.over:
            self.over.set()
        return plain_view_of(self._sitting)

    def _arrived(self) -> None:
        self._player.prepare(self._sound(offer) for offer in offers(self._sitting))

    def _arrive(self) -> None:
        """Make the sounds ready; a stimulus that can't be read is tried again when next asked for.

        What was stored before is stored, so the event is acknowledged. Only the organiser is told, and not which file:
        that would tell what is in the trial.
        """
        try:
            self._arrived()
        except BlindtestError as error:
            self._unready = True
            for fault in error.faults:
                _log.error("the sounds of a trial are not ready: %s; %s", fault.problem, fault.remedy)
        else:
            self._unready = False

    def _sound(self, offer: Offer) -> Sound:
        plan = self._sitting.plan
        samples = self._level if offer.trial == LEVEL_TRIAL else self._samples
        route = self._routes.get(offer.condition)
        return Sound(
            token=offer.token,
            samples=lambda: _fed(samples(offer.clip, offer.condition), route),
            rate=self._rate(offer.clip),
            dither=lambda count: plan.dither(offer.trial, offer.attempt, offer.slot, count),
            outputs=route.outputs if route else (),
        )


def _fed(samples: Any, route: Route | None) -> Any:
    """Return what a condition's unit is fed: every unit's samples go the same way, trimmed or not."""
    return samples if route is None else trimmed(samples, route.trim_db)
