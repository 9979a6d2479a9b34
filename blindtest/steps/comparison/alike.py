"""Whether studies ask the same of the same: what keeps them from being pooled, and what has to be said beside it.

Pooled are estimates of one thing in one unit. What changes what is estimated (kind, method, scale, clips, how levels
were matched, numbers of the protocol, playback, rigs) must be alike; what changes only how exactly (trials, sittings,
breaks) need not.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Any

from blindtest.report.words import plural
from blindtest.steps.comparison.published import Published

__all__ = ["Objection", "design_words", "objections", "remarks"]

_PRECISION_ONLY = ("id", "trials", "sittings", "break_after", "break_after_min", "deadline_days", "margin", "controls")
"""Of a block: how much, how long, and what is asked beside; not what is estimated."""
_SAID_APART = ("method", "stopping", "confidence", "comments")
_NUMBERS_OF_PRECISION = ("repeats",)
LOUDER_LU = 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Objection:
    """One thing that keeps studies from being pooled."""

    what: str
    """A word for programs: kind, method, scale, clips ..."""
    words: str

    def to_dict(self) -> dict[str, str]:
        """Return what JSON can hold."""
        return {"what": self.what, "words": self.words}


def objections(studies: Sequence[Published]) -> tuple[Objection, ...]:
    """Return everything that keeps these studies from being pooled; () where nothing does."""
    if len(studies) < 2:
        return (Objection(what="number", words="one study is not a comparison: name two bundles or more"),)
    return (
        *_same_sittings(studies),
        *_differs("invented", "invented data beside real ones", studies, lambda one: _yes(one.invented, "invented")),
        *_differs("kind", "other kinds of claim", studies, lambda one: one.claim["kind"]),
        *_differs("method", "other methods", studies, lambda one: ", ".join(one.comparable["method"])),
        *_differs("scale", "other scales", studies, _scale),
        *_turned(studies),
        *_protocols(studies),
        *_clips(studies),
        *_differs("match", "levels matched by another measure", studies, lambda one: one.comparable["match"]),
        *_playback(studies),
        *_rigs(studies),
    )


def _yes(value: bool, word: str) -> str:
    return word if value else f"not {word}"


def _scale(one: Published) -> str:
    scale, unit = one.comparable.get("scale") or "none", one.claim.get("unit") or ""
    return f"{scale} ({unit})" if unit else str(scale)


def _named(found: Mapping[str, Sequence[str]]) -> str:
    return "; ".join(f"{value}: {', '.join(names)}" for value, names in found.items())


def _groups(studies: Sequence[Published], value: Any) -> dict[str, list[str]]:
    found: dict[str, list[str]] = {}
    for one in studies:
        found.setdefault(str(value(one)), []).append(one.name)
    return found


def _differs(what: str, words: str, studies: Sequence[Published], value: Any) -> list[Objection]:
    found = _groups(studies, value)
    return [Objection(what=what, words=f"{words} ({_named(found)})")] if len(found) > 1 else []


def _same_sittings(studies: Sequence[Published]) -> list[Objection]:
    found = []
    for one, other in combinations(studies, 2):
        shared = len(one.commitments & other.commitments) or len(one.heads & other.heads)
        if shared:
            words = (
                f"the same {plural(shared, 'sitting')} in {one.name} and {other.name}: a bundle given twice, or one "
                "made again with more sittings; leave one out"
            )
            found.append(Objection(what="sittings", words=words))
    return found


def _turned(studies: Sequence[Published]) -> list[Objection]:
    """Find claims about the same two sounds the other way round."""
    found = []
    for one, other in combinations(studies, 2):
        first, second = _sounds(one), _sounds(other)
        if all(first) and first == second[::-1] and first != second:
            words = (
                f"the same two sounds the other way round ({one.name}: {one.label('device')} against "
                f"{one.label('comparator')}; {other.name}: {other.label('device')} against {other.label('comparator')})"
            )
            found.append(Objection(what="direction", words=words))
    return found


def _sounds(one: Published) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Return the hashes of what device and comparator were heard as, clip by clip."""
    return tuple(tuple(sorted(one.device(role).get("stimuli", {}).values())) for role in ("device", "comparator"))  # type: ignore[return-value]


def _protocols(studies: Sequence[Published]) -> list[Objection]:
    blocks = _groups(studies, lambda one: " + ".join(str(block["phase"]) for block in one.blocks))
    if len(blocks) > 1:
        return [Objection(what="protocol", words=f"other blocks of the protocol ({_named(blocks)})")]
    found = []
    for place in range(len(studies[0].blocks)):
        held = [_asked(one.blocks[place]) for one in studies]
        for key in dict.fromkeys(key for one in held for key in one):
            values = {one.name: own.get(key) for one, own in zip(studies, held, strict=True)}
            if len({str(value) for value in values.values()}) > 1:
                said = _groups(studies, lambda one, values=values: _value(values[one.name]))
                name = f"{studies[0].blocks[place]['id']}.{key}"
                found.append(
                    Objection(what="protocol", words=f"another number of the protocol, {name} ({_named(said)})")
                )
    return found


def _asked(block: Mapping[str, Any]) -> dict[str, Any]:
    """Return the numbers of a block that change what is estimated."""
    apart = (*_PRECISION_ONLY, *_SAID_APART, "numbers")
    own = {key: value for key, value in block.items() if key not in apart}
    return own | {k: v for k, v in dict(block.get("numbers") or {}).items() if k not in _NUMBERS_OF_PRECISION}


def _value(value: Any) -> str:
    return "not set" if value is None else str(value).lower() if isinstance(value, bool) else str(value)


