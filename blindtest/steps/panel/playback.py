"""What a panel was played on, as far as it can be told: counts of what browsers said, and what nobody can know."""

from collections import Counter
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from blindtest.nouns import number_of
from blindtest.report import OWN_EQUIPMENT
from blindtest.steps.playback import languages_read

if TYPE_CHECKING:
    from blindtest.session.record import Record

__all__ = ["panel_moves_words", "panel_playback_notes", "panel_playback_words"]


def panel_playback_words(
    store: "Record", sittings: Sequence[int], rates: Sequence[int], own: Mapping[int, int] | None = None
) -> tuple[str, ...]:
    """Return what played a panel's sittings, sentence by sentence.

    rates : of the stimuli, Hz
    own : sitting to the rate of the set that it was heard at, where there were two
    """
    found: Counter[int] = Counter()
    silent = other = 0
    for number in sittings:
        rate = _last_rate(store.events(number))
        if rate is None:
            silent += 1
            continue
        found[rate] += 1
        other += any(rate != heard for heard in _heard_at(number, rates, own))
    if not sittings:
        return (OWN_EQUIPMENT,)
    words = [OWN_EQUIPMENT]
    if found:
        said = ", ".join(f"{rate} Hz in {count}" for rate, count in sorted(found.items()))
        words.append(
            f"Web browsers played {_counted(sum(found.values()))}; by their own account their output ran at {said}."
        )
    if other:
        words.append(
            f"In {_counted(other)} that is not the rate of the stimuli ({_all_rates(rates, own)}): "
            "the browser converted them, alike for all that was compared."
        )
    if silent:
        words.append(f"Of {_counted(silent)} it is not on record.")
    read = Counter(told for number in sittings if (told := languages_read(store, number)))
    words += [f"In {_counted(count)} {told}." for told, count in sorted(read.items())]
    words.append(
        "What listeners wore, how loud it was at their ears, and what their computers did to the sound after the "
        "browser is not known."
    )
    return tuple(words)


def panel_moves_words(store: "Record") -> tuple[str, ...]:
    """Return how many listeners of a panel went on on another device; () where nobody did, and where the tests of what
    is played on say it."""
    panelists = store.panelists()
    moved = [one for one in panelists if one.device]
    if not moved or any(one.on("screening", 0) for one in panelists):
        return ()
    links = {entry.number: entry.links for entry in store.sittings()}
    within = sum(any(0 < move.links < links.get(move.sitting, 0) for move in one.moves) for one in moved)
    return (
        f"{len(moved)} of {number_of(len(panelists), 'listener')} on record went on on another device "
        "or in another browser, "
        f"{within} within a sitting: the level was set anew there, and what plays was asked again.",
    )


def _heard_at(number: int, rates: Sequence[int], own: Mapping[int, int] | None) -> Sequence[int]:
    return rates if own is None or number not in own else (own[number],)


def _all_rates(rates: Sequence[int], own: Mapping[int, int] | None) -> str:
    return ", ".join(f"{rate} Hz" for rate in sorted({*rates, *(own or {}).values()}))


def panel_playback_notes(store: "Record", sittings: Sequence[int]) -> tuple[str, ...]:
    """Return what playback reported in a panel's sittings, by kind of fault."""
    found: Counter[str] = Counter()
    for number in sittings:
        found.update({str(event["kind"]) for event in store.events(number) if event.get("event") == "faulted"})
    return tuple(f"playback reported {kind} in {_counted(count)}" for kind, count in sorted(found.items()))


def _counted(count: int) -> str:
    return f"{count} sitting{'' if count == 1 else 's'}"


def _last_rate(events: Sequence[Mapping[str, Any]]) -> int | None:
    said = [event.get("output_rate_hz") for event in events if event.get("event") == "level_set"]
    return next((int(rate) for rate in reversed(said) if isinstance(rate, int | float)), None)
