"""Where a study's record stands: study.db beside the study file, or a database that an environment variable names.

A URL never stands in the study file: it may hold a password, and the file is published with the report.
"""

import re
from collections.abc import Mapping
from dataclasses import dataclass
from hashlib import sha256
from typing import Annotated, Any, ClassVar

from pydantic import Field

from blindtest.study.table import Table, Words

__all__ = ["Storage", "StorageTable", "storage_in"]

_VARIABLE, _SCHEMA = r"^[A-Za-z_][A-Za-z0-9_]{0,99}$", r"^[a-z_][a-z0-9_]{0,62}$"
_FROM_TITLE = 40
"""Characters of a title that a schema's name shows."""


class StorageTable(Table):
    """Where the answers are kept; study.db beside the study file."""

    hidden: ClassVar[tuple[str, ...]] = ("url_from",)

    url_from: Annotated[
        str,
        Field(pattern=_VARIABLE, description="the name of the environment variable that holds the database's URL"),
        Words("the NAME of an environment variable: letters, digits and _; the URL itself never stands here"),
    ]
    schema_name: Annotated[
        str | None,
        Field(pattern=_SCHEMA, description="the schema of a PostgreSQL database that this study has for its own"),
        Words("small letters, digits and _, up to 63, a letter or _ first"),
    ] = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Storage:
    """A database by URL."""

    url_from: str
    """Name of the environment variable that holds the URL."""
    schema: str
    """Of a PostgreSQL database; '' where it follows from a title that is not there yet."""
    named: bool
    """Whether the study file names the schema; else it follows from title and reviewer."""


def storage_in(data: Mapping[str, Any]) -> Storage | None:
    """Return the storage that the tables of a study file name, also of one that is half filled in; None for study.db.

    What is wrong with the table is said where the file is checked.
    """
    table = data.get("storage")
    if not isinstance(table, dict) or not _fits(_VARIABLE, table.get("url_from")):
        return None
    named = table.get("schema_name")
    if _fits(_SCHEMA, named):
        return Storage(url_from=table["url_from"], schema=str(named), named=True)
    return Storage(url_from=table["url_from"], schema=_schema_of(data.get("title"), data.get("reviewer")), named=False)


def _fits(pattern: str, value: object) -> bool:
    return isinstance(value, str) and re.fullmatch(pattern.strip("^$"), value) is not None


def _schema_of(title: object, reviewer: object) -> str:
    """Return the schema of a study that names none: the title's letters, and a hash that tells equal ones apart."""
    if not isinstance(title, str) or not title.strip():
        return ""
    letters = re.sub("[^a-z0-9]+", "_", title.lower()).strip("_")[:_FROM_TITLE].strip("_")
    told_apart = sha256(f"{title.strip()}\n{reviewer}".encode()).hexdigest()[:8]
    return "_".join(part for part in ("study", letters, told_apart) if part)
