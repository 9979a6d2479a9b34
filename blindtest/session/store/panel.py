"""The readers' panel in the database: links, listeners, consents, and what listeners said of themselves."""

import json
from collections.abc import Callable, Iterable, Mapping, Sequence
from contextlib import AbstractContextManager
from datetime import datetime
from typing import Any, Protocol, TypeVar

from sqlalchemy import Connection, delete, func, insert, select, update

from blindtest.design import canonical
from blindtest.session import migrations as schema
from blindtest.session.event import time_text
from blindtest.session.panel_devices import DEVICES, Move, kept_as
from blindtest.session.panelist import (
    AGREED,
    AGREED_BEFORE,
    LinkKind,
    NoPlace,
    OwnSitting,
    PanelCounts,
    Panelist,
    PanelLink,
)
from blindtest.session.register import WITHHELD

__all__ = ["PanelRegister", "erase_panelist", "panelists"]

T = TypeVar("T")
_ASKED_AT_ONCE = 250
"""Hashes in one query: databases take some hundreds of values at once."""


class _Write(Protocol):
    def __call__(self, job: Callable[[Connection], T]) -> T: ...


class PanelRegister:
    """The panel's part of a store; every write is durable when it returns.

    Parameters
    ----------
    write : runs a job in the store's writer and returns what it returns, once that is durable
    read : opens a connection to read
    """

    def __init__(self, write: _Write, read: Callable[[], AbstractContextManager[Connection]]) -> None:
        self._write = write
        self._read = read

    def add_links(self, hashes: Iterable[str], *, kind: LinkKind, at: datetime) -> None:
        """Store links by the hashes of their tokens. One that is there already is left as it is."""
        table = schema.panel_links

        def job(connection: Connection) -> None:
            for hashed in hashes:
                if connection.scalar(select(table.c.kind).where(table.c.token_hash == hashed)) is None:
                    connection.execute(
                        insert(table).values(token_hash=hashed, kind=kind, created=time_text(at), used=0)
                    )

        self._write(job)

    def link(self, hashed: str) -> PanelLink | None:
        """Return the link whose token has this hash."""
        with self._read() as connection:
            return _link(connection, hashed)

    def admit(
        self,
        hashed: str,
        *,
        names: Callable[[], str],
        session_hash: str,
        resume_hash: str,
        seed: bytes,
        text_sha256: str,
        at: datetime,
        places: int | None,
        most: int | None,
        browser_hash: str = "",
        closed: bool = False,
    ) -> str | NoPlace:
        """Put a listener who has just agreed on record and return their pseudonym, or why there is no place.

        Parameters
        ----------
        hashed : hash of the token of the link that was opened
        names : draws pseudonyms; the first that nobody has is taken
        session_hash : hash of what the listener's browser holds from now on
        resume_hash : hash of the token by which a visitor of a public link comes back
        seed : see `Panelist`
        text_sha256 : of the consent text
        places : how many listeners a public link admits; None: any number
        most : how many listeners there may be in all
        browser_hash : of what the browser drew before it sent the consent; who agreed by the same one is the same
            listener. By a public link it is known by `resume_hash`, which then follows from it. '': always another one
        closed : whether nobody new is admitted
        """

        def job(connection: Connection) -> str:
            link = _link(connection, hashed)
            if link is not None and browser_hash:
                before = _link(connection, resume_hash) if link.kind == "public" else link
                if before is not None and before.withdrawn:
                    return "withdrawn"
                there = before.listener if before is not None else None
                if there and (link.kind == "public" or _agreed_by(connection, there) == browser_hash):
                    _give_over(connection, there, session_hash)
                    return there
            refusal = "closed" if closed else _refusal(connection, link, places=places, most=most)
            if link is None or refusal is not None:
                return refusal or "unknown"
            links = schema.panel_links
            connection.execute(update(links).where(links.c.token_hash == hashed).values(used=links.c.used + 1))
            own = hashed
            if link.kind == "public":
                own = resume_hash
                held = {"token_hash": own, "kind": "personal", "created": time_text(at), "parent": hashed, "used": 1}
                connection.execute(insert(links).values(held))
            listener = _free_name(connection, names)
            connection.execute(
                insert(schema.panel_listeners).values(
                    listener=listener, link=own, session_hash=session_hash, seed=seed, created=time_text(at)
                )
            )
            connection.execute(
                insert(schema.panel_consents).values(listener=listener, text_sha256=text_sha256, at=time_text(at))
            )
            if browser_hash:
                _keep(connection, listener, AGREED, {"browser": browser_hash}, at)
            return listener

        return self._write(job)

    def agree_again(self, listener: str, text_sha256: str, *, at: datetime) -> None:
        """Put on record that a listener agreed to a text that was changed since; the same text changes nothing.

        The consents before it are kept beside: what was done under them was agreed to by them.
        """
        table = schema.panel_consents

        def job(connection: Connection) -> None:
            query = select(table.c.text_sha256, table.c.at).where(table.c.listener == listener)
            before = connection.execute(query).one_or_none()
            if before is None or before.text_sha256 == text_sha256:
                return
            earlier = list(_kept(connection, listener, AGREED_BEFORE).get("texts", ()))
            earlier.append({"text_sha256": before.text_sha256, "at": before.at})
            _keep(connection, listener, AGREED_BEFORE, {"texts": earlier}, at)
            values = {"text_sha256": text_sha256, "at": time_text(at)}
            connection.execute(update(table).where(table.c.listener == listener).values(values))

        with self._read() as connection:
            current = connection.scalar(select(table.c.text_sha256).where(table.c.listener == listener))
        if current != text_sha256:
            self._write(job)

    def take_over(
        self, listener: str, session_hash: str, *, seed: bytes | None = None, at: datetime | None = None
    ) -> None:
        """Let another browser go on for a listener; the one before is not known any more.

        Parameters
        ----------
        listener : pseudonym
        session_hash : hash of what the other browser holds from now on
        seed : drawn for the tests on another device, if that is what it is: then the move is put on record with where
            the listener's sittings stand; left out where nothing was found out yet of the device before
        at : when
        """

        def job(connection: Connection) -> None:
            _give_over(connection, listener, session_hash)
            if seed is not None and at is not None:
                _move(connection, listener, seed, at)

        self._write(job)

    def listener_of(self, session_hash: str) -> str | None:
        """Return whose session it is."""
        table = schema.panel_listeners
        with self._read() as connection:
            return connection.scalar(select(table.c.listener).where(table.c.session_hash == session_hash))

    def listeners_of(self, session_hashes: Sequence[str]) -> dict[str, str]:
        """Return whose sessions these are, by hash; those that are nobody's are left out."""
        table, found = schema.panel_listeners, {}
        with self._read() as connection:
            for first in range(0, len(session_hashes), _ASKED_AT_ONCE):
                asked = session_hashes[first : first + _ASKED_AT_ONCE]
                query = select(table.c.session_hash, table.c.listener).where(table.c.session_hash.in_(asked))
                found.update({row.session_hash: row.listener for row in connection.execute(query)})
        return found

    def panelist(self, listener: str) -> Panelist | None:
        """Return what is on record of a listener."""
        known, consents, replies = schema.panel_listeners, schema.panel_consents, schema.panel_replies
        with self._read() as connection:
            found = connection.execute(
                select(known.c.seed, consents.c.text_sha256)
                .join_from(known, consents, consents.c.listener == known.c.listener)
                .where(known.c.listener == listener)
            ).one_or_none()
            if found is None:
                return None
            query = select(replies.c.step, replies.c.held).where(replies.c.listener == listener)
            kept = {step: json.loads(held) for step, held in connection.execute(query)}
        return Panelist(listener=listener, seed=bytes(found.seed), consent_sha256=found.text_sha256, kept=kept)

    def keep(self, listener: str, step: str, held: Mapping[str, Any], *, at: datetime) -> None:
        """Store what is kept of a step before the sitting, in place of what was; of nobody who isn't on record."""

        def job(connection: Connection) -> None:
            known = schema.panel_listeners.c.listener
            if connection.scalar(select(known).where(known == listener)) is None:
                return  # withdrawn while this was on its way: nothing of theirs is kept any more
            _keep(connection, listener, step, held, at)

        self._write(job)

    def sittings_of(self, listener: str) -> tuple[OwnSitting, ...]:
        """Return a listener's sittings in order, without reading the whole register."""
        table = schema.sittings
        wanted = (table.c.number, table.c.state, table.c.study_seal, table.c.created)
        query = select(*wanted).where(table.c.listener == listener).order_by(table.c.number)
        with self._read() as connection:
            return tuple(
                OwnSitting(
                    number=row.number,
                    state=row.state,
                    study_seal=row.study_seal,
                    created=datetime.fromisoformat(row.created),
                )
                for row in connection.execute(query)
            )

    def replies(self) -> tuple[Panelist, ...]:
        """Return all listeners of the panel with what they said, in the order of their coming."""
        return tuple(one for name in self._names() if (one := self.panelist(name)) is not None)

    def _names(self) -> tuple[str, ...]:
        table = schema.panel_listeners
        with self._read() as connection:
            return tuple(connection.scalars(select(table.c.listener).order_by(table.c.created, table.c.listener)))

    def withdrawn(self) -> int:
        """Return how many listeners had everything erased."""
        links = schema.panel_links
        query = (
            select(func.count()).select_from(links).where(links.c.kind == "personal", links.c.withdrawn.is_not(None))
        )
        with self._read() as connection:
            return int(connection.scalar(query) or 0)

    def counts(self) -> PanelCounts:
        """Return how the panel stands."""
        links, known, sittings = schema.panel_links, schema.panel_listeners, schema.sittings

        def count(connection: Connection, table: Any, *where: Any) -> int:
            return int(connection.scalar(select(func.count()).select_from(table).where(*where)) or 0)

        personal = links.c.kind == "personal"
        invited = (personal, links.c.parent.is_(None))
        with self._read() as connection:
            states = {
                state: count(connection, sittings, sittings.c.state == state)
                for state in ("open", "finished", "abandoned")
            }
            begun = select(sittings.c.listener).where(sittings.c.listener == known.c.listener).exists()
            return PanelCounts(
                invited=count(connection, links, *invited),
                invited_used=count(connection, links, *invited, links.c.used > 0),
                by_public_link=count(connection, links, personal, links.c.parent.is_not(None)),
                listeners=count(connection, known),
                withdrawn=count(connection, links, personal, links.c.withdrawn.is_not(None)),
                not_begun=count(connection, known, ~begun),
                **states,
            )


