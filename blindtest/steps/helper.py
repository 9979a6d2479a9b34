"""A helper's passphrase at the start of a sitting: asked for, tried, and forgotten when the program ends.

The helper is somebody else than the listener. They type it where the listener doesn't see it, once more at each start.
"""

from collections.abc import Callable
from typing import TYPE_CHECKING

from blindtest.errors import BlindtestError, Fault
from blindtest.session.helper_lock import HelperLock, locked, unlocked
from blindtest.steps.place import Entropy

if TYPE_CHECKING:
    from blindtest.session.register import SittingEntry
    from blindtest.session.store import Store

__all__ = ["Passphrase", "lock_for", "unlock"]

Passphrase = Callable[[bool], str]
"""Asks for the helper's passphrase; told whether it is a new one, to be typed twice."""


def lock_for(passphrase: Passphrase | None, entropy: Entropy) -> HelperLock | None:
    """Return the lock of a new sitting, None where no helper is there."""
    return None if passphrase is None else locked(passphrase(True), entropy)


def unlock(store: "Store", entry: "SittingEntry", passphrase: Passphrase | None) -> None:
    """Take the passphrase of a sitting that lies under one; do nothing where there is none.

    Raises
    ------
    BlindtestError
        It is another passphrase, or nobody can be asked for it; or one was offered and the plan was sealed without.
    """
    record = store.record(entry.commitment).get("helper")
    if record is None:
        if passphrase is not None:
            raise BlindtestError(
                Fault(
                    problem=f"the plan of sitting {entry.number} was sealed without a helper's passphrase, and can't "
                    "get one any more",
                    key="--helper",
                    remedy="go on without --helper, or end it (blindtest abandon) and begin another",
                )
            )
        return
    if not store.locked(entry.commitment):
        return
    if passphrase is None:
        raise BlindtestError(
            Fault(
                problem=f"the plan of sitting {entry.number} lies under a helper's passphrase",
                key="--helper",
                remedy="have the helper type it: the same command with --helper; if it is lost, blindtest abandon",
            )
        )
    store.unlock(entry.commitment, unlocked(record, passphrase(False)))
