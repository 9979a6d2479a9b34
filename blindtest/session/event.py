"""What can happen in a sitting: the events a page, a player or a listener sends, and their form as JSON."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, fields
from datetime import UTC, datetime
from typing import Any

from blindtest.errors import BlindtestError, Fault, did_you_mean
from blindtest.methods import Value

__all__ = [
    "EVENTS",
    "FAULT_KINDS",
    "LONGEST_COMMENT",
    "WAYS_OUT",
    "Abandoned",
    "Began",
    "Chosen",
    "Commented",
    "Confirmed",
    "Connected",
    "Continued",
    "Event",
    "Faulted",
    "Left",
    "LevelSet",
    "Loaded",
    "Misconnected",
    "Paused",
    "Resumed",
    "Selected",
    "Unchosen",
    "event_from_dict",
    "event_to_dict",
    "time_text",
]

FAULT_KINDS: dict[str, bool] = {
    "decode": True,
    "dropout": True,
    "device-lost": True,
    "misconnected": True,
    "interrupted": True,
    "rate": False,
    "hidden": False,
    "offline": False,
    "slow": False,
}
"""Kinds of fault a player reports, and whether the trial is offered again as another attempt. All are recorded."""


LONGEST_COMMENT = 1000
"""Characters of a remark."""
WAYS_OUT = ("skipped", "over", "interrupted")
"""How a programme ends for its listener: by their own wish, at its end, or because the page was opened anew."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Began:
    """The listener has read the cautions and begins, or goes on after an interruption."""

    at: datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class LevelSet:
    """The listener has set the level and leaves it alone from now on."""

    gain_db: float
    """Gain of the player, dB re the stimuli as stored; never above 0."""
    output_rate_hz: int | None = None
    output_latency_s: float | None = None
    """What the browser says of its own output, where it plays; left out where it doesn't."""
    at: datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class Loaded:
    """All sounds of the trial are decoded."""

    trial: int
    attempt: int
    at: datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class Selected:
    """The listener switched to a slot, possibly to the one already sounding."""

    trial: int
    attempt: int
    slot: str
    at: datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class Paused:
    """The sound stopped; sent where it is measured how long slots sound."""

    trial: int
    attempt: int
    at: datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class Resumed:
    """The slot selected last sounds again."""

    trial: int
    attempt: int
    at: datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class Left:
    """A programme that does not come round was left: skipped after the choice, or at its end."""

    trial: int
    attempt: int
    how: str
    """See `WAYS_OUT`."""
    at: datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class Chosen:
    """The listener chose an answer, or values of it; a value replaces the one chosen before, other values stay."""

    trial: int
    attempt: int
    values: Mapping[str, Value]
    """By the question's keys; may be incomplete until it is confirmed."""
    confidence: float | None = None
    """One of `methods.CONFIDENCE_LEVELS`, where the page asks for it; None as long as it was not said."""
    at: datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class Unchosen:
    """The listener took the choice back."""

    trial: int
    attempt: int
    at: datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class Commented:
    """The listener wrote a remark on the trial in hand; it replaces the one before. It stays apart from the answers."""

    trial: int
    attempt: int
    text: str
    """At most `LONGEST_COMMENT` characters; '' takes it back."""
    at: datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class Confirmed:
    """The listener confirmed the answer chosen."""

    trial: int
    attempt: int
    values: Mapping[str, Value] | None = None
    """What the sender believes was chosen. With it a repeated confirmation of the same answer is harmless."""
    at: datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class Faulted:
    """The player reports a fault; see `FAULT_KINDS`."""

    trial: int
    attempt: int
    kind: str
    at: datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class Continued:
    """The listener goes on after feedback or a break."""

    trial: int
    """The trial that was shown, so that a double click doesn't skip the break that follows."""
    at: datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class Connected:
    """The operator has connected what a slot is heard through; on record only, nothing in the sitting changes."""

    trial: int
    attempt: int
    slot: str
    took_s: float
    """Seconds from what the listener asked for."""
    at: datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class Misconnected:
    """The operator says that the connection for a slot was wrong; on record only."""

    trial: int
    attempt: int
    slot: str
    at: datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class Abandoned:
    """The listener stops for good; what was answered stays on record."""

    reason: str = ""
    at: datetime


Event = (
    Began | LevelSet | Loaded | Selected | Paused | Resumed | Chosen | Unchosen | Commented | Confirmed | Left | Faulted
    | Continued | Connected | Misconnected | Abandoned
)  # fmt: skip

