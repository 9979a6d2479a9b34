"""A readers' panel: one study, many listeners, each with a link, a consent, a pseudonym and sittings of their own.

What leaves for a page is a *state* (`whereabouts`): the step that the listener is at, and what that step shows. Before
consent nothing is stored. Names, if the organiser needs them, stand in a file of theirs beside the links; no command
reads it.
"""

import os
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from pathlib import Path
from threading import Lock
from typing import TYPE_CHECKING, Any

from blindtest.errors import BlindtestError, Fault
from blindtest.render import Rendered
from blindtest.session.panel_devices import kept_as
from blindtest.session.panelist import PanelCounts, token_hash
from blindtest.steps.attendance import elsewhere_words
from blindtest.steps.beginning import new_sitting
from blindtest.steps.keeping import keeping_ends, panel_reminder_of
from blindtest.steps.panel.admission import (
    CLOSED,
    Admission,
    Admitted,
    drawn_token,
    is_closed,
    panel_of_study,
    refused,
)
from blindtest.steps.panel.end import OpenedNonces, open_nonces
from blindtest.steps.panel.level import LevelSounds
from blindtest.steps.panel.standing import PanelStanding, panel_standing
from blindtest.steps.panel.steps import step_named
from blindtest.steps.panel.whereabouts import State, Whereabouts
from blindtest.steps.place import Clock, Entropy, Progress, now, open_store, stimuli_folder
from blindtest.steps.prepared_sitting import PreparedSitting, resumed_sitting
from blindtest.steps.sealing import StudySeal, ensure_sealed
from blindtest.steps.second_rate import load_both, render_both
from blindtest.study import Study, load_study, render_job
from blindtest.words import worded

if TYPE_CHECKING:
    from blindtest.session.store import Store

__all__ = ["OpenPanel", "Opened", "open_panel"]

