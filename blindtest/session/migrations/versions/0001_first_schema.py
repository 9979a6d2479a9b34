"""The first schema: settings, seals and nonces, sittings, the chain and its content, events, overrides."""

import sqlalchemy as sa
from alembic import op

from blindtest.session.migrations.columns import TEXT, unsampled
from blindtest.session.migrations.triggers import make_triggers

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None

_FORGOTTEN = "EXISTS (SELECT 1 FROM sittings WHERE number = OLD.sitting AND forgotten IS NOT NULL)"

# Written out, not taken from the tables as they stand: those go on, a migration stays as it is.
_TRIGGERS = (
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
        "UPDATE ON sittings WHEN NEW.number IS NOT OLD.number OR NEW.study_seal IS NOT OLD.study_seal "
        "OR NEW.commitment IS NOT OLD.commitment OR NEW.created IS NOT OLD.created "
        "OR NEW.deadline IS NOT OLD.deadline",
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
)


def upgrade() -> None:
    """Make the first schema."""
    op.create_table(
        "settings",
        sa.Column("key", TEXT, primary_key=True),
        sa.Column("value", TEXT, nullable=False),
    )
    op.create_table(
        "seals",
        sa.Column("commitment", TEXT, primary_key=True),
        sa.Column("kind", TEXT, nullable=False),
        sa.Column("record", TEXT, nullable=False),
        sa.Column("created", TEXT, nullable=False),
        sa.CheckConstraint("kind IN ('study', 'sitting')", name="kind_known"),
    )
    op.create_table(
        "nonces",
        sa.Column("commitment", TEXT, sa.ForeignKey("seals.commitment"), primary_key=True),
        sa.Column("nonce", sa.LargeBinary, nullable=False),
        sa.Column("public", TEXT, nullable=False),
        sa.Column("opened", TEXT),
    )
    op.create_table(
        "sittings",
        sa.Column("number", sa.Integer, primary_key=True, autoincrement=False),
        sa.Column("study_seal", TEXT, sa.ForeignKey("seals.commitment"), nullable=False),
        sa.Column("commitment", TEXT, sa.ForeignKey("seals.commitment"), nullable=False, unique=True),
        sa.Column("listener", TEXT, nullable=False),
        sa.Column("state", TEXT, nullable=False),
        sa.Column("created", TEXT, nullable=False),
        sa.Column("deadline", TEXT, nullable=False),
        sa.Column("ended", TEXT),
        sa.Column("reason", TEXT, nullable=False),
        sa.Column("forgotten", TEXT),
        sa.CheckConstraint("state IN ('open', 'finished', 'abandoned')", name="state_known"),
        sa.CheckConstraint("(state = 'open') = (ended IS NULL)", name="ended_with_state"),
    )
    op.create_table(
        "chain",
        sa.Column("sitting", sa.Integer, sa.ForeignKey("sittings.number"), primary_key=True),
        sa.Column("position", sa.Integer, primary_key=True),
        sa.Column("trial", sa.Integer, nullable=False),
        sa.Column("attempt", sa.Integer, nullable=False),
        sa.Column("slot", TEXT, nullable=False),
        sa.Column("row_hash", TEXT, nullable=False),
        sa.Column("hash", TEXT, nullable=False),
        sa.UniqueConstraint("sitting", "trial", "attempt", "slot", name="answered_once"),
        sqlite_with_rowid=False,
    )
    op.create_table(
        "content",
        sa.Column("sitting", sa.Integer, primary_key=True),
        sa.Column("position", sa.Integer, primary_key=True),
        sa.Column("salt", sa.LargeBinary, nullable=False),
        sa.Column("row", TEXT, nullable=False),
        sa.ForeignKeyConstraint(["sitting", "position"], ["chain.sitting", "chain.position"]),
        sqlite_with_rowid=False,
    )
    op.create_table(
        "events",
        sa.Column("id", sa.Integer, primary_key=True),
        sa.Column("sitting", sa.Integer, sa.ForeignKey("sittings.number"), nullable=False, index=True),
        sa.Column("event", TEXT, nullable=False),
    )
    op.create_table(
        "overrides",
        sa.Column("id", sa.Integer, primary_key=True),
        sa.Column("at", TEXT, nullable=False),
        sa.Column("what", TEXT, nullable=False),
        sa.Column("reason", TEXT, nullable=False),
    )
    unsampled(op, "sittings", "listener")
    unsampled(op, "content", "salt", "row")
    unsampled(op, "events", "event")
    make_triggers(op, _TRIGGERS)


def downgrade() -> None:
    """Refuse: going back would drop what was recorded."""
    raise NotImplementedError("a record is never migrated backwards")
