"""Keys of sittings under a helper's passphrase, and what is written and read with them.

A key is in memory while its sitting is served, and in the database once the sitting is over; between, what it locks
can't be read. What is encrypted is known by its form: a nonce that is longer than 32 bytes, a row that is no JSON.
"""

import json
from collections.abc import Callable

from sqlalchemy import Connection, select

from blindtest.errors import BlindtestError, Fault
from blindtest.session import migrations as schema
from blindtest.session.helper_lock import KEY_BYTES, decrypted, encrypted
from blindtest.session.store.settings import remember, remembered

__all__ = ["Keys", "locked_fault"]

_NONCE, _ROW = b"blindtest: nonce of a plan", b"blindtest: row and salt of an answer"
_NONCE_BYTES = 32
_IV_BYTES = 12


def _setting(commitment: str) -> str:
    return f"helper_key/{commitment}"


class Keys:
    """The keys that are at hand.

    Parameters
    ----------
    entropy : `entropy(n)` gives n bytes; each encryption takes twelve
    """

    def __init__(self, entropy: Callable[[int], bytes]) -> None:
        self._entropy = entropy
        self._held: dict[str, bytes] = {}

    def hold(self, commitment: str, key: bytes) -> None:
        """Keep the key of a sitting's plan in memory."""
        self._held[commitment] = key

    def held(self, commitment: str) -> bytes | None:
        """Return the key of a plan that is in memory."""
        return self._held.get(commitment)

    def publish(self, connection: Connection, commitment: str) -> None:
        """Store the key of a plan whose sitting is over, if it is at hand and the plan was locked."""
        if (key := self._held.get(commitment)) is not None:
            remember(connection, _setting(commitment), key.hex())

    def of(self, connection: Connection, commitment: str) -> bytes | None:
        """Return the key of a plan: from memory, or stored since its sitting is over."""
        if (key := self._held.get(commitment)) is not None:
            return key
        stored = remembered(connection, _setting(commitment), None)
        try:
            key = bytes.fromhex(stored) if isinstance(stored, str) else None
        except ValueError:
            key = None
        return key if key is not None and len(key) == KEY_BYTES else None

    def of_sitting(self, connection: Connection, number: int) -> bytes | None:
        """Return the key of a sitting's plan."""
        table = schema.sittings
        commitment = connection.scalar(select(table.c.commitment).where(table.c.number == number))
        return None if commitment is None else self.of(connection, commitment)

    def nonce_stored(self, commitment: str, nonce: bytes) -> bytes:
        """Return a nonce as it is stored: encrypted where the plan is locked."""
        key = self._held.get(commitment)
        return nonce if key is None else encrypted(key, nonce, iv=self._entropy(_IV_BYTES), about=_NONCE)

    def nonce_read(self, connection: Connection, commitment: str, stored: bytes) -> bytes:
        """Return a nonce.

        Raises
        ------
        BlindtestError
            It is locked, and the key is not at hand.
        """
        if len(stored) == _NONCE_BYTES:
            return stored
        key = self.of(connection, commitment)
        nonce = None if key is None else decrypted(key, stored, about=_NONCE)
        if nonce is None:
            raise BlindtestError(locked_fault())
        return nonce

    def opens(self, connection: Connection, commitment: str, stored: bytes) -> bool:
        """Return whether a stored nonce can be read."""
        try:
            self.nonce_read(connection, commitment, stored)
        except BlindtestError:
            return False
        return True

    def row_stored(self, key: bytes, salt: bytes, text: str) -> tuple[bytes, str]:
        """Return salt and row as they are stored under a key: an empty salt, both within the row."""
        both = json.dumps([salt.hex(), text]).encode()
        return b"", encrypted(key, both, iv=self._entropy(_IV_BYTES), about=_ROW).hex()

    @staticmethod
    def row_read(key: bytes | None, salt: bytes, text: str) -> tuple[bytes, str] | None:
        """Return salt and row; None where they are locked and `key` does not open them."""
        if salt or text[:1] == "{":
            return salt, text
        try:
            both = None if key is None else decrypted(key, bytes.fromhex(text), about=_ROW)
            if both is None:
                return None
            held, opened = json.loads(both)
            return bytes.fromhex(held), str(opened)
        except ValueError:
            return None


def locked_fault() -> Fault:
    """Return what is said where a plan can't be read."""
    return Fault(
        problem="this plan lies under a helper's passphrase that was not given",
        remedy="while its sitting is open: blindtest listen --helper; later: blindtest abandon --sitting N --helper",
    )
