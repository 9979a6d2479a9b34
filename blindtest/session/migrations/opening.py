"""Migrations run when a database is opened."""

from pathlib import Path

from sqlalchemy import Connection, inspect

from blindtest.errors import BlindtestError, Fault
from blindtest.session.migrations.tables import REVISION

__all__ = ["migrate"]


def migrate(connection: Connection, place: str) -> None:
    """Bring the database to the schema of this code, inside the caller's transaction.

    place : what faults call it
    """
    tables = set(inspect(connection).get_table_names())
    revision = None
    if "alembic_version" in tables:
        revision = connection.exec_driver_sql("SELECT version_num FROM alembic_version").scalar()
    elif tables:
        raise BlindtestError(
            Fault(
                problem="this is a database of something else",
                file=place,
                remedy="name another file" if connection.dialect.name == "sqlite" else "name another schema",
            )
        )
    if revision == REVISION:
        return

    from alembic import command
    from alembic.config import Config
    from alembic.script import ScriptDirectory

    config = Config()
    config.set_main_option("script_location", str(Path(__file__).parent))
    config.attributes["connection"] = connection
    known = {script.revision for script in ScriptDirectory.from_config(config).walk_revisions()}
    if revision is not None and revision not in known:
        raise BlindtestError(
            Fault(
                problem="this database was made by a newer version of blindtest",
                file=place,
                got=revision,
                allowed=f"up to {REVISION}",
                remedy="install that version; nothing was changed",
            )
        )
    command.upgrade(config, "head")
