"""A plan under a helper's passphrase: what tells the truth of a sitting lies encrypted until the sitting is over.

A key is drawn for the sitting. With it the plan's nonce and every recorded answer are encrypted (AES-256-GCM: NIST SP
800-38D). The key itself is wrapped by another that is made from the passphrase: scrypt (RFC 7914) with N = 2**17,
r = 8, p = 1, the parameters that OWASP's Password Storage Cheat Sheet recommends (from memory); 128 MB and a good part
of a second for each guess. The wrapped key stands in the plan's sealed record: the commitment holds it too.

While the sitting runs the key is in the server's memory only. When the sitting ends it is stored, so that everybody can
draw the plan again. Who has the passphrase's file and no passphrase has to guess it: so it is a helper's, not the
listener's, and long.
"""

import unicodedata
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any

from blindtest.errors import BlindtestError, Fault

__all__ = ["KEY_BYTES", "SHORTEST", "HelperLock", "decrypted", "encrypted", "locked", "passphrase_key", "unlocked"]

SHORTEST = 8
"""Characters (NIST SP 800-63B, 5.1.1.2, from memory)."""
KEY_BYTES = 32
COST = 2**17
BLOCK, PARALLEL = 8, 1
MOST_COST = 2**22
"""A record that asks for more was not made here: it would eat the memory of whoever opens it."""
_IV_BYTES = 12
_SALT_BYTES = 16
_WRAPPED = b"blindtest: key of a sitting"


@dataclass(frozen=True, slots=True, kw_only=True)
class HelperLock:
    """A new sitting's key, and what the plan's record holds of it."""

    key: bytes = field(repr=False)
    record: Mapping[str, Any]


def passphrase_key(
    passphrase: str, salt: bytes, *, cost: int = COST, block: int = BLOCK, parallel: int = PARALLEL
) -> bytes:
    """Return the key of a passphrase, 32 bytes: scrypt (RFC 7914); letters as NFKC composes them."""
    from cryptography.hazmat.primitives.kdf.scrypt import Scrypt

    text = unicodedata.normalize("NFKC", passphrase).encode()
    return Scrypt(salt=salt, length=KEY_BYTES, n=cost, r=block, p=parallel).derive(text)


def encrypted(key: bytes, data: bytes, *, iv: bytes, about: bytes) -> bytes:
    """Return `data` under `key`: 12 bytes of `iv`, used once, then AES-256-GCM's output, bound to what it is about."""
    from cryptography.hazmat.primitives.ciphers.aead import AESGCM

    if len(iv) != _IV_BYTES:
        raise ValueError(f"an iv has {_IV_BYTES} bytes, got {len(iv)}")
    return iv + AESGCM(key).encrypt(iv, data, about)


def decrypted(key: bytes, data: bytes, *, about: bytes) -> bytes | None:
    """Return what was encrypted; None where the key is another, or a byte was changed."""
    from cryptography.exceptions import InvalidTag
    from cryptography.hazmat.primitives.ciphers.aead import AESGCM

    try:
        return AESGCM(key).decrypt(data[:_IV_BYTES], data[_IV_BYTES:], about)
    except (InvalidTag, ValueError):
        return None


def locked(passphrase: str, entropy: Callable[[int], bytes], *, cost: int = COST) -> HelperLock:
    """Return the lock of a new sitting under a helper's passphrase.

    Raises
    ------
    BlindtestError
        The passphrase is too short.
    """
    if len(passphrase.strip()) < SHORTEST:
        raise BlindtestError(
            Fault(
                problem="the helper's passphrase is too short",
                got=f"{len(passphrase.strip())} characters",
                allowed=f"{SHORTEST} or more",
                remedy="take four words that the listener can't guess",
            )
        )
    key, salt = entropy(KEY_BYTES), entropy(_SALT_BYTES)
    wrapping = passphrase_key(passphrase, salt, cost=cost)
    return HelperLock(
        key=key,
        record={
            "kdf": "scrypt",
            "cost": cost,
            "block": BLOCK,
            "parallel": PARALLEL,
            "salt": salt.hex(),
            "cipher": "AES-256-GCM",
            "wrapped": encrypted(wrapping, key, iv=entropy(_IV_BYTES), about=_WRAPPED).hex(),
        },
    )


def unlocked(record: Mapping[str, Any], passphrase: str) -> bytes:
    """Return the key of a sitting from its plan's record and the passphrase.

    Raises
    ------
    BlindtestError
        It is not the passphrase, or the record was changed.
    """
    try:
        cost, block, parallel = int(record["cost"]), int(record["block"]), int(record["parallel"])
        salt, wrapped = bytes.fromhex(record["salt"]), bytes.fromhex(record["wrapped"])
        known = record["kdf"] == "scrypt" and record["cipher"] == "AES-256-GCM"
    except (KeyError, TypeError, ValueError):
        known = False
    if not known or not (1 < cost <= MOST_COST and cost & (cost - 1) == 0) or (block, parallel) != (BLOCK, PARALLEL):
        raise BlindtestError(Fault(problem="this sitting is locked in a way that is not known here"))
    key = decrypted(passphrase_key(passphrase, salt, cost=cost), wrapped, about=_WRAPPED)
    if key is None:
        raise BlindtestError(
            Fault(
                problem="this is not the helper's passphrase of this sitting",
                remedy="type it again; if it is lost, end the sitting with blindtest abandon: it counts as abandoned",
            )
        )
    return key
