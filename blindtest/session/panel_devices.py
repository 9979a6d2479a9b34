"""On which device a panel's listener is: what they play on is found out on each anew, and told apart on record.

A listener who opens their link in another browser has moved to another device, as far as anybody can know. Noted is
where their record stood then, so that it can be told on which device each answer was given; and a seed is drawn for the
device, so that its tests are not those that were answered before. No name and no property of a device is kept.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any, Self

__all__ = ["DEVICES", "Move", "answers_by_device", "kept_as", "moves_of"]

DEVICES = "devices"
"""Under which the moves of a listener are kept."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Move:
    """A listener went on on another device."""

    sitting: int
    """Their latest then; 0 before the first."""
    links: int
    """How many links its chain had by then: what came later was answered on this device."""
    seed: bytes | None
    """Drawn for the tests on this device; None in a published record, as long as they are being taken."""

    def to_record(self) -> dict[str, Any]:
        """Return it as JSON can hold it."""
        return {
            "sitting": self.sitting,
            "links": self.links,
            "seed": None if self.seed is None else self.seed.hex(),
        }

    @classmethod
    def from_record(cls, record: Mapping[str, Any]) -> Self:
        """Return the move that `to_record` put down.

        Raises
        ------
        KeyError, TypeError, ValueError
            It is none.
        """
        places = [record["sitting"], record["links"]]
        if any(type(one) is not int or one < 0 for one in places):
            raise ValueError(f"not a place in a record: {places}")
        seed = None if record["seed"] is None else bytes.fromhex(record["seed"])
        if seed is not None and len(seed) != 32:
            raise ValueError(f"a seed has 32 bytes, got {len(seed)}")
        return cls(sitting=places[0], links=places[1], seed=seed)


def moves_of(kept: Mapping[str, Mapping[str, Any]]) -> tuple[Move, ...]:
    """Return a listener's moves in order, from what is kept of them; () on the device where they began."""
    return tuple(Move.from_record(one) for one in kept.get(DEVICES, {}).get("moves", ()))


def kept_as(step: str, device: int) -> str:
    """Return under which name is kept what a step found on a device; 0: where the listener began."""
    return step if device == 0 else f"{step}/{device}"


def answers_by_device(moves: Iterable[Move], links: Mapping[int, int]) -> tuple[int, ...]:
    """Return how many links of a listener's chains were added on each device, that of the beginning first.

    Parameters
    ----------
    moves : in order
    links : sitting to the number of links of its chain, of all sittings of this listener
    """
    begun = [0]
    for move in moves:
        earlier = sum(count for number, count in links.items() if number < move.sitting)
        begun.append(earlier + move.links)
    ends = [*begun[1:], sum(links.values())]
    return tuple(end - start for start, end in zip(begun, ends, strict=True))