def panelists(connection: Connection) -> set[str]:
    """Return the pseudonyms of all listeners of the panel."""
    return set(connection.scalars(select(schema.panel_listeners.c.listener)))


def erase_panelist(connection: Connection, pseudonym: str, at: datetime) -> bool:
    """Delete all that a listener of the panel agreed to and said, and close the link; return whether there is one."""
    known = schema.panel_listeners
    link = connection.scalar(select(known.c.link).where(known.c.listener == pseudonym))
    if link is None:
        return False
    for table in (schema.panel_replies, schema.panel_consents, known):
        connection.execute(delete(table).where(table.c.listener == pseudonym))
    links = schema.panel_links
    connection.execute(update(links).where(links.c.token_hash == link).values(withdrawn=time_text(at)))
    return True


def _give_over(connection: Connection, listener: str, session_hash: str) -> None:
    table = schema.panel_listeners
    connection.execute(update(table).where(table.c.listener == listener).values(session_hash=session_hash))


def _keep(connection: Connection, listener: str, step: str, held: Mapping[str, Any], at: datetime) -> None:
    table = schema.panel_replies
    connection.execute(delete(table).where(table.c.listener == listener, table.c.step == step))
    values = {"listener": listener, "step": step, "held": canonical(held).decode(), "at": time_text(at)}
    connection.execute(insert(table).values(values))


