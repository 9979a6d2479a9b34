"""A sitting, from the sealed plan to its end: what the listener's page is given, and what is kept."""

import base64
import os
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING, Any, Literal, Self

import numpy as np
from numpy.typing import NDArray

from blindtest.audio import wav_samples
from blindtest.design import (
    Draws,
    First,
    Plan,
    ScheduledSitting,
    first_phase,
    key_seed,
    make_plan,
    panel_start,
    plan_from_record,
    sittings_of,
)
from blindtest.errors import BlindtestError, Fault
from blindtest.render import Rendered, Stimulus
from blindtest.session import (
    Answer,
    Event,
    Route,
    Sitting,
    event_from_dict,
    event_to_dict,
    restored,
    rows_of,
)
from blindtest.steps.helper import Passphrase, lock_for, unlock
from blindtest.steps.keeping import reminder_of
from blindtest.steps.place import Clock, Entropy, Progress, now, open_store, stimuli_folder
from blindtest.steps.playback import PlaybackRecord
from blindtest.steps.routes import routes_of
from blindtest.steps.sealing import StudySeal, ensure_sealed, names_read
from blindtest.steps.second_rate import load_both, render_both, sealed_stimuli
from blindtest.steps.sitting_level import level_of_study
from blindtest.steps.stopping_rules import ruled
from blindtest.study import PlayingLevel, Study, compared_by_block, load_study, render_job, tested_clips

if TYPE_CHECKING:
    from blindtest.session.register import SittingEntry
    from blindtest.session.store import Store

__all__ = [
    "Ended",
    "FindPlayer",
    "Forms",
    "PreparedSitting",
    "abandon",
    "new_sitting",
    "plan_sitting",
    "prepare_sitting",
    "pseudonym_from",
    "resumed_sitting",
    "stimulus_samples",
    "study_id",
]

STUDY_ID_LENGTH = 16
Forms = set[tuple[int, int]]
"""(rate in Hz, channels) of what may sound in a sitting."""
FindPlayer = Callable[[Sitting, Forms, Mapping[str, Route]], object]
"""Called with a sitting before it is sealed; raises where nothing can play it, and then nothing is sealed."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Ended:
    """How a sitting stands when the page's server has stopped."""

    number: int
    state: str
    answered: int
    planned: int
    listener: str
    commitment: str
    head: str
    nonce: str | None
    """Opened only once the sitting is over."""
    folder: Path
    by_rule: bool = False
    """Whether its stopping rule ended it before the last trial."""
    locked: bool = False
    """Over, but its plan lies under a helper's passphrase that was not given: neither plan nor answers can be read."""
    end: str | None = None
    """What holds how it ended, `design.end_hash`; None while it is open."""

    def to_dict(self) -> dict[str, Any]:
        """Return what JSON can hold."""
        return {**{name: getattr(self, name) for name in self.__dataclass_fields__}, "folder": str(self.folder)}

    def text(self) -> str:
        """Return it in words: the head of the chain first, then the nonce."""
        of = f"{'at most ' if self.by_rule else ''}{self.planned}"
        lines = [f"Sitting {self.number} of {self.listener}: {self.state}, {self.answered} of {of} answered."]
        if self.by_rule:
            lines[0] += " Its sealed stopping rule ended it there."
        if self.state == "open":
            lines.append(
                f"All answers are stored. Go on with: blindtest listen {self.folder} --listener {self.listener}"
            )
            return "\n".join(lines)
        if self.locked:
            return (
                f"Sitting {self.number} of {self.listener}: {self.state}. Plan and answers lie under the helper's "
                "passphrase and stay there: all its trials count as unanswered. With the passphrase they can still be "
                f"opened: blindtest abandon {self.folder} --sitting {self.number} --helper"
            )
        lines += [
            f"Publish first: last hash of the answers  {self.head}",
            f"               and of how it ended       {self.end}",
            f"Then:          nonce of the plan         {self.nonce}",
            f"The statistics: blindtest analyze {self.folder}",
        ]
        return "\n".join(lines)


