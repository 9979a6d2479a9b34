"""What becomes of ratings under names that may be wrong, in lines and in JSON."""

from typing import Any

from blindtest.stats import ContrastConclusion, LabelEffectResult
from blindtest.steps.answers.unreliable import UnreliableAnswers
from blindtest.steps.lines.rated import recognised_lines

__all__ = ["CLAIMED_BY_SOUND", "unreliable_dict", "unreliable_lines"]

CLAIMED_BY_SOUND = "{device} is rated above {comparator} by its sound, whatever its name"


_SOUND = {
    "shown": "the sound of {device} is rated above that of {comparator}, whatever its name",
    "refuted": "the sound of {device} is rated below that of {comparator}, whatever its name",
    "negligible": "the sounds are rated apart by less than was declared to matter, whatever their names",
    "open": "neither no effect of the sound nor one that matters can be ruled out",
}
_NAME = {
    "shown": "the name {device} raises ratings over the name {comparator}, whatever sounds",
    "refuted": "the name {device} lowers ratings against the name {comparator}, whatever sounds",
    "negligible": "the name changes ratings by less than was declared to matter",
    "open": "neither no effect of the name nor one that matters can be ruled out",
}


def unreliable_lines(found: UnreliableAnswers) -> list[str]:
    """Return a conclusion with everything that must stand beside it, a line each."""
    result = found.result
    low, high = result.together.interval
    lines = [
        _concluded("Result", result.sound_conclusion, _SOUND[result.sound_conclusion.word], result),
        _concluded("The name", result.label_conclusion, _NAME[result.label_conclusion.word], result),
        f"Dealing the right names anew as the plan dealt them, p = {result.exact_p_value:.3g} for the name (two-sided, "
        f"{result.draws} deals; it assumes nothing about scatter).",
        f"What the name changes in the effect of the sound: {result.together.estimate:+.1f} points ({low:+.1f} to "
        f"{high:+.1f}).",
        f"{result.ratings} ratings by {_plural(result.listeners, 'listener')} on {_plural(result.clips, 'clip')}, "
        f"{result.scope}; {100 * result.right_labels:.0f} % of the names were right. Listeners knew that names may be "
        "wrong: the effect of the name is, if anything, too small.",
        *(f"Note: {remark}." for remark in result.remarks),
    ]
    if found.unanswered:
        lines.append(f"{_plural(found.unanswered, 'planned trial')} without an answer, left out.")
    if not found.recognition:
        return [*lines, "Nobody was asked which one it was."]
    return [*lines, *recognised_lines(found.recognition)]


def _concluded(what: str, concluded: ContrastConclusion, said: str, result: LabelEffectResult) -> str:
    low, high = concluded.interval
    return (
        f"{what}: {concluded.word}: {said.format(device=result.device, comparator=result.comparator)}. "
        f"{concluded.estimate:+.1f} points ({low:+.1f} to {high:+.1f}, {100 * (1 - concluded.alpha):g} %), p = "
        f"{concluded.p_value:.3g} (two-sided, {concluded.df:.1f} degrees of freedom); one-sided limits "
        f"{concluded.limits[0]:+.1f} and {concluded.limits[1]:+.1f}, to be held against ±{result.margin:g}."
    )


def unreliable_dict(found: UnreliableAnswers | None) -> dict[str, Any]:
    """Return what JSON can hold; nothing where no names were unreliable."""
    if found is None:
        return {}
    return {
        "unreliable_labels": {
            "result": found.result.to_dict(),
            "unanswered": found.unanswered,
            "recognition": [{"who": who, "result": result.to_dict()} for who, result in found.recognition],
        }
    }


def _plural(count: int, noun: str) -> str:
    return f"{count} {noun}{'' if count == 1 else 's'}"
