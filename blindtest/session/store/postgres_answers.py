"""Answers into PostgreSQL: all that wait are read at once and written at once, however many they are.

Each statement is a way to the server and back, which on a busy machine takes longer than the statement: a batch takes
four, its beginning and its commit among them. Where something else stands between the answers of a batch, what was
added is written before and read anew after.
"""

from collections.abc import Sequence
from dataclasses import replace

from sqlalchemy import Connection

from blindtest.session.store.answers import About, Chained, LinkRow, StoredRow

__all__ = ["AllAtOnce"]

_READ = """
    SELECT asked.place, s.state, s.commitment, tip.position, tip.hash,
           c.attempt, c.slot, c.position, c.hash, content.row
    FROM unnest(%s::int[], %s::int[]) WITH ORDINALITY AS asked (sitting, trial, place)
    JOIN sittings s ON s.number = asked.sitting
    LEFT JOIN LATERAL (
        SELECT position, hash FROM chain WHERE chain.sitting = asked.sitting ORDER BY position DESC LIMIT 1
    ) tip ON true
    LEFT JOIN chain c ON c.sitting = asked.sitting AND c.trial = asked.trial
    LEFT JOIN content ON content.sitting = c.sitting AND content.position = c.position
    ORDER BY asked.place, c.position
"""
_ADD = """
    WITH added AS (
        SELECT * FROM unnest(
            %s::int[], %s::int[], %s::int[], %s::int[], %s::text[], %s::text[], %s::text[], %s::bytea[], %s::text[]
        ) AS given (sitting, position, trial, attempt, slot, row_hash, hash, salt, text)
    ), link AS (
        INSERT INTO chain (sitting, position, trial, attempt, slot, row_hash, hash)
        SELECT sitting, position, trial, attempt, slot, row_hash, hash FROM added
    )
    INSERT INTO content (sitting, position, salt, row) SELECT sitting, position, salt, text FROM added
"""


class AllAtOnce:
    """See `answers.Answers`."""

    def __init__(self) -> None:
        self._known: dict[About, Chained | None] = {}
        self._added: list[LinkRow] = []

    def begin(self, connection: Connection, about: Sequence[About]) -> None:
        """Read what the answers to come will ask for."""
        self._known.clear()
        self._added.clear()
        if about:
            self._look(connection, about)

    def read(self, connection: Connection, about: About) -> Chained | None:
        """Return how a sitting stands, those rows among it that are added and not written yet."""
        if about not in self._known:
            self.settle(connection)
            self._look(connection, [about])
        return self._known[about]

    def add(self, connection: Connection, row: LinkRow) -> None:
        """Add a row, and let those who read the sitting see it."""
        self._added.append(row)
        for about, chained in self._known.items():
            if chained is None or about[0] != row.sitting:
                continue
            stored = chained.stored
            if about[1] == row.trial:
                stored = (*stored, StoredRow(row.attempt, row.slot, row.position, row.hash, row.text))
            self._known[about] = replace(chained, position=row.position, tip=row.hash, stored=stored)

    def settle(self, connection: Connection) -> None:
        """Write what was added."""
        self._known.clear()
        if self._added:
            columns = [list(column) for column in zip(*self._added, strict=True)]
            self._added.clear()
            connection.connection.cursor().execute(_ADD, tuple(columns))

    def _look(self, connection: Connection, about: Sequence[About]) -> None:
        asked = list(dict.fromkeys(about))
        cursor = connection.connection.cursor()
        cursor.execute(_READ, ([sitting for sitting, _ in asked], [trial for _, trial in asked]))
        self._known |= dict.fromkeys(asked)
        for place, state, start, position, tip, *stored in cursor.fetchall():
            chained = self._known[asked[place - 1]] or Chained(
                state=state, start=start, position=position or 0, tip=tip or start, stored=()
            )
            if stored[0] is not None:
                chained = replace(chained, stored=(*chained.stored, StoredRow(*stored)))
            self._known[asked[place - 1]] = chained
