"""How a sitting ends: what is opened then, and how it is ended for good before its last trial."""

import os
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from shlex import quote
from typing import TYPE_CHECKING, Any

from blindtest.errors import BlindtestError, Fault
from blindtest.steps.helper import Passphrase, unlock
from blindtest.steps.place import Clock, now
from blindtest.steps.storage import record_of

if TYPE_CHECKING:
    from blindtest.session.register import SittingEntry
    from blindtest.session.store import Store

__all__ = ["Ended", "abandon", "ended_sitting"]


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
            again = f"blindtest listen {quote(str(self.folder))} --listener {self.listener}"
            lines.append(f"All answers are stored. Go on with: {again}")
            return "\n".join(lines)
        if self.locked:
            return (
                f"Sitting {self.number} of {self.listener}: {self.state}. Plan and answers lie under the helper's "
                "passphrase and stay there: all its trials count as unanswered. With the passphrase they can still be "
                f"opened: blindtest abandon {quote(str(self.folder))} --sitting {self.number} --helper"
            )
        lines += [
            f"Publish first: last hash of the answers  {self.head}",
            f"               and of how it ended       {self.end}",
            f"Then:          nonce of the plan         {self.nonce}",
            f"The statistics: blindtest analyze {quote(str(self.folder))}",
        ]
        return "\n".join(lines)


def _controls_in(block: Mapping[str, Any]) -> int:
    return block["trials"] // block["controls"]["every"] if block.get("controls") else 0


def ended_sitting(store: "Store", entry: "SittingEntry", folder: Path, clock: Clock) -> Ended:
    """Return how a sitting stands now; open its nonce if it is over and no passphrase lies on it."""
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
        folder=folder,
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

    Needs of the study file only where the record stands: whatever else is wrong with it, a sitting can be ended.

    Raises
    ------
    BlindtestError
        No sitting is open, or several are and none was named; or it is open in another program; or it is not the
        passphrase.
    Missing
        Nothing has been recorded, or the database is not reached.
    """
    place = record_of(folder)
    from blindtest.session.store import Store

    with Store(place, entropy=os.urandom, create=False) as store:
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
        kept = folder.parent if folder.is_file() else folder
        return ended_sitting(store, store.sitting(sitting), kept, clock)
