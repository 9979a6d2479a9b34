"""The schema of the database: its tables as they stand, and the migrations that lead there."""

from blindtest.session.migrations.tables import (
    APPEND_ONLY,
    REVISION,
    TRIGGERS,
    chain,
    content,
    events,
    impression_content,
    impressions,
    metadata,
    nonces,
    overrides,
    seals,
    settings,
    sittings,
)

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
    "seals",
    "settings",
    "sittings",
]
