"""The database of a study: impressions, seals, the register of sittings, the chain of answers, events, settings.

The only place that opens it. SQLite in WAL mode with synchronous=FULL, or a schema of PostgreSQL; one writer thread per
process, which acknowledges an answer after the commit that made it durable. The chain holds salted hashes and is
append-only by triggers; rows and salts stand apart, and only `forget` deletes them, after which the chain can still be
checked.

Nothing here asks for time or entropy: both are passed in.
"""

from blindtest.session.register import WITHHELD, Acknowledged, ImpressionEntry, Override, SealEntry, SittingEntry
from blindtest.session.store.database import ByUrl
from blindtest.session.store.places import is_there, look_at
from blindtest.session.store.read_only import copy_to_read, is_read_only
from blindtest.session.store.store import Store

__all__ = [
    "WITHHELD",
    "Acknowledged",
    "ByUrl",
    "ImpressionEntry",
    "Override",
    "SealEntry",
    "SittingEntry",
    "Store",
    "copy_to_read",
    "is_read_only",
    "is_there",
    "look_at",
]
