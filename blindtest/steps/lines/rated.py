"""What becomes of ratings without names, in lines: the verdict and what stands beside it."""

from collections.abc import Sequence

from blindtest.nouns import number_of
from blindtest.stats import RecognitionResult, SurvivalResult, adjust_p_values

__all__ = ["rated_lines", "recognised_lines"]

LEVEL = 0.05
MOST_NAMED = 3
"""Listeners up to which each has a line of recognition."""


def rated_lines(result: SurvivalResult, recognition: Sequence[tuple[str, RecognitionResult]]) -> list[str]:
    """Return a verdict with everything that must stand beside it, a line each."""
    lines = [f"Verdict: {result.sentence}"]
    if len(result.remaining) > 1:
        lines.append(f"Not ruled out: {', '.join(result.remaining)}.")
    for scale in result.other_scales:
        lines.append(f"Repeated on {scale.name}: {scale.verdict or scale.why_not}.")
    if result.contrasts is not None:
        lines.append(result.contrasts.sentence)
    if result.order_effect is not None:
        apart, (low, high) = result.order_effect.estimate, result.order_effect.interval
        lines.append(
            f"Order of the phases: the blind effect of those who were blind first lies {apart:+.1f} ({low:+.1f} to "
            f"{high:+.1f}) points from that of the others."
        )
    lines.append(result.mixed_model.sentence)
    lines += recognised_lines(recognition)
    if not recognition:
        lines.append("Nobody was asked which one it was.")
    if result.power is not None:
        lines.append(f"A study of this size, with the scatter found here: {result.power.sentence}")
    return lines


def recognised_lines(recognition: Sequence[tuple[str, RecognitionResult]]) -> list[str]:
    """Return who recognised the devices: one by one if they are few, else all together and who stands out."""
    if not recognition:
        return []
    *single, (_, together) = recognition
    if len(single) <= MOST_NAMED:
        return [f"{who}: {found.sentence}" for who, found in recognition]
    adjusted = adjust_p_values([found.p_value for _, found in single])
    known = [who for (who, _), p in zip(single, adjusted, strict=True) if p <= LEVEL]
    named = f": {', '.join(known)}" if known else ""
    return [
        f"all answers: {together.sentence}",
        f"Of {number_of(len(single), 'listener')} one by one {len(known) or 'none'} recognised them beyond "
        f"chance (Holm, {LEVEL:g}){named}.",
    ]