def _clips(studies: Sequence[Published]) -> list[Objection]:
    held = [{_clip(name, one) for name, one in own.comparable["clips"].items()} for own in studies]
    unknown = [one.name for one, clips in zip(studies, held, strict=True) if any(not clip[0] for clip in clips)]
    if unknown and len({_sounds(one) for one in studies}) > 1:
        words = f"whether the clips are alike can't be told: their hash is not in {', '.join(unknown)}"
        return [Objection(what="clips", words=words)]
    if len({frozenset(clips) for clips in held}) == 1:
        return []
    names = {one.name: sorted(one.comparable["clips"]) for one in studies}
    shared = set.intersection(*held)
    said = "; ".join(f"{name}: {', '.join(own)}" for name, own in names.items())
    return [Objection(what="clips", words=f"other clips ({said}; {len(shared)} in common)")]


def _clip(name: str, one: Mapping[str, Any]) -> tuple[str, Any, Any]:
    return str(one.get("sha256") or ""), one.get("in_s"), one.get("out_s")


def _playback(studies: Sequence[Published]) -> list[Objection]:
    def way(one: Published) -> str:
        if one.hardware:
            return "real units, switched"
        played = one.comparable["playback"]
        return "known to the eardrum" if played["absolute"] else "relative, over whatever each listener wears"

    found = _differs("playback", "absolute against relative playback", studies, way)
    return found or _differs(
        "playback", "rendered in another way", studies, lambda one: one.comparable["playback"]["over"]
    )


def _rigs(studies: Sequence[Published]) -> list[Objection]:
    """Responses of different rigs are never combined: what differs could be the rigs."""
    found: dict[str, list[str]] = {}
    for one in studies:
        devices = one.comparable["devices"].values()
        for rig in {one.comparable["playback"].get("rig"), *(device.get("rig") for device in devices)} - {None, ""}:
            found.setdefault(str(rig), []).append(one.name)
    return [Objection(what="rig", words=f"measured on other rigs ({_named(found)})")] if len(found) > 1 else []


def design_words(studies: Sequence[Published]) -> str:
    """Return what is alike and what differs between the studies, as far as the claim goes."""
    sounds = [_sounds(one) for one in studies]
    if all(sounds[0]) and len(set(sounds)) == 1:
        return "the same sounds before other listeners"
    devices, comparators = ({_described(one, role) for one in studies} for role in ("device", "comparator"))
    if len(devices) == len(comparators) == 1:
        return "the same devices before other listeners"
    if len(comparators) == 1:
        return "other devices against the same comparator"
    if len(devices) == 1:
        return "the same device against other comparators"
    return "other pairs of devices"


def _described(one: Published, role: str) -> tuple[Any, ...]:
    device = one.device(role)
    said = tuple(device.get(key) for key in ("name", "revision", "serial_suffix"))
    return said if device.get("name") else (device.get("stages_sha256") or one.label(role),)


def remarks(studies: Sequence[Published]) -> tuple[str, ...]:
    """Return what does not keep studies from being pooled, but has to be said."""
    found = []
    shared = sorted({name for one, other in combinations(studies, 2) for name in one.listeners & other.listeners})
    if shared:
        found.append(
            f"{', '.join(shared)} listened in more than one: these studies are less independent than is reckoned"
        )
    rules = _groups(studies, lambda one: _rule(one.blocks))
    if any(name != "fixed" for name in rules):
        found.append(
            f"some ended by a rule ({_named(rules)}): an estimate at an early end lies too far from guessing on average"
        )
    screened = _groups(studies, lambda one: one.screening)
    if len(screened) > 1:
        found.append("listeners were screened by other rules, or not in all of them: other people were kept")
    units = _groups(studies, lambda one: one.comparable["playback"].get("unit") or "none")
    if len(units) > 1:
        found.append(f"played over other units ({_named(units)}): what that changes is part of the spread")
    rates = _groups(studies, lambda one: one.comparable.get("rate_hz") or "as the clips")
    if len(rates) > 1:
        found.append(f"rendered at other sample rates ({_named(rates)})")
    found += _loudness(studies)
    left = [f"{one.name}: {plural(one.abandoned, 'sitting')}" for one in studies if one.abandoned]
    if left:
        found.append(f"abandoned sittings' unanswered trials are not in these estimates ({'; '.join(left)})")
    gone = [f"{one.name}: {plural(one.withdrawn, 'sitting')}" for one in studies if one.withdrawn]
    if gone:
        found.append(f"withdrawn by their listeners and not counted ({'; '.join(gone)})")
    unseen = [one.name for one in studies if one.grade != "anchored"]
    if unseen:
        found.append(
            f"nothing outside vouches for when {', '.join(unseen)} {'was' if len(unseen) == 1 else 'were'} held, nor "
            "that no other study was kept back: studies that found less are published less often"
        )
    return tuple(found)


def _rule(blocks: Sequence[Mapping[str, Any]]) -> str:
    rules = [block["stopping"] for block in blocks if block.get("stopping")]
    if not rules:
        return "fixed"
    return str(rules[0].get("rule", "a rule")) if isinstance(rules[0], Mapping) else str(rules[0])


def _loudness(studies: Sequence[Published]) -> list[str]:
    """Say where the same clip was rendered at another loudness: how loud it played rests with listeners' volume."""
    levels: dict[tuple[str, Any, Any], list[float]] = {}
    for one in studies:
        for name, clip in one.comparable["clips"].items():
            if isinstance(clip.get("loudness_lufs"), int | float):
                levels.setdefault(_clip(name, clip), []).append(float(clip["loudness_lufs"]))
    widest = max((max(own) - min(own) for own in levels.values()), default=0.0)
    if widest <= LOUDER_LU:
        return []
    return [f"rendered at loudnesses up to {widest:.1f} LU apart on one clip; how loud it played is not in the bundles"]
