"""Every draw of a plan, by hashing from its seed.

A draw is SHA-256(seed || purpose || counter): the seed is 32 bytes, the purpose UTF-8 text, the counter 8 bytes,
big-endian. Each purpose ("clips/test", "key/7", "token/7/1/X", "dither/7/1/X") has counters of its own, so that what
is shown (tokens) says nothing about what is hidden (keys), and a draw added for one purpose moves no other. Library
generators are not used: their streams are not guaranteed to stay the same over versions.
"""

from base64 import urlsafe_b64encode
from collections.abc import Sequence
from dataclasses import dataclass
from hashlib import sha256, shake_256
from typing import TypeVar

from blindtest.methods import Source

__all__ = ["Draws"]

T = TypeVar("T")
_SPAN = 2**64


@dataclass(frozen=True, slots=True)
class Draws:
    """What can be drawn from one seed of 32 bytes."""

    seed: bytes

    def __post_init__(self) -> None:
        if len(self.seed) != 32:
            raise ValueError(f"a seed has 32 bytes, got {len(self.seed)}")

    def block(self, purpose: str, counter: int = 0) -> bytes:
        """Return the 32 bytes SHA-256(seed || purpose || counter)."""
        return sha256(self.seed + purpose.encode() + counter.to_bytes(8, "big")).digest()

    def source(self, purpose: str) -> Source:
        """Return `below`, whose n-th call draws from the counters of `purpose`, beginning at 0.

        `below(n)` is uniform on 0 ... n - 1: the first 8 bytes of a block are taken as an integer, and integers in the
        incomplete last stretch of length n below 2**64 are rejected.
        """
        counter = 0

        def below(n: int) -> int:
            nonlocal counter
            if not 1 <= n <= 2**32:
                raise ValueError(f"below(n) needs 1 <= n <= 2**32, got {n}")
            while True:
                value = int.from_bytes(self.block(purpose, counter)[:8], "big")
                counter += 1
                if value < _SPAN - _SPAN % n:
                    return value % n

        return below

    def shuffled(self, purpose: str, items: Sequence[T]) -> tuple[T, ...]:
        """Return `items` in drawn order (Fisher & Yates; each order equally likely)."""
        below = self.source(purpose)
        drawn = list(items)
        for last in range(len(drawn) - 1, 0, -1):
            other = below(last + 1)
            drawn[last], drawn[other] = drawn[other], drawn[last]
        return tuple(drawn)

    def token(self, purpose: str) -> str:
        """Return 32 URL-safe characters (192 bits)."""
        return urlsafe_b64encode(self.block(purpose)[:24]).decode()

    def noise(self, purpose: str, count: int) -> bytes:
        """Return `count` bytes for dither: SHAKE-256 (FIPS 202) of the block of `purpose`."""
        return shake_256(self.block(purpose)).digest(count)
