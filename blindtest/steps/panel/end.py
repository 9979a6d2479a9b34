"""A panel's end: what a stop opens once nobody listens any more, as the end of a sitting does for `listen`.

A plan's nonce is opened when its sitting is over and no other can be led by it. That of the study seal draws what is
shared by all sittings still to come (orders of phases, places in a balanced plan): it is opened once nobody can begin
any more for good, not on the day that the study file names, which can be set later.
"""

from dataclasses import dataclass
from datetime import datetime
from shlex import quote
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from pathlib import Path

    from blindtest.session.store import Store

__all__ = ["OpenedNonces", "open_nonces"]


@dataclass(frozen=True, slots=True, kw_only=True)
class OpenedNonces:
    """What stands open in a panel that has ended."""

    plans: int
    """Of sittings."""
    study_seals: int

    def to_dict(self) -> dict[str, int]:
        """Return what JSON can hold."""
        return {"plans": self.plans, "study_seals": self.study_seals}

    def lines(self, folder: "Path") -> list[str]:
        """Return it in words: the heads first, then the nonces."""
        what = f"{self.plans} {'plan' if self.plans == 1 else 'plans'}"
        rest = (
            "the study seal's too"
            if self.study_seals
            else f"the study seal's once nobody can begin for good: blindtest panel {quote(str(folder))} --close"
        )
        return [
            f"Publish first: last hashes of the answers  blindtest seal {quote(str(folder))}",
            f"Then:          nonces of {what}, opened now ({rest}), in the bundle of: "
            f"blindtest report {quote(str(folder))}",
        ]


def open_nonces(store: "Store", *, for_good: bool, at: datetime) -> OpenedNonces | None:
    """Open the nonces of a panel that nobody can begin any more; None while a sitting is open or none was held.

    for_good : whether that is for good: then those of the study seals too
    """
    if any(entry.state == "open" for entry in store.sittings()) or not store.sittings():
        return None
    store.open_seals(at=at, study=for_good)
    opened = [seal.kind for seal in store.seals() if seal.opened is not None]
    return OpenedNonces(plans=opened.count("sitting"), study_seals=opened.count("study"))
