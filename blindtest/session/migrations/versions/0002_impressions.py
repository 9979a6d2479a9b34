"""Impressions: their hashes for good, their words and who had them apart, erased on request."""

import sqlalchemy as sa
from alembic import op

from blindtest.session.migrations.columns import TEXT, unsampled
from blindtest.session.migrations.triggers import make_triggers

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None

_FORGOTTEN = "EXISTS (SELECT 1 FROM impressions WHERE position = OLD.position AND forgotten IS NOT NULL)"

# Written out, not taken from the tables as they stand: those go on, a migration stays as it is.
_TRIGGERS = (
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
        f"DELETE ON impression_content WHEN NOT {_FORGOTTEN}",
        "the words of an impression are deleted only at the request of who had it",
    ),
)


def upgrade() -> None:
    """Add the tables of impressions."""
    op.create_table(
        "impressions",
        sa.Column("position", sa.Integer, primary_key=True, autoincrement=False),
        sa.Column("hash", TEXT, nullable=False, unique=True),
        sa.Column("created", TEXT, nullable=False),
        sa.Column("forgotten", TEXT),
    )
    op.create_table(
        "impression_content",
        sa.Column("position", sa.Integer, sa.ForeignKey("impressions.position"), primary_key=True, autoincrement=False),
        sa.Column("by", TEXT, nullable=False),
        sa.Column("salt", sa.LargeBinary, nullable=False),
        sa.Column("row", TEXT, nullable=False),
    )
    unsampled(op, "impression_content", "by", "salt", "row")
    make_triggers(op, _TRIGGERS)


def downgrade() -> None:
    """Refuse: going back would drop what was recorded."""
    raise NotImplementedError("a record is never migrated backwards")