_MOVED = "moved"
"""What is kept where a sitting went on in another browser: its number, and how often its level had been set by then. As
long as that is so the level is to be set anew."""
_EVERY = timedelta(seconds=20)
"""How often sittings are looked for whose deadline has passed."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Opened:
    """What opening a link leads to."""

    state: State
    session: str | None = None
    """What the browser holds from now on; None: nothing, or what it holds already."""


def open_panel(
    folder: Path,
    *,
    clock: Clock = now,
    entropy: Entropy = os.urandom,
    progress: Progress = lambda done, total, what: None,
) -> "OpenPanel":
    """Return the panel of the study in `folder`, ready to be served: rendered, sealed, and held against other programs.

    Raises
    ------
    BlindtestError
        The study can't be used or has no panel, or another program serves it.
    """
    study = load_study(folder)
    panel_of_study(study)
    job = render_job(study)
    store = open_store(study, entropy=entropy)
    try:
        store.hold_panel()
        store.abandon_overdue(clock())
        still = any(entry.state == "open" for entry in store.sittings())
        try:
            rendered = load_both(study, job, stimuli_folder(study))
        except BlindtestError:
            if still:
                raise
            rendered = render_both(study, job, stimuli_folder(study), progress=progress)
        sealed = ensure_sealed(study, rendered, store, at=clock(), entropy=entropy)
        return OpenPanel(study=study, store=store, rendered=rendered, sealed=sealed, clock=clock, entropy=entropy)
    except BaseException:
        store.close()
        raise


class OpenPanel:
    """A panel while it is served; a context manager. Methods block and may be called from any thread."""

    def __init__(
        self,
        *,
        study: Study,
        store: "Store",
        rendered: Rendered,
        sealed: StudySeal,
        clock: Clock,
        entropy: Entropy,
    ) -> None:
        self.study = study
        self.panel = panel_of_study(study)
        self.sealed = sealed
        self.clock = clock
        self.entropy = entropy
        self._store = store
        self._rendered = rendered
        self._admission = Admission(study, store, clock=clock, entropy=entropy)
        self._where = Whereabouts(
            study, store, rendered=rendered, admission=self._admission, commitment=sealed.commitment, clock=clock
        )
        # Two plans drawn at once would be given one number.
        self._making = Lock()
        self._looked: datetime | None = None
        self._levels: dict[int, LevelSounds] = {}

    def __enter__(self) -> "OpenPanel":
        return self

    def __exit__(self, *raised: object) -> None:
        try:
            self._store.clean()
        finally:
            self._store.close()

    # What the organiser sees.

    def _end_overdue(self) -> None:
        """End sittings whose deadline has passed, as abandoned; looked for now and then, since it is a write."""
        at = self.clock()
        if self._looked is None or at - self._looked >= _EVERY:
            self._store.abandon_overdue(at)
            self._looked = at

    def remembered(self, key: str) -> Any:
        """Return what an earlier run remembered."""
        return self._store.remembered(key)

    def remember(self, key: str, value: object) -> None:
        """Remember it for the next run."""
        self._store.remember(key, value)

    @property
    def elsewhere(self) -> str:
        """That sittings stand under other study seals, in words; '' where none does."""
        own = self.sealed.commitment
        return elsewhere_words(sum(entry.study_seal != own for entry in self._store.sittings()))

    def counts(self) -> PanelCounts:
        """Return how the panel stands, in numbers only."""
        self._end_overdue()
        return self._store.panel.counts()

    def standing(self) -> PanelStanding:
        """Return how the panel stands, without any result; see `standing`."""
        self._end_overdue()
        return panel_standing(self.study, self._store, closed=self.closed, at=self.clock())

    def public_token(self) -> str | None:
        """Return the token of the public link, the same in every run; None where there is none."""
        return self._admission.public_token()

    @property
    def closed(self) -> bool:
        """Whether nobody can begin any more: the last day has passed, that of `keep_until` too, or the organiser closed
        it."""
        return is_closed(self._store, self.study, self.clock())

    def reminder(self) -> str:
        """Return what is to be said where the day has passed until which answers may be kept; '' before."""
        return panel_reminder_of(self.study, self._store, self.clock())

    def ended(self) -> OpenedNonces | None:
        """Open the nonces if the panel has ended as it is stopped: nobody can begin any more, and none is listening."""
        self._store.abandon_overdue(self.clock())
        if not self.closed:
            return None
        return open_nonces(self._store, for_good=self._store.remembered(CLOSED) is not None, at=self.clock())

    # What listeners do.

    def opened(self, token: str, session: str) -> Opened:
        """Return what a link leads to, opened in a browser that holds `session` ('' for nothing); stores nothing new.

        Where its listener is on record, this browser goes on from now on, and the one before is told so.
        """
        known = self.listener_of(session)
        if not token:
            # A browser that holds what was once given: somebody went on elsewhere, or withdrew.
            return Opened(state=self.state(known) if known else refused("elsewhere" if session else "no link"))
        link = self._store.panel.link(token_hash(token))
        if link is None:
            return Opened(state=refused("unknown"))
        if link.withdrawn:
            return Opened(state=refused("withdrawn"))
        if link.listener is not None:
            if link.listener == known:
                return Opened(state=self.state(known))
            fresh = drawn_token(self.entropy)
            self._store.panel.take_over(link.listener, token_hash(fresh), seed=self.entropy(32), at=self.clock())
            self._moved(link.listener)
            return Opened(state=self.state(link.listener), session=fresh)
        if link.kind == "public" and known:
            return Opened(state=self.state(known))
        if self.closed or (link.kind == "public" and not self.panel.public):
            return Opened(state=refused(self._where.why_closed()))
        return Opened(state=self._where.invitation(public=link.kind == "public"))

    def agreed(self, token: str, text_sha256: str, session: str = "", browser: str = "") -> Admitted | State:
        """Put a listener on record who agrees to the consent text of this hash; a state where that can't be.

        session, browser : what the browser holds, and what it drew before it sent this; see `Admission.agreed`

        Raises
        ------
        BlindtestError
            It is another text than the one that is shown now.
        """
        known = self.listener_of(session)
        came = self._admission.agreed(token, text_sha256, known=known, browser=browser, closed=self.closed)
        return self.state(came) if isinstance(came, str) else came

    def listener_of(self, session: str) -> str | None:
        """Return whose session it is."""
        return self._store.panel.listener_of(token_hash(session)) if session else None

    def listeners_of(self, sessions: Sequence[str]) -> dict[str, str]:
        """Return whose sessions these are; those that are nobody's are left out."""
        hashes = {token_hash(session): session for session in sessions}
        return {hashes[one]: of for one, of in self._store.panel.listeners_of(tuple(hashes)).items()}

    def goes_on(self, listener: str) -> bool:
        """Return whether a listener has a sitting that is open on record: it may have ended there meanwhile, by its
        deadline or since its listener was forgotten by command."""
        return any(own.state == "open" for own in self._store.panel.sittings_of(listener))

    def state(self, listener: str) -> State:
        """Return where a listener is."""
        self._end_overdue()
        return self._where.state(listener)

    def take(self, listener: str, step: str, sent: Mapping[str, Any]) -> State:
        """Keep what a listener did in a step before the sitting and return where they are now.

        Raises
        ------
        BlindtestError
            It is not what the step asks for, or there is no such step.
        """
        one, found = self._store.panel.panelist(listener), step_named(step)
        if one is None:
            return refused("unknown")
        if found is None:
            raise BlindtestError(Fault(problem=worded("there is no such step")))
        # Sent twice, or from a page that was left open: what was kept stays. Nothing is asked of those who can begin
        # no more, so nothing is kept either.
        waits = not self.closed or self.goes_on(listener)
        if waits and found.due(self.study, one):
            name = kept_as(step, one.device) if found.each_device else step
            self._store.panel.keep(listener, name, found.taken(self.study, one, sent), at=self.clock())
        return self.state(listener)

    def step_sound(self, listener: str, token: str) -> bytes | None:
        """Return the WAV that a step before the sitting plays under `token`, or None."""
        one = self._store.panel.panelist(listener)
        self._end_overdue()
        due = None if one is None else self._where.due(one)
        return None if one is None or due is None else due.sound(self.study, one, token)

    def sitting(self, listener: str) -> PreparedSitting | None:
        """Return a listener's open sitting as it stands on record, else the one finished last; None without either, and
        as long as something is to be found out of the device on which it shall go on.

        A page whose last answer was stored and not acknowledged is told so by a sitting that is finished.
        """
        return self._sitting(listener, "open") or self._sitting(listener, "finished")

    def _sitting(self, listener: str, state: str) -> PreparedSitting | None:
        self._end_overdue()
        numbers = [own.number for own in self._store.panel.sittings_of(listener) if own.state == state]
        if not numbers:
            return None
        one = self._store.panel.panelist(listener)
        if state == "open" and one is not None and self._where.due(one) is not None:
            return None
        self._store.refuse_held(numbers[-1])
        entry = self._store.sitting(numbers[-1])
        prepared = resumed_sitting(
            self.study, self._rendered, self._store, entry, clock=self.clock, entropy=self.entropy
        )
        sitting = prepared.sitting
        moved = one.kept.get(_MOVED) if one else None
        if moved == self._levels_set(entry.number) and not sitting.over and sitting.has_level:
            prepared.sitting = replace(sitting, step="ready", gain_db=None)
        return prepared

    def _moved(self, listener: str) -> None:
        """Put on record that another browser goes on: what plays there is as loud as nobody knows."""
        still = [own.number for own in self._store.panel.sittings_of(listener) if own.state == "open"]
        if still:
            self._store.panel.keep(listener, _MOVED, self._levels_set(still[-1]), at=self.clock())

    def _levels_set(self, sitting: int) -> dict[str, int]:
        levels = sum(event.get("event") == "level_set" for event in self._store.events(sitting))
        return {"sitting": sitting, "levels": levels}

    def begin(self, listener: str) -> PreparedSitting | None:
        """Return a listener's open sitting, a new one with its plan sealed where none is; None where none is due.

        Raises
        ------
        BlindtestError
            The next sitting is for another day.
        """
        with self._making:
            if (begun := self._sitting(listener, "open")) is not None:
                return begun
            if self.state(listener)["step"] != "sitting":
                return None
            one = self._store.panel.panelist(listener)
            prepared = new_sitting(
                self.study, self._rendered, self._store, listener=listener, clock=self.clock, entropy=self.entropy,
                rate_hz=one.on("output").get("rate_hz") if one else None, until=keeping_ends(self.study),
                sealed=self.sealed,
            )  # fmt: skip
            if self._store.panel.panelist(listener) is None:
                # Withdrawn, here or by another program, while the plan was drawn: the sitting came after the erasure.
                self._store.forget(listener, at=self.clock(), clean=False)
                return None
            return prepared

    def level_sounds(self, prepared: PreparedSitting) -> Callable[[str, str], Any]:
        """Return what a sitting's level is set by."""
        rate = int(prepared.sitting.plan.record.get("rate_hz", 0))
        if rate not in self._levels:
            self._levels[rate] = LevelSounds(prepared.samples, prepared.rate)
        return self._levels[rate]

    def withdraw(self, listener: str) -> None:
        """Erase all that a listener agreed to, said and answered; the record stays verifiable."""
        self._store.forget(listener, at=self.clock(), clean=False)