class PreparedSitting:
    """A sealed sitting with everything the page needs; keeps answers in the store. A context manager."""

    def __init__(
        self,
        *,
        study: Study,
        store: "Store",
        entry: "SittingEntry",
        sitting: Sitting,
        study_seal: StudySeal,
        stimuli: dict[tuple[str, str], Stimulus],
        resumed: bool,
        clock: Clock,
        entropy: Entropy,
    ) -> None:
        self.study = study
        self.sitting = sitting
        self.entry = entry
        self.study_seal = study_seal
        self.resumed = resumed
        self.clock = clock
        self.entropy = entropy
        self.level: PlayingLevel | None = None
        """How loud it plays, where the chain is known; the page's volume goes no higher than it says."""
        self._store = store
        self._stimuli = stimuli

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._store.close()

    @property
    def under_helper(self) -> bool:
        """Whether the plan lies under a helper's passphrase."""
        return "helper" in self.sitting.plan.record

    def announcement(self) -> str:
        """Return what is printed before the first trial: the commitments, to publish elsewhere."""
        verb = "Going on with" if self.resumed else "Sealed"
        reminder = reminder_of(self.study, self._store.sittings(), self.clock())
        return (
            f"{verb} sitting {self.entry.number} of {self.entry.listener}.\n"
            f"Study seal      {self.study_seal.commitment}\n"
            f"Sitting's plan  {self.entry.commitment}\n"
            "Publish both where others see them before you go on, if the result shall convince anybody else."
            + ("\nThe plan lies under the helper's passphrase until the sitting is over." if self.under_helper else "")
            + (f"\n{reminder}" if reminder else "")
        )

    # What the page's service calls; see blindtest.web.

    def answered(self, answer: Answer) -> None:
        """Keep an answer; durable when this returns."""
        self._store.append(self.entry.number, rows_of(answer))

    def happened(self, event: Event) -> None:
        """Keep an event that the sitting is restored from."""
        self._store.add_event(self.entry.number, event_to_dict(event))

    def ended(self, sitting: Sitting, at: datetime) -> None:
        """Keep that the sitting is finished or abandoned."""
        state: Literal["finished", "abandoned"] = "finished" if sitting.step == "finished" else "abandoned"
        self._store.set_state(self.entry.number, state, at=at, reason=sitting.reason)

    def samples(self, clip: str, condition: str) -> NDArray[np.int32]:
        """Return the stored 24-bit samples (n, channels) of a stimulus."""
        return stimulus_samples(self._stimuli[clip, condition])

    def rate(self, clip: str) -> int:
        """Return the sample rate of a clip's stimuli in Hz."""
        return next(s.rate for (name, _), s in self._stimuli.items() if name == clip)

    def forms(self) -> Forms:
        """Return (rate in Hz, channels) of all stimuli of this sitting's clips."""
        return _forms(self._stimuli.values(), self.sitting)

    def routes(self) -> dict[str, Route]:
        """Return through which outputs each condition's real unit is fed, and its trim; {} where all is rendered."""
        return routes_of(self.study)

    def consent(self) -> str:
        """Return the text that is shown before the first question; empty where there is none."""
        name = self.study.listeners.consent
        return (self.study.folder / name).read_text(encoding="utf-8") if name else ""

    @property
    def language(self) -> str:
        """The language that the study file names for the pages; '' where it names none."""
        return self.study.listeners.language

    def spoken(self, language: str) -> None:
        """Keep that an answer was given to a page in this language."""
        self.playback().spoken(language)

    def playback(self) -> PlaybackRecord:
        """Return where it is noted what plays."""
        operated = self.study.hardware is not None and self.study.hardware.route == "operator"
        return PlaybackRecord(self._store, self.entry.number, sounds=self.sitting.has_level and not operated)

    def remembered(self, key: str) -> Any:
        """Return what an earlier run remembered for this study: its port, the secret of its cookie."""
        return self._store.remembered(key)

    def remember(self, key: str, value: object) -> None:
        """Remember it for the next run."""
        self._store.remember(key, value)

    def result(self) -> Ended:
        """Return how the sitting stands now; opens its nonce if it is over."""
        entry = self._store.sitting(self.entry.number)
        return _ended(self._store, entry, self.study, self.clock)


