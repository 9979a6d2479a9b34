"""What becomes of ratings without names, in lines: the verdict and what stands beside it."""

from collections.abc import Sequence

from blindtest.stats import RecognitionResult, SurvivalResult

__all__ = ["rated_lines"]


def rated_lines(result: SurvivalResult, recognition: Sequence[tuple[str, RecognitionResult]]) -> list[str]:
    """Return a verdict with everything that must stand beside it, a line each."""
    lines = [f"Verdict: {result.sentence}"]
    if len(result.remaining) > 1:
        lines.append(f"Not ruled out: {', '.join(result.remaining)}.")
    for scale in result.other_scales:
        lines.append(f"Repeated on {scale.name}: {scale.verdict or scale.why_not}.")
    lines.append(result.mixed_model.sentence)
    lines += [f"{who}: {found.sentence}" for who, found in recognition]
    if not recognition:
        lines.append("Nobody was asked which one it was.")
    if result.power is not None:
        lines.append(f"A study of this size: {result.power.sentence}")
    return lines
