"""A new sitting: whose turn it is, its plan drawn and sealed before anything can be heard."""

import os
from datetime import datetime, timedelta
from typing import TYPE_CHECKING

from blindtest.design import Draws, First, ScheduledSitting, first_phase, key_seed, make_plan, panel_start, sittings_of
from blindtest.errors import BlindtestError, Fault
from blindtest.render import Rendered
from blindtest.steps.helper import Passphrase, lock_for
from blindtest.steps.place import Clock, Entropy, now
from blindtest.steps.prepared_sitting import FindPlayer, PreparedSitting, forms_of, plan_sitting, prepared
from blindtest.steps.routes import routes_of
from blindtest.steps.sealed_record import names_read
from blindtest.steps.sealing import StudySeal, ensure_sealed
from blindtest.steps.stopping_rules import ruled
from blindtest.study import Study, compared_by_block, tested_clips

if TYPE_CHECKING:
    from blindtest.session.register import SittingEntry
    from blindtest.session.store import Store

__all__ = ["new_sitting"]


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
    until: datetime | None = None,
    sealed: StudySeal | None = None,
    clock: Clock = now,
    entropy: Entropy = os.urandom,
) -> PreparedSitting:
    """Seal a new sitting's plan, store it and return the sitting; commitments exist before anything can be heard.

    rate_hz : of what will play it, where that is known: of two sets of stimuli it gets the one of that rate
    until : the sitting's deadline is no later than this
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
    if until is not None:
        deadline = min(deadline, until)
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
    find_player(sitting, forms_of(chosen.stimuli, sitting), routes_of(study))
    number = store.add_sitting(
        plan.sealed, study_seal=sealed.commitment, listener=listener, created=at, deadline=deadline,
        key=lock.key if lock else None,
    )  # fmt: skip
    return prepared(
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
