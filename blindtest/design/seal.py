"""Seals: commitments to what was planned, the chain of answers, and their verification.

R is the canonical form (RFC 8785) of a record; with 32 bytes of nonce, C = SHA-256(nonce || R) (FIPS 180-4). C goes
out before the first trial; nonce and R are opened after the last answer. Each answer is a link
h_t = SHA-256(h_{t-1} || SHA-256(salt_t || row_t)), h_0 = C. The row's salted hash stands in the chain, row and salt
stand elsewhere, so that a listener's rows can be erased and the chain still be checked.

What a seal proves: that this plan existed before the moment its commitment was seen *elsewhere*. It doesn't prove that
the listener did not know the plan, nor that no other sitting was made.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from hashlib import sha256
from json.encoder import encode_basestring
from typing import Any, Literal

__all__ = [
    "ChainCheck",
    "Grade",
    "Link",
    "Sealed",
    "canonical",
    "commitment",
    "end_hash",
    "grade",
    "key_seed",
    "link_hash",
    "row_hash",
    "seal",
    "verify_chain",
]

Grade = Literal["broken", "consistent", "anchored"]


def canonical(value: object) -> bytes:
    """Return the one byte form of a JSON value: UTF-8, sorted keys, no spaces, numbers as RFC 8785 writes them.

    Raises
    ------
    ValueError
        `value` holds something JSON has no form for: NaN, an integer beyond 2**53, a key that is no text.
    """
    import rfc8785

    try:
        if type(value) is dict and (texts := _texts_of(value)) is not None:
            return texts.encode()
        return rfc8785.dumps(value)  # type: ignore[arg-type]
    except (rfc8785.CanonicalizationError, UnicodeEncodeError) as error:
        raise ValueError(f"no canonical form: {error}") from error


_LARGEST = 2**53 - 1
_WORDS = {None: "null", True: "true", False: "false"}


def _texts_of(held: dict[Any, Any]) -> str | None:
    """Return the form of a mapping of texts, whole numbers and words of JSON, as a row mostly is; None for any other.

    The library goes through every value in Python, which took a tenth of the time that a panel spent on an answer. The
    standard library writes a text as RFC 8785, 3.2.2.2, has it.
    """
    parts = []
    for key in sorted(held) if all(type(key) is str and key.isascii() for key in held) else ():
        value = held[key]
        kind = type(value)
        if kind is str:
            text = encode_basestring(value)
        elif kind is int and -_LARGEST <= value <= _LARGEST:
            text = str(value)
        elif value is None or kind is bool:
            text = _WORDS[value]
        elif kind is float:
            text = canonical(value).decode()
        else:
            return None
        parts.append(f"{encode_basestring(key)}:{text}")
    return "{" + ",".join(parts) + "}" if len(parts) == len(held) else None


def commitment(record: Mapping[str, Any], nonce: bytes) -> str:
    """Return C = SHA-256(nonce || canonical record), hex."""
    if len(nonce) != 32:
        raise ValueError(f"a nonce has 32 bytes, got {len(nonce)}")
    return sha256(nonce + canonical(record)).hexdigest()


def key_seed(nonce: bytes, public: str = "") -> bytes:
    """Return SHA-256(nonce || public string), from which a plan's draws follow."""
    return sha256(nonce + public.encode()).digest()


@dataclass(frozen=True, slots=True, kw_only=True)
class Sealed:
    """A record with its nonce and commitment."""

    record: Mapping[str, Any]
    nonce: bytes
    commitment: str


def seal(record: Mapping[str, Any], nonce: bytes) -> Sealed:
    """Return `record` sealed with `nonce`, 32 bytes of the system's entropy."""
    return Sealed(record=record, nonce=nonce, commitment=commitment(record, nonce))


def row_hash(salt: bytes, row: Mapping[str, Any]) -> str:
    """Return SHA-256(salt || canonical row), hex; the salt has 32 bytes, so that a short row can't be guessed back."""
    if len(salt) != 32:
        raise ValueError(f"a salt has 32 bytes, got {len(salt)}")
    return sha256(salt + canonical(row)).hexdigest()


def link_hash(previous: str, hashed_row: str) -> str:
    """Return h_t = SHA-256(h_{t-1} || salted hash of the row), hex; both are taken as 32 bytes."""
    return sha256(bytes.fromhex(previous) + bytes.fromhex(hashed_row)).hexdigest()


def end_hash(head: str, state: str, ended: str, *, helped: bool) -> str:
    """Return what holds how a sitting ended, hex: SHA-256 of the chain's last hash and the words of the register.

    Whoever publishes it can't say later that a finished sitting was abandoned, or lies under a passphrase that was
    lost: its answers would count as never given.

    Parameters
    ----------
    head : last hash of the chain, hex, taken as 32 bytes; the plan's commitment where nothing was answered
    state, ended : as the register publishes them, "finished" and "2026-01-31T20:15:00.000+00:00"
    helped : whether the plan was sealed under a helper's passphrase; a public part of its record
    """
    # No link: a link's second part has 32 bytes, these words have other lengths.
    words = f"{state} {ended}" + (" helper" if helped else "")
    return sha256(bytes.fromhex(head) + words.encode()).hexdigest()


@dataclass(frozen=True, slots=True, kw_only=True)
class Link:
    """One link of a chain as stored; salt and row are None where they were erased at the listener's request."""

    position: int
    """From 1."""
    row_hash: str
    hash: str
    salt: bytes | None = None
    row: Mapping[str, Any] | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class ChainCheck:
    """What the check of a chain found."""

    head: str
    """The last hash: what is published before the nonce."""
    links: int
    withheld: int
    """Rows erased at the listener's request; their salted hashes still hold their places."""
    faults: tuple[str, ...]

    @property
    def ok(self) -> bool:
        """Whether every link holds."""
        return not self.faults


def verify_chain(start: str, links: Sequence[Link]) -> ChainCheck:
    """Recompute a chain from its start (the plan's commitment, hex)."""
    faults: list[str] = []
    previous, withheld = start, 0
    for expected, link in enumerate(links, start=1):
        if link.position != expected:
            faults.append(f"link {expected} is missing: the next one stored is {link.position}")
            break
        if link.row is None or link.salt is None:
            withheld += 1
        elif row_hash(link.salt, link.row) != link.row_hash:
            faults.append(f"row {expected} is not the one that was recorded: its salted hash differs")
        if link_hash(previous, link.row_hash) != link.hash:
            faults.append(f"link {expected} does not follow from the one before it")
        previous = link.hash
    return ChainCheck(head=previous, links=len(links), withheld=withheld, faults=tuple(faults))


def grade(*, intact: bool, before: bool, after: bool) -> Grade:
    """Return what the evidence amounts to.

    Parameters
    ----------
    intact : every commitment, draw and link holds
    before : the commitment was seen elsewhere, as published before the first trial
    after : the chain's last hash was seen elsewhere, as published before the nonce
    """
    if not intact:
        return "broken"
    return "anchored" if before and after else "consistent"
