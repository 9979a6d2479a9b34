"""Who comes into a panel: by a link and a consent, and by which link they come back.

Before consent nothing is stored. Tokens are drawn, and only their hashes are kept; that of the public link alone is
remembered, since it is no secret.
"""

import hmac
from base64 import urlsafe_b64encode
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime
from hashlib import sha256
from threading import Lock
from typing import TYPE_CHECKING, Any

from blindtest.errors import BlindtestError, Fault
from blindtest.session.panelist import token_hash
from blindtest.steps.keeping import keeping_was
from blindtest.steps.listening import pseudonym_from
from blindtest.steps.place import Clock, Entropy
from blindtest.study import Panel, Study
from blindtest.words import worded

if TYPE_CHECKING:
    from blindtest.session.store import Store

__all__ = [
    "CLOSED",
    "Admission",
    "Admitted",
    "drawn_token",
    "is_closed",
    "last_day",
    "panel_of_study",
    "refused",
    "text_of",
]

CLOSED = "panel_closed"
_PUBLIC_LINK, _RESUME_SECRET = "panel_public_link", "panel_resume_secret"
Refused = Mapping[str, Any]


@dataclass(frozen=True, slots=True, kw_only=True)
class Admitted:
    """Somebody has agreed."""

    listener: str
    session: str
    resume: str | None
    """Token of the link to come back by, where the listener came by the public one."""
    again: bool = False
    """Whether this consent was on record already, and its answer had been lost."""


class Admission:
    """The door of an open panel. Methods block and may be called from any thread.

    Raises
    ------
    BlindtestError
        The consent text can't be read.
    """

    def __init__(self, study: Study, store: "Store", *, clock: Clock, entropy: Entropy) -> None:
        self._study = study
        self._panel = panel_of_study(study)
        self._store = store
        self._clock = clock
        self._entropy = entropy
        # Read once: the consent text is part of the seal, and nobody agrees to one that changes while they read.
        self.consent = text_of(study, study.listeners.consent)
        # Of the file itself, whatever its lines end with: the hash that the seal holds.
        self.consent_sha256 = sha256((study.folder / study.listeners.consent).read_bytes()).hexdigest()
        # Two secrets drawn at once would lead one listener to two links.
        self._drawing = Lock()

    def text(self) -> dict[str, str]:
        """Return the consent text and its hash, as a page shows the one and sends the other."""
        return {"consent": self.consent, "consent_sha256": self.consent_sha256}

    def public_token(self) -> str | None:
        """Return the token of the public link, the same in every run; None where there is none."""
        if not self._panel.public:
            return None
        token = self._store.remembered(_PUBLIC_LINK)
        if not isinstance(token, str):
            token = drawn_token(self._entropy)
            self._store.panel.add_links([token_hash(token)], kind="public", at=self._clock())
            self._store.remember(_PUBLIC_LINK, token)
        return token

    def agreed(
        self, token: str, text_sha256: str, *, known: str | None, browser: str, closed: bool
    ) -> Admitted | str | Refused:
        """Put a listener on record who agrees; else who is on record already, or why that can't be.

        Parameters
        ----------
        token : of the link; '' where a page was opened without, by what its browser holds
        text_sha256 : of the text that was on the page
        known : who is on record by what the browser holds: takes no second place by the public link, and agrees anew
            where the text was changed
        browser : what the browser drew before it sent this: sent again after its answer was lost, it is the same
            listener's consent, with the same link to come back by. '': each is another's
        closed : whether nobody new is admitted, and nobody begins a further sitting

        Raises
        ------
        BlindtestError
            It is another text than the one that is shown now.
        """
        if text_sha256 != self.consent_sha256:
            raise BlindtestError(
                Fault(
                    problem=worded("the consent text was changed meanwhile"),
                    remedy=worded("reload the page and read it again"),
                )
            )
        link = self._store.panel.link(token_hash(token))
        by_public = link is not None and link.kind == "public"
        if known is not None and (not token or (link is not None and (by_public or link.listener == known))):
            if not closed:
                self._store.panel.agree_again(known, text_sha256, at=self._clock())
            return known
        if by_public and not self._panel.public:
            return refused("closed")
        session = drawn_token(self._entropy)
        resume = self._resume_by(token, browser) if browser else drawn_token(self._entropy)
        before = self._store.panel.link(token_hash(resume)) if by_public else link
        came = self._store.panel.admit(
            token_hash(token),
            names=lambda: pseudonym_from(self._entropy),
            session_hash=token_hash(session),
            resume_hash=token_hash(resume),
            seed=self._entropy(32),
            text_sha256=text_sha256,
            at=self._clock(),
            places=self._panel.public_places,
            most=self._panel.most_listeners,
            browser_hash=token_hash(f"{token}/{browser}") if browser else "",
            closed=closed,
        )
        if came in ("unknown", "taken", "withdrawn", "full", "closed"):
            return refused("past" if came == "closed" and keeping_was(self._study, self._clock()) else came)
        again = before is not None and before.listener is not None
        return Admitted(listener=came, session=session, resume=resume if by_public else None, again=again)

    def _resume_by(self, token: str, browser: str) -> str:
        """Return the token of the link to come back by for whoever agreed by this link and this browser.

        It follows from a secret of this panel: as hard to guess as a drawn one, whatever the browser drew.
        """
        with self._drawing:
            secret = self._store.remembered(_RESUME_SECRET)
            if not isinstance(secret, str):
                secret = self._entropy(32).hex()
                self._store.remember(_RESUME_SECRET, secret)
        mixed = hmac.digest(bytes.fromhex(secret), f"{token}/{browser}".encode(), "sha256")
        return urlsafe_b64encode(mixed[:20]).decode().rstrip("=")


def drawn_token(entropy: Entropy) -> str:
    """Return a token of 160 bits that a link can hold."""
    return urlsafe_b64encode(entropy(20)).decode().rstrip("=")


def panel_of_study(study: Study) -> Panel:
    """Return the study's panel.

    Raises
    ------
    BlindtestError
        It has none.
    """
    if study.panel is None:
        raise BlindtestError(
            Fault(
                problem="this study has no panel",
                file=str(study.path),
                key="panel",
                remedy="write [panel] with invitation = 'invitation.md', and consent under [listeners]: "
                "blindtest guide panel",
            )
        )
    return study.panel


def is_closed(store: "Store", study: Study, at: datetime) -> bool:
    """Return whether a panel admits nobody any more."""
    last = last_day(study)
    return (last is not None and at.astimezone().date() > last) or store.remembered(CLOSED) is not None


def last_day(study: Study) -> date | None:
    """Return the last day on which anybody can begin: what came in once answers may be kept no longer is no answer."""
    days = (None if study.panel is None else study.panel.closes, study.listeners.keep_until)
    return min((day for day in days if day is not None), default=None)


def text_of(study: Study, name: str) -> str:
    """Return a text that listeners read; that it is UTF-8 was seen when the study was loaded."""
    try:
        return (study.folder / name).read_text(encoding="utf-8")
    except OSError as error:
        raise BlindtestError(
            Fault(problem=f"can't be read: {error.strerror or error}", file=str(study.folder / name))
        ) from error


def refused(why: str) -> Refused:
    """Return the state of somebody who is not let in, or not any more."""
    return {"step": "refused", "why": why}
