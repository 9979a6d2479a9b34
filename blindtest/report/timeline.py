"""The order of impressions, measurements, clips, seals and sittings, put together from all that a report knows.

Moments and bare days stand in one list. A bare day says nothing about the hour: it is put at the day's beginning, and
whoever compares it with a moment of the same day is told that the order is not known (`before`).
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, time

from blindtest.report.facts import ReportInput
from blindtest.report.record_facts import EventKind
from blindtest.report.words import clean, plural, when

__all__ = ["Moment", "before", "condensed", "timeline"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Moment:
    """One entry of the record."""

    kind: EventKind
    what: str
    at: datetime
    """In UTC; the beginning of the day where only that is known."""
    only_day: bool
    by: str = ""
    """Whose clock says so."""
    hash: str = ""

    @property
    def day(self) -> str:
        """The day, in UTC."""
        return self.at.strftime("%Y-%m-%d")

    @property
    def time(self) -> str:
        """The moment as a reader sees it; the day where no more is known."""
        return f"{self.day}, hour not recorded" if self.only_day else when(self.at)


def timeline(report: ReportInput) -> tuple[Moment, ...]:
    """Return everything on record in order."""
    found = [
        *_impressions(report),
        *_measurements(report),
        *_clips(report),
        *_seals(report),
        *_sittings(report),
        *(_moment(event.kind, event.what, event.when, event.by, event.hash) for event in report.events),
    ]
    return tuple(sorted((one for one in found if one is not None), key=lambda one: (one.at, _RANKS[one.kind])))


_RANKS: dict[EventKind, int] = {
    "clip chosen": 0,
    "measurement": 1,
    "graph seen": 2,
    "impression": 3,
    "other": 4,
    "seal": 5,
    "commitment seen elsewhere": 6,
    "sitting": 7,
}


def _moment(kind: EventKind, what: str, at: datetime | str | None, by: str = "", hash_: str = "") -> Moment | None:
    if at is None or at == "":
        return None
    if isinstance(at, datetime):
        aware = at.replace(tzinfo=UTC) if at.tzinfo is None else at.astimezone(UTC)
        return Moment(kind=kind, what=clean(what), at=aware, only_day=False, by=by, hash=hash_)
    try:
        read = datetime.fromisoformat(at)
    except ValueError:
        return None
    if len(at) > len("2026-01-01"):
        return _moment(kind, what, read, by, hash_)
    start = datetime.combine(read.date(), time.min, UTC)
    return Moment(kind=kind, what=clean(what), at=start, only_day=True, by=by, hash=hash_)


def _impressions(report: ReportInput) -> list[Moment | None]:
    out = []
    for one in report.impressions:
        said = "words withheld" if one.withheld else f"“{clean(one.quote)}”"
        about = f" about {clean(one.unit)}" if one.unit else ""
        out.append(_moment("impression", f"impression{about}: {said}", one.when, "organiser's clock", one.hash))
    return out


def _measurements(report: ReportInput) -> list[Moment | None]:
    return [
        _moment("measurement", f"{clean(unit.name or unit.id)} measured", unit.measured, "study file")
        for unit in report.units
    ]


def _clips(report: ReportInput) -> list[Moment | None]:
    days: dict[str, list[str]] = {}
    for clip in report.clips:
        days.setdefault(clip.chosen, []).append(clean(clip.title or clip.id))
    return [
        _moment(
            "clip chosen",
            f"{plural(len(names), 'clip')} chosen: {', '.join(names)}",
            day,
            "study file",
        )
        for day, names in days.items()
    ]


def _seals(report: ReportInput) -> list[Moment | None]:
    seal = report.seal
    return [_moment("seal", "study sealed", seal.sealed_at, "organiser's clock", seal.study_commitment)]


def _sittings(report: ReportInput) -> list[Moment | None]:
    out = []
    for one in report.sittings:
        phase = f", {clean(one.phase)}" if one.phase else ""
        what = f"sitting {one.number} of {clean(one.listener)}{phase}"
        out.append(_moment("sitting", what, one.began, "organiser's clock", one.commitment))
    return out


def condensed(moments: Sequence[Moment]) -> list[Moment]:
    """Return the list with runs of sittings told in one entry."""
    out: list[Moment] = []
    run: list[Moment] = []
    for one in [*moments, None]:
        if one is not None and one.kind == "sitting":
            run.append(one)
            continue
        if len(run) > 3:
            last = f" until {run[-1].day}" if run[-1].day != run[0].day else ""
            out.append(replace(run[0], what=f"{plural(len(run), 'sitting')}{last}"))
        else:
            out += run
        run = []
        if one is not None:
            out.append(one)
    return out


def before(first: Moment, second: Moment) -> bool | None:
    """Return whether `first` came before `second`; None where a bare day leaves it open."""
    if first.day == second.day and (first.only_day or second.only_day):
        return None
    return first.at < second.at
