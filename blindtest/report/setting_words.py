"""Settings that listeners made in words: where they set it, seen from the match, and what has to stand beside it."""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

from blindtest.report.words import clean, decibel, plural, short_names
from blindtest.stats import SettingsResult

__all__ = ["SettingsFacts", "cross_check", "setting_beside", "setting_further", "setting_numbers", "setting_sentence"]


@dataclass(frozen=True, slots=True, kw_only=True)
class SettingsFacts:
    """What listeners set of one condition, in one way, as a report tells it."""

    blocks: tuple[str, ...]
    sets: str
    """equal or preferred."""
    device: str
    """Id of the condition that was set."""
    against: str
    """Id of the one it was to equal; '' where it was set to liking."""
    attribute: str
    """What was set: loudness, or as asked."""
    unit: str
    result: SettingsResult | None
    why_not: str = ""
    unanswered: int = 0
    clips: int = 1
    claimed: bool = False
    """Whether a claim rests on them."""

    def named(self, names: Mapping[str, str]) -> "SettingsFacts":
        """Return them with what readers call the conditions in place of ids."""
        device, against = short_names([names.get(one) or one for one in (self.device, self.against)])
        return replace(self, device=device, against=against)

    def to_dict(self) -> dict[str, Any]:
        """Return what JSON can hold."""
        return {
            "blocks": list(self.blocks),
            "sets": self.sets,
            "device": self.device,
            "against": self.against,
            "attribute": self.attribute,
            "unit": self.unit,
            "claimed": self.claimed,
            "unanswered": self.unanswered,
            "why_not": self.why_not,
            "result": None if self.result is None else self.result.to_dict(),
        }


def _span(low: float, high: float) -> str:
    return f"{decibel(low)} to {decibel(high)}"


def setting_sentence(facts: SettingsFacts, word: str = "") -> str:
    """Return where listeners set it, seen from the match, in one sentence.

    word : what it ends as among all claims; '' where it is no claim, or stands alone
    """
    found = facts.result
    if found is None:
        return f"No settings to tell of: {clean(facts.why_not)}."
    device, against = clean(facts.device), clean(facts.against)
    many = len(found.listeners)
    who = "One listener" if many == 1 else f"{many} listeners"
    aim = (
        f"preferred {device} at"
        if facts.sets == "preferred"
        else f"set {device} equal to {against}{_in(facts.attribute)} at"
    )
    unit = f" {clean(facts.unit)}" if facts.unit else ""
    text = f"{who} {aim} {decibel(found.mean)}{unit} from the match"
    if found.interval is not None:
        text += f" ({100 * found.level:g} % interval {_span(*found.interval)})"
    text += f", in {plural(found.settings, 'setting')}"
    if not found.word:
        return text + "."
    band = f"\u00b1{found.margin:g}{unit} of the match"
    if found.equivalence is None:
        return f"{text}; without spread nothing tells whether the true mean lies within {band}."
    ended = {
        "shown": f"within {band}",
        "refuted": f"beyond {band}",
        "open": f"whether that is within {band} stays open",
    }
    judged = f"{100 * found.equivalence.level:g} % interval {_span(*found.equivalence.interval)}"
    return f"{text}: {ended[word or found.word]} ({judged})."


def _in(attribute: str) -> str:
    return "" if attribute == "loudness" else f" in {clean(attribute)}"


def setting_numbers(facts: SettingsFacts) -> str:
    """Return the numbers that the word must not be read without."""
    found = facts.result
    if found is None or found.interval is None:
        return "no interval can be named"
    return f"mean {decibel(found.mean)} {clean(facts.unit)}, interval {_span(*found.interval)}"


def setting_beside(facts: SettingsFacts) -> tuple[str, ...]:
    """Return what must stand beside it: precision, the pull of the start, what should make one think twice."""
    found = facts.result
    if found is None:
        return ()
    unit = f" {clean(facts.unit)}" if facts.unit else ""
    out = []
    if found.within_std is not None:
        out.append(
            f"Single settings of one listener scatter by {found.within_std:.2f}{unit} (standard deviation within "
            "listeners): their precision."
        )
    if found.start is not None and found.start.sentence not in found.doubts:
        out.append(found.start.sentence)
    out += found.doubts
    if len(found.listeners) == 1:
        out.append("It holds for this listener: the single setting is what was counted.")
    if facts.clips > 1:
        out.append(f"{facts.clips} clips share the settings: the mean is that of their mixture.")
    if facts.unanswered:
        out.append(f"{plural(facts.unanswered, 'planned trial')} without an answer, left out.")
    return tuple(out)


def setting_further(facts: SettingsFacts) -> tuple[str, ...]:
    """Return each listener's settings, where there are several."""
    found = facts.result
    if found is None or len(found.listeners) < 2:
        return ()
    out = []
    for one in found.listeners:
        scatter = f", standard deviation {one.std:.2f}" if one.std is not None else ""
        sides = (
            f"; begun below {decibel(one.from_below)}, above {decibel(one.from_above)}"
            if one.from_below is not None and one.from_above is not None
            else ""
        )
        count = plural(one.settings, "setting")
        out.append(f"{clean(one.listener)}: mean {decibel(one.mean)} of {count}{scatter}{sides}.")
    return tuple(out)


def cross_check(facts: SettingsFacts) -> tuple[str, ...]:
    """Return what stands where levels are doubted: the sentence, precision and doubts; no claim rests on it alone."""
    return (setting_sentence(facts), *setting_beside(facts))
