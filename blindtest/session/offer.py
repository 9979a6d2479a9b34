"""Offers: what sounds under which token now. The player's side of the view; stays on the server."""

from dataclasses import dataclass

from blindtest.session.ladder import rungs
from blindtest.session.sitting import FIRST_ATTEMPT, Sitting

__all__ = [
    "LEVEL_SLOT",
    "LEVEL_TRIAL",
    "Offer",
    "level_token",
    "offers",
    "tokens_of",
    "trial_ahead",
    "trial_shown",
]

LEVEL_SLOT = "level"
LEVEL_TRIAL = -1
"""The programme of the level step has a token and dither of its own, as a slot of a trial before the first."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Offer:
    """A token that the view shows, and what sounds under it. Stays on the server: the player's side of the view."""

    token: str
    trial: int
    """-1: the programme of the level step."""
    attempt: int
    slot: str
    clip: str
    condition: str


def offers(sitting: Sitting) -> tuple[Offer, ...]:
    """Return what may be fetched now: the level programme, the slots of the trial in hand, those of the next trial."""
    found: list[Offer] = []
    # A page at the level asks for its programme also where the server was started again since, and all is 'ready'.
    if sitting.step == "level" or (sitting.step == "ready" and sitting.has_level):
        clip, condition = sitting.plan.level_stimulus()
        found.append(
            Offer(
                token=level_token(sitting),
                trial=LEVEL_TRIAL,
                attempt=FIRST_ATTEMPT,
                slot=LEVEL_SLOT,
                clip=clip,
                condition=condition,
            )
        )
    for trial, attempt in (*trial_shown(sitting), *trial_ahead(sitting)):
        if not sitting.sounds(trial):
            continue
        planned = sitting.planned(trial)
        ladder = rungs(sitting, trial, attempt)
        own = sitting.question(trial).adjusts
        found += [
            Offer(
                token=sitting.plan.token(trial, attempt, slot.name),
                trial=trial,
                attempt=attempt,
                slot=slot.name,
                clip=planned.clip,
                condition=slot.condition,
            )
            for slot in planned.drawn.slots
            if slot.name != own
        ]
        found += [
            Offer(
                token=one.token,
                trial=trial,
                attempt=attempt,
                slot=one.name,
                clip=planned.clip,
                condition=one.condition,
            )
            for one in ladder
        ]
    return tuple(found)


def trial_shown(sitting: Sitting) -> tuple[tuple[int, int], ...]:
    """Return (trial, attempt) of the trial in hand, if one is shown."""
    return ((sitting.trial, sitting.attempt),) if sitting.step in ("trial", "onward", "feedback") else ()


def trial_ahead(sitting: Sitting) -> tuple[tuple[int, int], ...]:
    """Return (trial, attempt) of the trial to fetch meanwhile, if it sounds and what it holds is known already."""
    if sitting.over:
        return ()
    if sitting.step in ("ready", "level", "break"):
        return ((sitting.trial, sitting.attempt),) if sitting.sounds(sitting.trial) else ()
    ahead = sitting.trial + 1
    if ahead >= sitting.plan.length or not sitting.sounds(ahead):
        return ()
    if sitting.question(sitting.trial).adjusts or sitting.question(ahead).adjusts:
        return ()  # a ladder is many sounds: two of them at once would fill a small machine
    block, within = sitting.plan.place(ahead)
    if sitting.plan.method(block).adaptive and len(sitting.outcomes(block.id)) < within:
        return ()
    return ((ahead, FIRST_ATTEMPT),)


def tokens_of(sitting: Sitting, trial: int, attempt: int) -> tuple[str, ...]:
    """Return the tokens of all sounds of a trial, in the order in which they are fetched."""
    own = sitting.question(trial).adjusts
    names = (name for name in sitting.slot_names(trial) if name != own)
    ladder = (one.token for one in rungs(sitting, trial, attempt))
    return (*(sitting.plan.token(trial, attempt, name) for name in names), *ladder)


def level_token(sitting: Sitting) -> str:
    """Return the token of the programme to which the level is set."""
    return sitting.plan.token(LEVEL_TRIAL, FIRST_ATTEMPT, LEVEL_SLOT)