def _kept(connection: Connection, listener: str, step: str) -> Mapping[str, Any]:
    table = schema.panel_replies
    held = connection.scalar(select(table.c.held).where(table.c.listener == listener, table.c.step == step))
    return {} if held is None else json.loads(held)


def _move(connection: Connection, listener: str, seed: bytes, at: datetime) -> None:
    sittings, chain = schema.sittings, schema.chain
    last = connection.scalar(select(func.max(sittings.c.number)).where(sittings.c.listener == listener)) or 0
    links = connection.scalar(select(func.count()).select_from(chain).where(chain.c.sitting == last)) or 0
    held = list(_kept(connection, listener, DEVICES).get("moves", ()))
    stood = (held[-1]["sitting"], held[-1]["links"]) if held else (0, 0)
    found = any(_kept(connection, listener, kept_as(step, len(held))) for step in ("output", "screening"))
    if not found and stood == (last, links):
        return  # nothing was found out of that device, and nothing answered there
    move = Move(sitting=last, links=links, seed=seed)
    _keep(connection, listener, DEVICES, {"moves": [*held, move.to_record()]}, at)


def _agreed_by(connection: Connection, listener: str) -> str | None:
    """Return the hash of what the browser drew by which a listener agreed; None where it drew nothing."""
    return _kept(connection, listener, AGREED).get("browser")


def _link(connection: Connection, hashed: str) -> PanelLink | None:
    links, known = schema.panel_links, schema.panel_listeners
    row = connection.execute(
        select(links.c.kind, links.c.used, links.c.withdrawn, known.c.listener)
        .join_from(links, known, known.c.link == links.c.token_hash, isouter=True)
        .where(links.c.token_hash == hashed)
    ).one_or_none()
    if row is None:
        return None
    return PanelLink(kind=row.kind, used=row.used, listener=row.listener, withdrawn=row.withdrawn is not None)


def _refusal(connection: Connection, link: PanelLink | None, *, places: int | None, most: int | None) -> NoPlace | None:
    if link is None:
        return "unknown"
    if link.withdrawn:
        return "withdrawn"
    if link.listener is not None:
        return "taken"
    if link.kind == "public" and places is not None and link.used >= places:
        return "full"
    # Those who withdrew have had their place: else a limit would let in any number.
    admitted = connection.scalar(
        select(func.sum(schema.panel_links.c.used)).where(schema.panel_links.c.parent.is_(None))
    )
    return "full" if most is not None and int(admitted or 0) >= most else None


def _free_name(connection: Connection, names: Callable[[], str]) -> str:
    """Return the first drawn pseudonym that nobody has; in the writer's turn nobody else takes it meanwhile."""
    said = schema.impression_content.c.by
    while True:
        name = names()
        taken = [
            connection.scalar(select(func.count()).where(column == name))
            for column in (schema.panel_listeners.c.listener, schema.sittings.c.listener, said)
        ]
        if not any(taken) and name != WITHHELD:
            return name