EVENTS: dict[str, type[Event]] = {
    "began": Began,
    "level_set": LevelSet,
    "loaded": Loaded,
    "selected": Selected,
    "paused": Paused,
    "resumed": Resumed,
    "chosen": Chosen,
    "unchosen": Unchosen,
    "commented": Commented,
    "confirmed": Confirmed,
    "left": Left,
    "faulted": Faulted,
    "continued": Continued,
    "connected": Connected,
    "misconnected": Misconnected,
    "abandoned": Abandoned,
}
"""Name of each event as it is sent and stored."""
_FIELDS = {kind: frozenset(each.name for each in fields(kind)) for kind in EVENTS.values()}


def time_text(time: datetime) -> str:
    """Return a time as it is stored: ISO 8601, UTC, in ms."""
    return time.astimezone(UTC).isoformat(timespec="milliseconds")


_LEFT_OUT = ("output_rate_hz", "output_latency_s")
"""Fields that came later: an event without them is stored as it was before."""


def event_to_dict(event: Event) -> dict[str, Any]:
    """Return an event as JSON can hold it: its name under 'event', its time in ISO 8601, its other fields."""
    held: dict[str, Any] = {"event": next(name for name, kind in EVENTS.items() if type(event) is kind)}
    for each in fields(event):
        value = getattr(event, each.name)
        if isinstance(value, datetime):
            value = time_text(value)
        if value is None and each.name in _LEFT_OUT:
            continue
        held[each.name] = dict(value) if isinstance(value, Mapping) else value
    return held


_CHECKS: dict[str, tuple[Callable[[Any], bool], str]] = {
    "trial": (lambda v: type(v) is int, "a whole number"),
    "attempt": (lambda v: type(v) is int, "a whole number"),
    "slot": (lambda v: isinstance(v, str), "a text"),
    "kind": (lambda v: isinstance(v, str), "a text"),
    "how": (lambda v: v in WAYS_OUT, ", ".join(WAYS_OUT)),
    "reason": (lambda v: isinstance(v, str) and len(v) <= 1000, "a text of at most 1000 characters"),
    "text": (lambda v: _is_remark(v), f"a text of at most {LONGEST_COMMENT} characters"),
    "took_s": (lambda v: type(v) in (int, float), "a number"),
    "gain_db": (lambda v: type(v) in (int, float), "a number"),
    "output_rate_hz": (lambda v: v is None or (type(v) is int and 1000 <= v <= 1_000_000), "Hz, or nothing"),
    "output_latency_s": (lambda v: v is None or (type(v) in (int, float) and 0 <= v <= 60), "s, or nothing"),
    "confidence": (lambda v: v is None or type(v) in (int, float), "a number or nothing"),
    "values": (lambda v: v is None or (isinstance(v, Mapping) and all(isinstance(k, str) for k in v)), "a table"),
}


def event_from_dict(held: Mapping[str, Any], *, at: datetime | None = None) -> Event:
    """Return the event that was sent or stored.

    Parameters
    ----------
    held : as `event_to_dict` makes it
    at : when it arrived; in place of a time in `held`, which a page is not asked for

    Raises
    ------
    BlindtestError
        An unknown event, a field missing, unknown or of the wrong kind.
    """
    rest = dict(held)
    name = rest.pop("event", None)
    kind = EVENTS.get(name) if isinstance(name, str) else None
    if kind is None:
        hint = did_you_mean(name, EVENTS) if isinstance(name, str) else ""
        raise BlindtestError(Fault(problem="unknown event", got=name, allowed=", ".join(EVENTS), remedy=hint))
    stored_at = rest.pop("at", None)
    rest["at"] = at if at is not None else _time_of(stored_at)
    known = _FIELDS[kind]
    faults = [
        Fault(problem="unknown field", key=f"{name}.{key}", remedy=did_you_mean(key, known))
        for key in rest.keys() - known
    ]
    for key, value in rest.items():
        if key not in known or key not in _CHECKS:
            continue
        fits, words = _CHECKS[key]
        if not fits(value):
            faults.append(Fault(problem="not usable", key=f"{name}.{key}", got=value, allowed=words))
    if faults:
        raise BlindtestError.of(faults)
    try:
        return kind(**rest)
    except TypeError as error:
        raise BlindtestError(
            Fault(problem=f"a field is missing: {error}", key=str(name), allowed=", ".join(sorted(known - {"at"})))
        ) from error


def _is_remark(value: object) -> bool:
    """Whether it is a text that can be stored: half of a surrogate pair, which JSON can hold, is none."""
    if not isinstance(value, str) or len(value) > LONGEST_COMMENT:
        return False
    return value.encode("utf-8", "replace").decode("utf-8") == value


def _time_of(text: object) -> datetime:
    try:
        return datetime.fromisoformat(text)  # type: ignore[arg-type]
    except (TypeError, ValueError) as error:
        raise BlindtestError(Fault(problem="not a time", key="at", got=text, allowed="ISO 8601 with zone")) from error
