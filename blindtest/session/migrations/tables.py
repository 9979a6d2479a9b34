"""Tables as they stand after the newest migration; a test compares the two.

Times are ISO 8601 in UTC with ms, so that they sort as text. The chain holds hashes only and is append-only by
triggers; what was answered stands with its salt in `content`, from which only `forget` deletes. Nonces stand apart from
the records they seal. `listener` is a pseudonym and stands nowhere but in `sittings`, in the rows of `content` and in
the tables of the panel; who had an impression stands in `impression_content` only. What listeners of a panel said of
themselves stands in the tables of the panel, apart from the chain: `forget` deletes it.
"""

from sqlalchemy import (
    CheckConstraint,
    Column,
    ForeignKey,
    ForeignKeyConstraint,
    Integer,
    LargeBinary,
    MetaData,
    Table,
    UniqueConstraint,
)

from blindtest.session.migrations.columns import TEXT
from blindtest.session.migrations.triggers import sqlite_trigger

__all__ = [
    "APPEND_ONLY",
    "REVISION",
    "TRIGGERS",
    "chain",
    "content",
    "events",
    "impression_content",
    "impressions",
    "metadata",
    "nonces",
    "overrides",
    "panel_consents",
    "panel_links",
    "panel_listeners",
    "panel_replies",
    "seals",
    "settings",
    "sittings",
]

REVISION = "0003"
"""The newest migration; a database of another revision is brought here, or refused if it is newer."""

metadata = MetaData()

settings = Table(
    "settings",
    metadata,
    Column("key", TEXT, primary_key=True),
    Column("value", TEXT, nullable=False),
)

seals = Table(
    "seals",
    metadata,
    Column("commitment", TEXT, primary_key=True),
    Column("kind", TEXT, nullable=False),
    Column("record", TEXT, nullable=False),
    Column("created", TEXT, nullable=False),
    CheckConstraint("kind IN ('study', 'sitting')", name="kind_known"),
)

nonces = Table(
    "nonces",
    metadata,
    Column("commitment", TEXT, ForeignKey("seals.commitment"), primary_key=True),
    Column("nonce", LargeBinary, nullable=False),
    Column("public", TEXT, nullable=False),
    Column("opened", TEXT),
)

sittings = Table(
    "sittings",
    metadata,
    Column("number", Integer, primary_key=True, autoincrement=False),
    Column("study_seal", TEXT, ForeignKey("seals.commitment"), nullable=False),
    Column("commitment", TEXT, ForeignKey("seals.commitment"), nullable=False, unique=True),
    Column("listener", TEXT, nullable=False),
    Column("state", TEXT, nullable=False),
    Column("created", TEXT, nullable=False),
    Column("deadline", TEXT, nullable=False),
    Column("ended", TEXT),
    Column("reason", TEXT, nullable=False),
    Column("forgotten", TEXT),
    CheckConstraint("state IN ('open', 'finished', 'abandoned')", name="state_known"),
    CheckConstraint("(state = 'open') = (ended IS NULL)", name="ended_with_state"),
)

chain = Table(
    "chain",
    metadata,
    Column("sitting", Integer, ForeignKey("sittings.number"), primary_key=True),
    Column("position", Integer, primary_key=True),
    Column("trial", Integer, nullable=False),
    Column("attempt", Integer, nullable=False),
    Column("slot", TEXT, nullable=False),
    Column("row_hash", TEXT, nullable=False),
    Column("hash", TEXT, nullable=False),
    UniqueConstraint("sitting", "trial", "attempt", "slot", name="answered_once"),
    sqlite_with_rowid=False,
)

content = Table(
    "content",
    metadata,
    Column("sitting", Integer, primary_key=True),
    Column("position", Integer, primary_key=True),
    Column("salt", LargeBinary, nullable=False),
    Column("row", TEXT, nullable=False),
    ForeignKeyConstraint(["sitting", "position"], ["chain.sitting", "chain.position"]),
    sqlite_with_rowid=False,
)

events = Table(
    "events",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("sitting", Integer, ForeignKey("sittings.number"), nullable=False, index=True),
    Column("event", TEXT, nullable=False),
)

overrides = Table(
    "overrides",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("at", TEXT, nullable=False),
    Column("what", TEXT, nullable=False),
    Column("reason", TEXT, nullable=False),
)

impressions = Table(
    "impressions",
    metadata,
    Column("position", Integer, primary_key=True, autoincrement=False),
    Column("hash", TEXT, nullable=False, unique=True),
    Column("created", TEXT, nullable=False),
    Column("forgotten", TEXT),
)

impression_content = Table(
    "impression_content",
    metadata,
    Column("position", Integer, ForeignKey("impressions.position"), primary_key=True, autoincrement=False),
    Column("by", TEXT, nullable=False),
    Column("salt", LargeBinary, nullable=False),
    Column("row", TEXT, nullable=False),
)