def _forms(stimuli: Iterable[Stimulus], sitting: Sitting) -> Forms:
    return {(s.rate, s.channels) for s in stimuli if s.clip in sitting.plan.clips}


def stimulus_samples(stimulus: Stimulus) -> NDArray[np.int32]:
    """Read a stimulus anew for every slot it sounds in.

    Kept in memory, one that comes twice in a trial would be ready sooner than two that differ, and the time until the
    trial is there would tell so.
    """
    import hashlib

    try:
        data = _read_untouched(stimulus.path)
    except OSError as error:
        raise BlindtestError(
            Fault(problem=f"a stimulus can't be read: {error.strerror}", file=str(stimulus.path), remedy=_AGAIN)
        ) from error
    if hashlib.sha256(data).hexdigest() != stimulus.sha256:
        raise BlindtestError(
            Fault(problem="a stimulus is not the one that was sealed", file=str(stimulus.path), remedy=_AGAIN)
        )
    return wav_samples(data)[0]


def _read_untouched(path: Path) -> bytes:
    """Return a file's bytes and leave its time of access as it was, where the system can: it tells what sounded."""
    plain = os.O_RDONLY | getattr(os, "O_BINARY", 0)
    try:
        handle = os.open(path, plain | getattr(os, "O_NOATIME", 0))
    except PermissionError:
        # Only its owner may leave no trace.
        handle = os.open(path, plain)
    with os.fdopen(handle, "rb") as file:
        return file.read()


_AGAIN = "run blindtest render: it makes the same files again, byte for byte"


def pseudonym_from(entropy: Entropy) -> str:
    """Return a pseudonym drawn at random, easy to write down: L- and five letters or digits."""
    return "L-" + base64.b32encode(entropy(4)).decode()[:5].lower()


def prepare_sitting(
    folder: Path,
    *,
    listener: str = "",
    again: bool = False,
    same_day: str = "",
    find_player: FindPlayer = lambda sitting, forms, routes: None,
    passphrase: Passphrase | None = None,
    clock: Clock = now,
    entropy: Entropy = os.urandom,
    progress: Progress = lambda done, total, what: None,
) -> PreparedSitting:
    """Return the sitting to go on with, or a new one with its plan sealed; stimuli are rendered if need be.

    Parameters
    ----------
    listener : pseudonym; '' takes the one open sitting, or draws a pseudonym
    again : allow one more sitting of a listener than planned; it is reported, never counted
    same_day : why a second sitting of a phase may be on the day of the first; goes on record
    find_player : finds what plays the sitting before it is sealed; see `FindPlayer`
    passphrase : asks the helper, under whose passphrase the plan lies; None where there is none

    Raises
    ------
    BlindtestError
        The study can't be used, this listener has had all planned sittings, or another program has the sitting open.
    """
    study = load_study(folder)
    job = render_job(study)
    with open_store(study, entropy=entropy) as looking:
        looking.abandon_overdue(clock())
        still = [entry for entry in looking.sittings() if entry.state == "open"]
    entry = _open_entry(still, listener)
    try:
        rendered = load_both(study, job, stimuli_folder(study))
    except BlindtestError:
        if still:
            raise
        rendered = render_both(study, job, stimuli_folder(study), progress=progress)
    # Before anything is sealed: a chain that is too loud is turned down first.
    level = level_of_study(study, job, rendered, stimulus_samples)
    store = open_store(study, entropy=entropy)
    try:
        if entry is None:
            prepared = new_sitting(
                study, rendered, store, listener=listener or pseudonym_from(entropy), again=again,
                same_day=same_day, find_player=find_player, passphrase=passphrase, clock=clock, entropy=entropy,
            )  # fmt: skip
            store.hold(prepared.entry.number)
            prepared.level = level
            return prepared
        # Held before it is read: what another program has answered until then is there.
        store.hold(entry.number)
        unlock(store, entry, passphrase)
        resumed = resumed_sitting(study, rendered, store, store.sitting(entry.number), clock=clock, entropy=entropy)
        find_player(resumed.sitting, resumed.forms(), resumed.routes())
        resumed.level = level
        return resumed
    except BaseException:
        store.close()
        raise


