"""What stands in the database of a readers' panel: links, listeners, and how many of each there are.

Tokens are kept as hashes only: whoever reads the database can open no link and take over no session.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from hashlib import sha256
from typing import Any, Literal

from blindtest.session.panel_devices import DEVICES, Move, kept_as, moves_of
from blindtest.session.register import State

__all__ = [
    "AGREED",
    "AGREED_BEFORE",
    "LinkKind",
    "NoPlace",
    "OwnSitting",
    "PanelCounts",
    "PanelLink",
    "Panelist",
    "token_hash",
]

LinkKind = Literal["personal", "public"]
NoPlace = Literal["unknown", "taken", "withdrawn", "full", "closed"]
"""Why a link admits nobody: there is no such link; its listener is on record already; its listener withdrew; all places
are taken; nobody can begin any more."""


AGREED = "agreed"
"""Under which is kept by which browser a listener agreed: a hash of what that browser drew."""
AGREED_BEFORE = "agreed before"
"""Under which are kept the texts that a listener agreed to before the present one, by their hashes, and when."""


def token_hash(token: str) -> str:
    """Return the form in which a token is stored and looked up, hex.

    Tokens are drawn with 128 bits and more, so that a plain hash can't be searched through; and since what is looked up
    is the hash, the time it takes tells nothing of the token.
    """
    return sha256(b"blindtest panel token " + token.encode()).hexdigest()


@dataclass(frozen=True, slots=True, kw_only=True)
class PanelLink:
    """A link: personal, for one listener, or public, for whoever comes first."""

    kind: LinkKind
    used: int
    """How many listeners it has admitted."""
    listener: str | None
    """Of a personal one: who agreed under it."""
    withdrawn: bool
    """Of a personal one: its listener had everything erased."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Panelist:
    """A listener of the panel: somebody who has agreed to the consent text."""

    listener: str
    """Pseudonym."""
    seed: bytes
    """Drawn for this listener: what is asked before the sitting (screening) is drawn from it."""
    consent_sha256: str
    """Of the text that was agreed to."""
    kept: Mapping[str, Mapping[str, Any]]
    """What is kept of each step before the sitting, by its name."""

    @property
    def moves(self) -> tuple[Move, ...]:
        """When they went on on another device; () on the one where they began."""
        return moves_of(self.kept)

    @property
    def device(self) -> int:
        """On which of their devices they are: 0 where they began."""
        return len(self.kept.get(DEVICES, {}).get("moves", ()))

    def on(self, step: str, device: int | None = None) -> Mapping[str, Any]:
        """Return what is kept of a step that each device takes anew; {} if nothing. None: on the present device."""
        return self.kept.get(kept_as(step, self.device if device is None else device), {})

    def seed_of(self, device: int) -> bytes | None:
        """Return what the tests on a device are drawn from; None where it isn't published yet."""
        return self.seed if device == 0 else self.moves[device - 1].seed


@dataclass(frozen=True, slots=True, kw_only=True)
class OwnSitting:
    """One of a listener's sittings, in short."""

    number: int
    state: State
    study_seal: str
    created: datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class PanelCounts:
    """How the panel stands, in numbers only."""

    invited: int
    """Personal links that were written for listeners; not those that public visitors were given to come back by."""
    invited_used: int
    """Of these, how many were used."""
    by_public_link: int
    listeners: int
    """Who agreed, less those who withdrew."""
    withdrawn: int
    open: int
    """Sittings."""
    finished: int
    abandoned: int
    not_begun: int
    """Listeners who agreed and have no sitting yet."""

    def to_dict(self) -> dict[str, int]:
        """Return what JSON can hold."""
        return {name: getattr(self, name) for name in self.__dataclass_fields__}
