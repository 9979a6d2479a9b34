"""Where a store stands: a file of SQLite, a schema of PostgreSQL, or each in turn."""

import os

import pytest

from blindtest.session.migrations import metadata
from blindtest.session.store import ByUrl, Store


@pytest.fixture
def path(tmp_path):
    """A file of SQLite."""
    return tmp_path / "study.db"


@pytest.fixture
def by_url(postgres_server):
    """A schema of PostgreSQL that nobody used before."""
    return ByUrl(url=postgres_server.url(), schema=postgres_server.schema(), named="$STUDY_DATABASE")


@pytest.fixture(scope="session")
def kept_schema(postgres_server):
    """A schema whose tables are made once: making them takes longer than most tests."""
    place = ByUrl(url=postgres_server.url(), schema=postgres_server.schema(), named="$STUDY_DATABASE")
    Store(place, entropy=os.urandom).close()
    return place


@pytest.fixture
def emptied(postgres_server, kept_schema):
    """That schema without a row, as nobody could empty it but a superuser who sets its triggers aside."""
    tables = [f"{kept_schema.schema}.{table.name}" for table in metadata.sorted_tables]
    deletions = "; ".join(f"DELETE FROM {table}" for table in tables)
    postgres_server.execute(f"SET session_replication_role = replica; SET lock_timeout = '10s'; {deletions}")
    return kept_schema


@pytest.fixture(params=["sqlite", pytest.param("postgres", marks=pytest.mark.postgres)])
def place(request):
    """Where a store stands, on each engine."""
    return request.getfixturevalue("path" if request.param == "sqlite" else "emptied")