def _open_entry(still: "list[SittingEntry]", listener: str) -> "SittingEntry | None":
    if listener:
        return next((entry for entry in still if entry.listener == listener), None)
    if len(still) > 1:
        names = ", ".join(entry.listener for entry in still)
        raise BlindtestError(
            Fault(problem="several sittings are open", key="--listener", got="", allowed=names, remedy="say whose")
        )
    return still[0] if still else None


def new_sitting(
    study: Study,
    rendered: Rendered,
    store: "Store",
    *,
    listener: str,
    again: bool = False,
    same_day: str = "",
    find_player: FindPlayer = lambda sitting, forms, routes: None,
    passphrase: Passphrase | None = None,
    rate_hz: float | None = None,
    sealed: StudySeal | None = None,
    clock: Clock = now,
    entropy: Entropy = os.urandom,
) -> PreparedSitting:
    """Seal a new sitting's plan, store it and return the sitting; commitments exist before anything can be heard.

    rate_hz : of what will play it, where that is known: of two sets of stimuli it gets the one of that rate
    sealed : the study's seal, where the caller has made sure of it; else it is looked for, or made
    """
    at = clock()
    sealed = sealed or ensure_sealed(study, rendered, store, at=at, entropy=entropy)
    place = _place(store, sealed, listener)
    series = _series(study, store, sealed, place)
    own = [one for one in store.sittings_of(listener) if one.study_seal == sealed.commitment]
    had = [one for one in own if not one.beyond_plan]
    beyond = len(had) >= len(series)
    if beyond and not again:
        planned = "the one sitting that was" if len(series) == 1 else f"all {len(series)} sittings that were"
        raise BlindtestError(
            Fault(
                problem=f"{listener} has had {planned} planned",
                key="--listener",
                remedy="one more could be picked from; with --again it is made and reported, never counted",
            )
        )
    scheduled = series[-1 if beyond else len(had)]
    _another_day(store, had, scheduled, at, same_day)
    deadline = at + timedelta(days=scheduled.protocol.deadline_days)
    compared = compared_by_block(study)
    present = {block.id: compared[block.id] for block in scheduled.protocol.blocks}
    lock = lock_for(passphrase, entropy)
    chosen = rendered.at(rate_hz)
    plan = make_plan(
        study_seal=sealed.commitment,
        sitting=store.next_number(),
        protocol=ruled(scheduled.protocol),
        conditions=tuple(dict.fromkeys(one for ids in present.values() for one in ids)),
        clips=tested_clips(study),
        nonce=entropy(32),
        deadline=deadline.isoformat(timespec="seconds"),
        beyond_plan=beyond,
        scheduled=scheduled,
        compared=present,
        labels=names_read(study),
        helper=lock.record if lock else None,
        starts={
            block.id: panel_start(_panel_draws(store, sealed), block.id, place, len(ids))
            for block in scheduled.protocol.blocks
            if block.sequence and (ids := present[block.id])
        },
        rate_hz=next(iter(chosen.rates.values())) if rendered.second else None,
    )
    sitting = plan_sitting(plan, listener)
    find_player(sitting, _forms(chosen.stimuli, sitting), routes_of(study))
    number = store.add_sitting(
        plan.sealed, study_seal=sealed.commitment, listener=listener, created=at, deadline=deadline,
        key=lock.key if lock else None,
    )  # fmt: skip
    return _prepared(
        study, rendered, store, store.sitting(number), sitting, sealed, resumed=False,
        clock=clock, entropy=entropy,
    )  # fmt: skip


