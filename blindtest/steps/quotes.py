"""Whether the words that claims quote stand in the impressions on record that they name.

A claim names the beginning of an impression's hash; its quote must occur in those words, white space apart. Nothing
else ties the claim that is tested to what was said before the test (claims, section 1).
"""

import re
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from blindtest.errors import BlindtestError, Fault
from blindtest.steps.storage import database_in, is_recorded
from blindtest.study import read_toml

if TYPE_CHECKING:
    from blindtest.session.register import ImpressionEntry
    from blindtest.session.store import Store

__all__ = ["check_quotes", "quote_faults"]

_HASH = re.compile("[0-9a-f]{8,64}")
"""What the schema takes for the beginning of a hash; what it doesn't, it has complained about."""
_SHOWN = 8
"""Characters of a hash that messages show: as many as a claim has to name."""


def check_quotes(path: Path, store: "Store") -> None:
    """Refuse a study file whose claims quote what is not on record in `store`.

    Raises
    ------
    BlindtestError
        A hash that no impression has, or more than one; a quote that does not stand in its words, or whose words were
        erased; all at once.
    """
    if faults := _faults(path, store.impressions(), erased=True):
        raise BlindtestError.of(faults)


def quote_faults(path: Path) -> tuple[Fault, ...]:
    """Return what is wrong with the quotes of the study file at `path`; words that were erased are no fault here.

    The database is only opened where a claim names an impression.
    """
    if not any(True for _ in _named(path)):
        return ()
    entries: Sequence[ImpressionEntry] = ()
    database = database_in(path, read_toml(path).data)
    if is_recorded(database):
        import os

        from blindtest.session.store import Store

        with Store(database, entropy=os.urandom, create=False) as store:
            entries = store.impressions()
    return tuple(_faults(path, entries, erased=False))


def _named(path: Path) -> Iterator[tuple[int, dict[str, Any]]]:
    """Yield the claims that name an impression, with their places."""
    claims = read_toml(path).data.get("claim", ())
    for index, claim in enumerate(claims if isinstance(claims, list) else ()):
        if isinstance(claim, dict) and _HASH.fullmatch(str(claim.get("impression"))):
            yield index, claim


def _faults(path: Path, entries: "Sequence[ImpressionEntry]", *, erased: bool) -> list[Fault]:
    source = read_toml(path)
    faults = []
    for index, claim in _named(path):
        place, named, quote = ("claim", index), claim["impression"], claim.get("quote")
        found = [entry for entry in entries if entry.hash.startswith(named)]
        if len(found) != 1:
            faults.append(
                source.fault(
                    (*place, "impression"),
                    "several impressions begin like this" if found else "no such impression is on record",
                    got=named,
                    allowed=", ".join(entry.hash[:_SHOWN] for entry in entries[-10:]) or "none: nothing was recorded",
                    remedy="write more of the hash" if found else "put the words on record with: blindtest impression",
                )
            )
            continue
        row = found[0].row
        if row is None:
            if erased:
                faults.append(
                    source.fault(
                        (*place, "impression"),
                        "the words of this impression were erased: no quote can be held against them",
                        got=named,
                        remedy="put another impression on record, or take impression and quote out",
                    )
                )
        elif isinstance(quote, str) and _spaced(quote) not in _spaced(str(row["quote"])):
            faults.append(
                source.fault(
                    (*place, "quote"),
                    "these words don't stand in the impression",
                    got=quote,
                    allowed=f"words of: {_spaced(str(row['quote']))}",
                    remedy="quote word for word, or put another impression on record",
                )
            )
    return faults


def _spaced(text: str) -> str:
    """Return a text with single spaces between its words: a line break is no other wording."""
    return " ".join(text.split())
