"""The readers' panel: links by the hash of their token, listeners, consents, and what listeners said of themselves."""

import sqlalchemy as sa
from alembic import op

from blindtest.session.migrations.columns import TEXT, unsampled

revision = "0003"
down_revision = "0002"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Add the tables of the panel."""
    op.create_table(
        "panel_links",
        sa.Column("token_hash", TEXT, primary_key=True),
        sa.Column("kind", TEXT, nullable=False),
        sa.Column("created", TEXT, nullable=False),
        sa.Column("parent", TEXT, sa.ForeignKey("panel_links.token_hash")),
        sa.Column("used", sa.Integer, nullable=False),
        sa.Column("withdrawn", TEXT),
        sa.CheckConstraint("kind IN ('personal', 'public')", name="link_kind_known"),
    )
    op.create_table(
        "panel_listeners",
        sa.Column("listener", TEXT, primary_key=True),
        sa.Column("link", TEXT, sa.ForeignKey("panel_links.token_hash"), nullable=False, unique=True),
        sa.Column("session_hash", TEXT, nullable=False, unique=True),
        sa.Column("seed", sa.LargeBinary, nullable=False),
        sa.Column("created", TEXT, nullable=False),
    )
    op.create_table(
        "panel_consents",
        sa.Column("listener", TEXT, sa.ForeignKey("panel_listeners.listener"), primary_key=True),
        sa.Column("text_sha256", TEXT, nullable=False),
        sa.Column("at", TEXT, nullable=False),
    )
    op.create_table(
        "panel_replies",
        sa.Column("listener", TEXT, sa.ForeignKey("panel_listeners.listener"), primary_key=True),
        sa.Column("step", TEXT, primary_key=True),
        sa.Column("held", TEXT, nullable=False),
        sa.Column("at", TEXT, nullable=False),
    )
    unsampled(op, "panel_listeners", "listener", "session_hash", "seed")
    unsampled(op, "panel_consents", "listener")
    unsampled(op, "panel_replies", "listener", "held")


def downgrade() -> None:
    """Refuse: going back would drop what was recorded."""
    raise NotImplementedError("a record is never migrated backwards")