def _place(store: "Store", sealed: StudySeal, listener: str) -> int:
    """Return a listener's place in the panel under a seal, 0-based: that of their first sitting.

    Pseudonyms can be erased, and must not move others when they are.
    """
    firsts = store.first_listeners(sealed.commitment)
    return firsts.index(listener) if listener in firsts else len(firsts)


def _panel_draws(store: "Store", sealed: StudySeal) -> Draws:
    """Return what is drawn for a panel: from the study seal's nonce, which nobody who listens knows."""
    return Draws(key_seed(store.sealed(sealed.commitment).nonce))


def _series(study: Study, store: "Store", sealed: StudySeal, place: int) -> tuple[ScheduledSitting, ...]:
    """Return the sittings of a listener at a place, in order; the first phase is drawn from the study seal's nonce."""
    draws = _panel_draws(store, sealed)
    orders: tuple[First, First] = ("blind", "labelled")
    first, second = draws.shuffled(f"phase order/{place // 2}", orders)
    return sittings_of(study.protocol, first=first_phase(study.protocol, place, (first, second)))


def _another_day(
    store: "Store", had: "list[SittingEntry]", scheduled: ScheduledSitting, at: datetime, same_day: str
) -> None:
    """Refuse a second sitting of a phase on the day of the first, unless there is a reason, which goes on record."""
    if scheduled.run == 0:
        return
    for entry in had:
        held = store.record(entry.commitment).get("scheduled") or {}
        if held.get("phase") != scheduled.phase or entry.created.astimezone().date() != at.astimezone().date():
            continue
        if same_day:
            store.add_override(
                f"sitting {store.next_number()}, {scheduled.name}, on the day of sitting {entry.number}",
                reason=same_day,
                at=at,
            )
            return
        raise BlindtestError(
            Fault(
                problem=f"the next sitting is {scheduled.name}, and it is to be on another day than sitting "
                f"{entry.number}",
                key="--same-day",
                remedy="come back tomorrow; with --same-day REASON it is held today and the report says so",
            )
        )


def plan_sitting(plan: Plan, listener: str) -> Sitting:
    """Return the sitting of a plan before its first step."""
    return restored(plan, (), study=study_id(plan.record), listener=listener)


def study_id(record: Mapping[str, Any]) -> str:
    """Return the name of a study in the trial table: the beginning of its seal, which names nothing."""
    return str(record["study_seal"])[:STUDY_ID_LENGTH]


def resumed_sitting(
    study: Study, rendered: Rendered, store: "Store", entry: "SittingEntry", *, clock: Clock, entropy: Entropy
) -> PreparedSitting:
    """Return an open sitting as it stands on record."""
    opened = store.sealed(entry.commitment)
    plan = plan_from_record(
        opened.record, opened.nonce, expected=entry.commitment, public=store.public(entry.commitment)
    )
    sitting = restored(
        plan,
        store.rows(entry.number),
        study=study_id(plan.record),
        listener=entry.listener,
        events=[event_from_dict(held) for held in store.events(entry.number)],
    )
    if sitting.step == "finished":
        store.set_state(entry.number, "finished", at=clock())
    sealed_at = store.sealed_at(entry.study_seal)
    return _prepared(
        study, rendered, store, entry, sitting,
        StudySeal(commitment=entry.study_seal, sealed_at=sealed_at, made_now=False),
        resumed=True, clock=clock, entropy=entropy,
    )  # fmt: skip


