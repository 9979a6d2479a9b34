"""Triggers that keep a record as it is, written once and made for SQLite and for PostgreSQL.

One is a triple: its name, the action it forbids ("UPDATE ON chain", "DELETE ON content WHEN NOT EXISTS (...)"), and
what is said when it does. The condition is SQL that both databases read, but for `IS NOT` between two values, which
PostgreSQL calls IS DISTINCT FROM. SQLite holds the condition in the trigger; PostgreSQL allows no subquery there, so it
stands in a function of the trigger's name.

PostgreSQL has one way more to empty a table, TRUNCATE, which no trigger on rows sees: wherever deletion is forbidden or
bound to a condition, it is forbidden.
"""

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

__all__ = ["Forbidden", "make_triggers", "postgres_triggers", "sqlite_trigger"]

_ACTION = re.compile(r"(?P<event>UPDATE|DELETE) ON (?P<table>\w+)(?: WHEN (?P<condition>.+))?", re.DOTALL)
_OTHER_VALUE = re.compile(r"\bIS NOT (?=(?:OLD|NEW)\.)")
_EMPTIED = "no_truncate"


@dataclass(frozen=True, slots=True, kw_only=True)
class Forbidden:
    """A trigger of PostgreSQL."""

    name: str
    table: str
    event: str
    """UPDATE, DELETE or TRUNCATE."""
    body: str
    """Of its function, in PL/pgSQL."""

    @property
    def statements(self) -> tuple[str, str]:
        """What makes its function and the trigger, in the schema that comes first on the path.

        The function remembers that path: whoever comes with another one must not have it look at other tables.
        """
        each = "STATEMENT" if self.event == "TRUNCATE" else "ROW"
        return (
            f"CREATE FUNCTION {self.name}() RETURNS trigger LANGUAGE plpgsql SET search_path FROM CURRENT "
            f"AS $body${self.body}$body$",
            f"CREATE TRIGGER {self.name} BEFORE {self.event} ON {self.table} FOR EACH {each} "
            f"EXECUTE FUNCTION {self.name}()",
        )


def make_triggers(op: Any, triggers: Iterable[Sequence[str]]) -> None:
    """Make triggers in a migration, for the database that it runs on.

    Parameters
    ----------
    op : alembic's operations
    triggers : (name, action, words) of each
    """
    made = [(name, action, words) for name, action, words in triggers]
    if op.get_bind().dialect.name == "sqlite":
        for name, action, words in made:
            op.execute(sqlite_trigger(name, action, words))
        return
    for one in postgres_triggers(made):
        for statement in one.statements:
            # On the driver: a colon in words is no parameter.
            op.get_bind().exec_driver_sql(statement.replace("%", "%%"))


def sqlite_trigger(name: str, action: str, words: str) -> str:
    """Return the statement that makes a trigger in SQLite."""
    return f"CREATE TRIGGER {name} BEFORE {action} BEGIN SELECT RAISE(ABORT, '{words}'); END"


def postgres_triggers(triggers: Iterable[Sequence[str]]) -> tuple[Forbidden, ...]:
    """Return the triggers of PostgreSQL, those against TRUNCATE with them."""
    made, emptied = [], {}
    for name, action, words in triggers:
        found = _ACTION.fullmatch(action)
        if found is None:
            raise ValueError(f"UPDATE ON table or DELETE ON table expected, perhaps WHEN condition, got {action!r}")
        event, table, condition = found["event"], found["table"], found["condition"]
        made.append(Forbidden(name=name, table=table, event=event, body=_body(words, event, condition)))
        if event == "DELETE":
            emptied[table] = Forbidden(
                name=f"{table}_{_EMPTIED}", table=table, event="TRUNCATE", body=_body(words, "TRUNCATE", None)
            )
    return (*made, *emptied.values())


def _body(words: str, event: str, condition: str | None) -> str:
    # SQLite's RAISE(ABORT) is an integrity error to its driver; so is this (SQLSTATE 23000).
    refused = f"RAISE EXCEPTION '{words.replace('%', '%%')}' USING ERRCODE = 'integrity_constraint_violation';"
    if condition is None:
        return f"\nBEGIN\n  {refused}\nEND\n"
    ours = _OTHER_VALUE.sub("IS DISTINCT FROM ", condition)
    row = {"UPDATE": "NEW", "DELETE": "OLD"}[event]
    return f"\nBEGIN\n  IF {ours} THEN\n    {refused}\n  END IF;\n  RETURN {row};\nEND\n"
