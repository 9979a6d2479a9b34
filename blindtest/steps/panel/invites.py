"""What an organiser does with a panel besides serving it: write links, close it; see also `look`."""

import os
from dataclasses import dataclass
from pathlib import Path
from shlex import quote
from typing import Any
from urllib.parse import urlsplit

from blindtest.errors import BlindtestError, Fault, WrongUse
from blindtest.nouns import number_of
from blindtest.session.panelist import token_hash
from blindtest.steps.keeping import keeping_was
from blindtest.steps.panel.admission import CLOSED, drawn_token, is_closed, panel_of_study
from blindtest.steps.panel.end import OpenedNonces, open_nonces
from blindtest.steps.place import Clock, Entropy, now, open_store
from blindtest.study import load_study

__all__ = [
    "MOST_INVITATIONS",
    "PANEL_PORT",
    "PANEL_URL",
    "Invited",
    "PanelClosed",
    "close_panel",
    "invite",
    "public_origin",
]

MOST_INVITATIONS = 10_000
PANEL_URL, PANEL_PORT = "panel_url", "panel_port"
"""Where the panel was served last, for links that are written while it is not."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Invited:
    """Links that were written; nothing else knows their tokens."""

    folder: Path
    links: tuple[str, ...]

    def to_dict(self) -> dict[str, Any]:
        """Return what JSON can hold."""
        return {"links": list(self.links)}

    def text(self) -> str:
        """Return them one a line, and nothing else: to be sent to a file."""
        return "\n".join(self.links)


@dataclass(frozen=True, slots=True, kw_only=True)
class PanelClosed:
    """A panel that was closed for good."""

    folder: Path
    at: str
    open_sittings: int
    opened: OpenedNonces | None = None
    """Where nobody listens any more."""

    def to_dict(self) -> dict[str, Any]:
        """Return what JSON can hold."""
        opened = {} if self.opened is None else {"nonces_opened": self.opened.to_dict()}
        return {"at": self.at, "open_sittings": self.open_sittings, **opened}

    def text(self) -> str:
        """Return it in words."""
        rest = (
            f"{number_of(self.open_sittings, 'open sitting')} can still be finished until their deadlines."
            if self.open_sittings
            else "No sitting is open."
        )
        lines = [f"Closed at {self.at}: nobody can begin any more. {rest}"]
        lines += self.opened.lines(self.folder) if self.opened else []
        lines.append(
            "While it is served, listeners read their own results once none is open: "
            f"blindtest panel {quote(str(self.folder))}"
        )
        return "\n".join(lines)


def public_origin(url: str) -> str:
    """Return 'https://host' or 'https://host:port' of a public address.

    Raises
    ------
    WrongUse
        It is no such address: its pages stand at the root of a host.
    """
    parts = urlsplit(url)
    try:
        port = parts.port
    except ValueError:
        port = -1
    plain = parts.path in ("", "/") and not parts.query and not parts.fragment and "@" not in parts.netloc
    if parts.scheme not in ("http", "https") or not parts.hostname or port == -1 or not plain:
        raise WrongUse(
            Fault(
                problem="not the address of a host",
                key="--public-url",
                got=url,
                allowed="https://host or https://host:port, without a path",
                remedy="give the panel a host name of its own",
            )
        )
    return f"{parts.scheme}://{parts.netloc.lower()}"


def invite(folder: Path, count: int, *, url: str = "", clock: Clock = now, entropy: Entropy = os.urandom) -> Invited:
    """Write personal links, also while the panel is served; only hashes of their tokens are stored.

    url : where the panel can be reached; else where it was served last

    Raises
    ------
    BlindtestError
        The study can't be used, has no panel or its panel is closed; or no address is known.
    """
    study = load_study(folder)
    panel_of_study(study)
    with open_store(study, entropy=entropy) as store:
        if is_closed(store, study, clock()):
            for_good = store.remembered(CLOSED) is not None
            if not for_good and keeping_was(study, clock()):
                raise BlindtestError(
                    Fault(
                        problem="the day until which answers are kept has passed: nobody is let in, and a link would "
                        "lead nowhere",
                        file=str(study.path),
                        key="listeners.keep_until",
                        got=str(study.listeners.keep_until),
                        remedy="if it is to go on, set a later day, here and in the consent text",
                    )
                )
            raise BlindtestError(
                Fault(
                    problem="the panel is closed: a link would lead nowhere",
                    file=str(study.path),
                    key="" if for_good else "panel.closes",
                    remedy="" if for_good else "set a later day, if it is to go on",
                )
            )
        origin = public_origin(url) if url else store.remembered(PANEL_URL)
        if not isinstance(origin, str):
            raise BlindtestError(
                Fault(
                    problem="where the panel will be reached is not known yet",
                    key="--public-url",
                    remedy="serve it once, or name the address: --public-url https://listen.example.org",
                )
            )
        tokens = [drawn_token(entropy) for _ in range(count)]
        store.panel.add_links([token_hash(token) for token in tokens], kind="personal", at=clock())
    return Invited(folder=Path(folder), links=tuple(f"{origin}/#{token}" for token in tokens))


def close_panel(folder: Path, *, clock: Clock = now, entropy: Entropy = os.urandom) -> PanelClosed:
    """Close a panel for good, also while it is served: nobody can begin any more."""
    study = load_study(folder)
    panel_of_study(study)
    with open_store(study, create=False, entropy=entropy) as store:
        store.abandon_overdue(clock())
        at = store.remembered(CLOSED)
        if not isinstance(at, str):
            at = clock().isoformat(timespec="seconds")
            store.remember(CLOSED, at)
        return PanelClosed(
            folder=Path(folder),
            at=at,
            open_sittings=store.panel.counts().open,
            opened=open_nonces(store, for_good=True, at=clock()),
        )
