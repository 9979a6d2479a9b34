"""Whose sitting is to be held: the open one, gone on with, or a new one, its stimuli rendered if need be."""

import base64
import os
from pathlib import Path
from typing import TYPE_CHECKING

from blindtest.errors import BlindtestError, Fault
from blindtest.steps.beginning import new_sitting
from blindtest.steps.helper import Passphrase, unlock
from blindtest.steps.place import Clock, Entropy, Progress, now, open_store, stimuli_folder
from blindtest.steps.prepared_sitting import FindPlayer, PreparedSitting, resumed_sitting
from blindtest.steps.second_rate import load_both, render_both
from blindtest.steps.sitting_level import level_of_study
from blindtest.steps.stimulus_reading import stimulus_samples
from blindtest.study import load_study, render_job

if TYPE_CHECKING:
    from blindtest.session.register import SittingEntry

__all__ = ["prepare_sitting", "pseudonym_from"]


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
    listener : pseudonym; '' takes the one open sitting that is no panel's, or draws a pseudonym
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
        # Where nobody is named, those of a panel are left to its listeners, who go on by links of their own.
        own = still if listener else [one for one in still if looking.panel.panelist(one.listener) is None]
    entry = _open_entry(own, listener)
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
            # Held before it is sealed: where a panel is served, none stays open in its register that nobody holds.
            number = store.next_number()
            store.hold(number)
            prepared = new_sitting(
                study, rendered, store, listener=listener or pseudonym_from(entropy), again=again,
                same_day=same_day, find_player=find_player, passphrase=passphrase, clock=clock, entropy=entropy,
            )  # fmt: skip
            if prepared.entry.number != number:
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