panel_links = Table(
    "panel_links",
    metadata,
    Column("token_hash", TEXT, primary_key=True),
    Column("kind", TEXT, nullable=False),
    Column("created", TEXT, nullable=False),
    Column("parent", TEXT, ForeignKey("panel_links.token_hash")),
    Column("used", Integer, nullable=False),
    Column("withdrawn", TEXT),
    CheckConstraint("kind IN ('personal', 'public')", name="link_kind_known"),
)

panel_listeners = Table(
    "panel_listeners",
    metadata,
    Column("listener", TEXT, primary_key=True),
    Column("link", TEXT, ForeignKey("panel_links.token_hash"), nullable=False, unique=True),
    Column("session_hash", TEXT, nullable=False, unique=True),
    Column("seed", LargeBinary, nullable=False),
    Column("created", TEXT, nullable=False),
)

panel_consents = Table(
    "panel_consents",
    metadata,
    Column("listener", TEXT, ForeignKey("panel_listeners.listener"), primary_key=True),
    Column("text_sha256", TEXT, nullable=False),
    Column("at", TEXT, nullable=False),
)

panel_replies = Table(
    "panel_replies",
    metadata,
    Column("listener", TEXT, ForeignKey("panel_listeners.listener"), primary_key=True),
    Column("step", TEXT, primary_key=True),
    Column("held", TEXT, nullable=False),
    Column("at", TEXT, nullable=False),
)

_FORGOTTEN = "EXISTS (SELECT 1 FROM sittings WHERE number = OLD.sitting AND forgotten IS NOT NULL)"
_IMPRESSION_FORGOTTEN = "EXISTS (SELECT 1 FROM impressions WHERE position = OLD.position AND forgotten IS NOT NULL)"
_SEALED_SITTING = " OR ".join(
    f"NEW.{column} IS NOT OLD.{column}" for column in ("number", "study_seal", "commitment", "created", "deadline")
)

TRIGGERS: tuple[tuple[str, str, str], ...] = (
    ("chain_no_update", "UPDATE ON chain", "the chain of answers is append-only"),
    ("chain_no_delete", "DELETE ON chain", "the chain of answers is append-only"),
    ("content_no_update", "UPDATE ON content", "a recorded answer is never changed"),
    (
        "content_no_delete",
        f"DELETE ON content WHEN NOT {_FORGOTTEN}",
        "a recorded answer is deleted only at the request of its listener",
    ),
    ("events_no_update", "UPDATE ON events", "a recorded event is never changed"),
    (
        "events_no_delete",
        f"DELETE ON events WHEN NOT {_FORGOTTEN}",
        "a recorded event is deleted only at the request of its listener",
    ),
    ("seals_no_update", "UPDATE ON seals", "a seal is never changed"),
    ("seals_no_delete", "DELETE ON seals", "a seal is never deleted"),
    (
        "nonces_opened_once",
        "UPDATE ON nonces WHEN NEW.nonce IS NOT OLD.nonce OR NEW.commitment IS NOT OLD.commitment "
        "OR NEW.public IS NOT OLD.public OR OLD.opened IS NOT NULL",
        "a nonce is opened once and never changed",
    ),
    ("nonces_no_delete", "DELETE ON nonces", "a nonce is never deleted"),
    (
        "sittings_stay_sealed",
        f"UPDATE ON sittings WHEN {_SEALED_SITTING}",
        "what a sitting was sealed with is never changed",
    ),
    (
        "sittings_end_once",
        "UPDATE ON sittings WHEN OLD.state <> 'open' AND NEW.state IS NOT OLD.state",
        "a sitting ends once",
    ),
    ("sittings_no_delete", "DELETE ON sittings", "every sitting stays in the register"),
    ("overrides_no_update", "UPDATE ON overrides", "a recorded override is never changed"),
    ("overrides_no_delete", "DELETE ON overrides", "a recorded override is never deleted"),
    (
        "impressions_no_update",
        "UPDATE ON impressions WHEN NEW.position IS NOT OLD.position OR NEW.hash IS NOT OLD.hash "
        "OR NEW.created IS NOT OLD.created OR OLD.forgotten IS NOT NULL",
        "an impression on record is never changed",
    ),
    ("impressions_no_delete", "DELETE ON impressions", "an impression stays on record"),
    ("impression_content_no_update", "UPDATE ON impression_content", "an impression on record is never changed"),
    (
        "impression_content_no_delete",
        f"DELETE ON impression_content WHEN NOT {_IMPRESSION_FORGOTTEN}",
        "the words of an impression are deleted only at the request of who had it",
    ),
)
"""What the database itself refuses: name, action and words; see `triggers`."""

APPEND_ONLY: dict[str, str] = {name: sqlite_trigger(name, action, words) for name, action, words in TRIGGERS}
"""Triggers of SQLite, by name."""
