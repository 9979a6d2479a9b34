"""The tables of an array of a study file, and the ids they bear."""

from collections.abc import Iterator

from blindtest.errors import did_you_mean
from blindtest.study.findings import Findings
from blindtest.study.reading import Tables

__all__ = ["entries", "has_hidden_ids", "ids", "known"]


def entries(data: Tables, name: str) -> Iterator[tuple[int, Tables]]:
    """Yield the tables of an array with their places."""
    return ((index, entry) for index, entry in enumerate(data.get(name, ())) if isinstance(entry, dict))


def ids(data: Tables, name: str) -> list[str]:
    """Return the ids of an array of tables that were not refused."""
    return [entry["id"] for _, entry in entries(data, name) if "id" in entry]


def known(data: Tables, name: str, wanted: str, path: tuple[str | int, ...], found: Findings) -> None:
    """Complain unless an entry of the array `name` has the id `wanted`, or may have it."""
    known = ids(data, name)
    if wanted not in known and not has_hidden_ids(data, name, found):
        allowed = ", ".join(known[:20]) or f"none: the file has no [[{name}]]"
        found.fault(path, f"no {name} has this id", got=wanted, allowed=allowed, remedy=did_you_mean(wanted, known))


def has_hidden_ids(data: Tables, name: str, found: Findings) -> bool:
    """Return whether an id is missing or was refused, so that a reference may mean it."""
    count = len(data.get(name, ()))
    return found.is_touched(name) and (name not in data or len(ids(data, name)) < count)
