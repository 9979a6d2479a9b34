"""Why listeners stopped, in their own words: kept for the organiser, published only where remarks are asked for."""

from collections.abc import Iterable, Mapping
from typing import Any

from blindtest.session.register import SittingEntry

__all__ = ["OWN_WORDS", "reason_told", "without_own_words"]

OWN_WORDS = "in the listener's own words, which were not asked to be published"
"""Stands in place of what a listener wrote: a reader is to see that something was said."""


def reason_told(entry: SittingEntry, events: Iterable[Mapping[str, Any]]) -> str:
    """Return why a sitting ended as anybody may read it: the words of tool and organiser, not those of the listener.

    events : those of the sitting; who stopped it on the page is known by them
    """
    own = bool(entry.reason) and any(event.get("event") == "abandoned" for event in events)
    return OWN_WORDS if own else entry.reason


def without_own_words(event: Mapping[str, Any]) -> Mapping[str, Any]:
    """Return an event without the reason that a listener gave in it."""
    if event.get("event") != "abandoned" or not event.get("reason"):
        return event
    return {**event, "reason": OWN_WORDS}
