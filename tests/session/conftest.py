"""Where a store stands: a file of SQLite, a schema of PostgreSQL, or each in turn."""

import pytest

from blindtest.session.store import ByUrl


@pytest.fixture
def path(tmp_path):
    """A file of SQLite."""
    return tmp_path / "study.db"


@pytest.fixture
def by_url(postgres_server):
    """A schema of PostgreSQL that nobody used before."""
    return ByUrl(url=postgres_server.url(), schema=postgres_server.schema(), named="$STUDY_DATABASE")


@pytest.fixture(params=["sqlite", pytest.param("postgres", marks=pytest.mark.postgres)])
def place(request):
    """Where a store stands, on each engine."""
    return request.getfixturevalue("path" if request.param == "sqlite" else "by_url")
