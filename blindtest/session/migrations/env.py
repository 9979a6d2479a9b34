"""Runs migrations on the connection that the store hands over, inside the store's transaction."""

from alembic import context

from blindtest.session.migrations.tables import metadata

context.configure(connection=context.config.attributes["connection"], target_metadata=metadata)
context.run_migrations()
