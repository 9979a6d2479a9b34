"""What is read of a study's record, wherever it lies: in its database, or in an evidence bundle.

Analysis, verification and report ask for no more than this, so that anybody can run them on what was published.
"""

from collections.abc import Mapping
from pathlib import Path
from typing import Any, Protocol

from blindtest.design import Link, Sealed
from blindtest.errors import Fault
from blindtest.session.panelist import Panelist
from blindtest.session.register import ImpressionEntry, Override, SealEntry, SittingEntry

__all__ = ["Record"]


class Record(Protocol):
    """The reading side of a record; see the methods of the same names of `session.store.Store`."""

    @property
    def path(self) -> Path:
        """Where it lies: named in faults."""

    @property
    def wholeness(self) -> str:
        """What it means that `faults` finds none, in words."""

    def seals(self) -> tuple[SealEntry, ...]:
        """Return all seals in the order of their making, without nonces."""

    def sealed(self, commitment: str) -> Sealed:
        """Return a seal with its nonce; a BlindtestError where it isn't that of its record, or lies locked."""

    def record(self, commitment: str) -> dict[str, Any]:
        """Return the record of a seal, also of a plan that is locked."""

    def public(self, commitment: str) -> str:
        """Return the public text that enters the draws of a plan."""

    def locked(self, commitment: str) -> bool:
        """Return whether nobody can open this plan from here."""

    def sittings(self) -> tuple[SittingEntry, ...]:
        """Return the register: every sitting that was ever sealed, in order."""

    def rows(self, sitting: int | None = None) -> tuple[dict[str, Any], ...]:
        """Return the rows of a sitting, or of all, in the order of recording; erased ones are not among them."""

    def chain(self, sitting: int) -> tuple[Link, ...]:
        """Return the chain of a sitting; erased rows are None."""

    def events(self, sitting: int) -> tuple[Mapping[str, Any], ...]:
        """Return the events of a sitting, in order."""

    def impressions(self) -> tuple[ImpressionEntry, ...]:
        """Return the impressions on record, in order; what was erased is None."""

    def panelists(self) -> tuple[Panelist, ...]:
        """Return the listeners of a readers' panel in the order of their coming, with what they played on."""

    def withdrawn(self) -> int:
        """Return how many listeners of a readers' panel had everything erased."""

    def overrides(self) -> tuple[Override, ...]:
        """Return the rules that were set aside, in order."""

    def remembered(self, key: str, default: Any = None) -> Any:
        """Return a setting."""

    def faults(self) -> tuple[Fault, ...]:
        """Return what is wrong with it."""