def _prepared(
    study: Study,
    rendered: Rendered,
    store: "Store",
    entry: "SittingEntry",
    sitting: Sitting,
    study_seal: StudySeal,
    *,
    resumed: bool,
    clock: Clock,
    entropy: Entropy,
) -> PreparedSitting:
    chosen = rendered.at(sitting.plan.record.get("rate_hz"))
    stimuli = {(s.clip, s.condition): s for s in chosen.stimuli}
    _as_sealed(store, entry, stimuli)
    return PreparedSitting(
        study=study, store=store, entry=entry, sitting=sitting, study_seal=study_seal, stimuli=stimuli,
        resumed=resumed, clock=clock, entropy=entropy,
    )  # fmt: skip


def _as_sealed(store: "Store", entry: "SittingEntry", stimuli: dict[tuple[str, str], Stimulus]) -> None:
    """Refuse to go on with other stimuli than the sealed ones: the study was changed while the sitting was open."""
    sealed = sealed_stimuli(store.sealed(entry.study_seal).record, store.record(entry.commitment).get("rate_hz"))
    for clip, conditions in sealed.items():
        for condition, sha256 in conditions.items():
            there = stimuli.get((clip, condition))
            if there is None or there.sha256 != sha256:
                raise BlindtestError(
                    Fault(
                        problem=f"the study was changed while sitting {entry.number} was open: a stimulus of clip "
                        f"{clip!r} is not the one that was sealed",
                        remedy="undo the change, or end the sitting for good (blindtest abandon)",
                    )
                )


def _controls_in(block: Mapping[str, Any]) -> int:
    return block["trials"] // block["controls"]["every"] if block.get("controls") else 0


def _ended(store: "Store", entry: "SittingEntry", study: Study, clock: Clock) -> Ended:
    nonce = None
    locked = entry.state != "open" and store.locked(entry.commitment)
    if entry.state != "open" and not locked:
        nonce = store.open_seal(entry.commitment, at=clock()).nonce.hex()
    record = store.record(entry.commitment)
    blocks = record["protocol"]["blocks"]
    length = sum(one["trials"] + _controls_in(one) for one in blocks)
    by_rule = entry.state == "finished" and "stopping" in blocks[-1] and entry.links < length
    rows = () if store.locked(entry.commitment) else store.rows(entry.number)
    return Ended(
        number=entry.number,
        state=entry.state,
        answered=len({(row["trial"], row["attempt"]) for row in rows}),
        planned=sum(block["trials"] for block in blocks),
        by_rule=by_rule,
        listener=entry.listener,
        commitment=entry.commitment,
        head=entry.head,
        nonce=nonce,
        folder=study.folder,
        locked=locked,
        end=entry.end,
    )


def abandon(
    folder: Path,
    *,
    sitting: int | None = None,
    reason: str = "",
    passphrase: Passphrase | None = None,
    clock: Clock = now,
) -> Ended:
    """End an unfinished sitting for good; with the helper's passphrase its plan and answers are opened, also later.

    Raises
    ------
    BlindtestError
        No sitting is open, or several are and none was named; or it is open in another program; or it is not the
        passphrase.
    """
    study = load_study(folder)
    with open_store(study, create=False) as store:
        store.abandon_overdue(clock())
        still = [entry for entry in store.sittings() if entry.state == "open"]
        if sitting is None:
            if len(still) != 1:
                numbers = ", ".join(str(entry.number) for entry in still) or "none"
                raise BlindtestError(Fault(problem="say which sitting", key="--sitting", allowed=f"open: {numbers}"))
            sitting = still[0].number
        store.hold(sitting)
        entry = store.sitting(sitting)
        if passphrase is not None:
            unlock(store, entry, passphrase)
        if passphrase is not None and entry.state != "open":
            store.publish_key(entry.commitment)
        else:
            store.set_state(sitting, "abandoned", at=clock(), reason=reason or "by command")
        return _ended(store, store.sitting(sitting), study, clock)
