"""How a panel stands, for its organiser while it runs: counts and the state of the storage, and no result.

Nothing here depends on what was answered, but for a sealed stopping rule: of that it is said how many sittings it has
ended, since it ended them for everybody to see.
"""

from dataclasses import dataclass
from datetime import datetime
from shutil import disk_usage
from time import perf_counter
from typing import TYPE_CHECKING, Any

from blindtest.session.panelist import PanelCounts
from blindtest.stats import STOPPING_NAMES
from blindtest.steps.keeping import keeping_was
from blindtest.steps.panel.admission import last_day

if TYPE_CHECKING:
    from blindtest.session.store import Store
    from blindtest.study import Study

__all__ = ["PanelStanding", "RuleStanding", "StorageStanding", "panel_standing"]

_SEEN = "panel_seen"
_PLAIN = ("title", "closed", "closes", "kept_until", "planned", "most_listeners")


@dataclass(frozen=True, slots=True, kw_only=True)
class StorageStanding:
    """Whether answers can be stored now."""

    kind: str
    """'SQLite' or 'PostgreSQL'."""
    write_ms: float
    """What a small write took until it was durable, just now."""
    bytes: int | None
    """Size of the database's file and of the log beside it; None where it is no file here."""
    free_bytes: int | None
    """Left on its disk."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RuleStanding:
    """A sealed stopping rule, by which sittings may end early."""

    rule: str
    ended: int
    """Finished sittings that it ended before the last trial."""
    whole: int
    """Finished sittings that went to the last trial."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PanelStanding:
    """How a panel stands."""

    title: str
    closed: bool
    closes: str | None
    """The last day on which anybody can begin: that of `keep_until`, where it is the earlier."""
    kept_until: str | None
    """The day until which answers were to be kept, once it has passed."""
    planned: int
    """Listeners."""
    most_listeners: int
    counts: PanelCounts
    storage: StorageStanding
    rule: RuleStanding | None

    def to_dict(self) -> dict[str, Any]:
        """Return what JSON can hold."""
        held = {name: getattr(self, name) for name in _PLAIN}
        return {
            **held,
            "counts": self.counts.to_dict(),
            "storage": {name: getattr(self.storage, name) for name in self.storage.__dataclass_fields__},
            "rule": None
            if self.rule is None
            else {name: getattr(self.rule, name) for name in self.rule.__dataclass_fields__},
        }


def panel_standing(study: "Study", store: "Store", *, closed: bool, at: datetime) -> PanelStanding:
    """Return how the panel of `study` stands; `at`: the present time, which is written to see whether that can be done.

    Raises
    ------
    BlindtestError
        Nothing can be stored now; it says why.
    """
    panel = study.panel
    assert panel is not None
    last = last_day(study)
    return PanelStanding(
        title=study.title,
        closed=closed,
        closes=None if last is None else last.isoformat(),
        kept_until=str(study.listeners.keep_until) if keeping_was(study, at) else None,
        planned=study.listeners.planned,
        most_listeners=panel.most_listeners,
        counts=store.panel.counts(),
        storage=_storage(store, at.isoformat(timespec="seconds")),
        rule=_rule(study, store),
    )


def _storage(store: "Store", at: str) -> StorageStanding:
    begun = perf_counter()
    store.remember(_SEEN, at)
    took = perf_counter() - begun
    file = store.path if store.path.is_file() else None
    log = store.path.with_name(f"{store.path.name}-wal")
    return StorageStanding(
        kind="PostgreSQL" if file is None else "SQLite",
        write_ms=round(1000 * took, 1),
        bytes=None if file is None else sum(one.stat().st_size for one in (file, log) if one.is_file()),
        free_bytes=None if file is None else disk_usage(file.parent).free,
    )


def _rule(study: "Study", store: "Store") -> RuleStanding | None:
    stopping = study.protocol.blocks[-1].stopping
    if stopping is None:
        return None
    finished = [one.links for one in store.sittings() if one.state == "finished"]
    ended = sum(links < study.protocol.trials for links in finished)
    return RuleStanding(rule=STOPPING_NAMES[stopping.rule], ended=ended, whole=len(finished) - ended)
