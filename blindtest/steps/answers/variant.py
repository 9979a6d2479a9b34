"""One claim over the four models of a device's harmonics: it ends as they all do, or stays open.

The claim holds for the device only if it holds for every model of it, since the measurement tells none from another. So
the hypothesis that it fails for one of them is rejected where it is for each, at the level of a single test: no
correction is due, and p is the largest of them (intersection-union test; Berger 1982, Multiparameter hypothesis testing
and acceptance sampling, Technometrics 24).
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from blindtest.steps.answers.claim import ClaimAnswers

__all__ = ["Agreement", "agreements"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Agreement:
    """How the models of one claim end, and what that makes of it."""

    claim: str
    """The id that was written."""
    words: tuple[tuple[str, str], ...]
    """(device, how it ends), the written one first."""
    p_value: float | None
    """The largest; None where one of them has none."""

    @property
    def word(self) -> str:
        """The word of all of them, where they agree; else open."""
        found = {word for _, word in self.words}
        return found.pop() if len(found) == 1 else "open"

    @property
    def sentence(self) -> str:
        """The result in plain words."""
        each = ", ".join(f"{device} {word}" for device, word in self.words)
        if len({word for _, word in self.words}) == 1:
            p = "" if self.p_value is None or self.word != "shown" else f" (p {self.p_value:.3g}, the largest of them)"
            return f"Claim {self.claim} over {len(self.words)} models of the harmonics: {self.word} for each{p}."
        return (
            f"Claim {self.claim} over {len(self.words)} models of the harmonics: open. They disagree ({each}), so that "
            "what was found is one of a model and not of the device: harmonics don't tell which model is right."
        )

    def to_dict(self) -> dict[str, Any]:
        """Return what JSON can hold."""
        return {
            "claim": self.claim,
            "word": self.word,
            "words": [{"device": device, "word": word} for device, word in self.words],
            "p_value": self.p_value,
            "sentence": self.sentence,
        }


def agreements(claims: "Sequence[ClaimAnswers]") -> tuple[Agreement, ...]:
    """Return what becomes of each claim that was asked of several models."""
    groups: dict[str, list[ClaimAnswers]] = {}
    for one in claims:
        if of := one.record.get("variant_of"):
            groups.setdefault(str(of), []).append(one)
    by_id = {one.record["id"]: one for one in claims}
    found = []
    for name, others in groups.items():
        own = [by_id[name], *others]
        p_values = [one.p_value for one in own]
        known = [p for p in p_values if p is not None]
        found.append(
            Agreement(
                claim=name,
                words=tuple((str(one.record["device"]), one.word) for one in own),
                p_value=max(known) if len(known) == len(own) else None,
            )
        )
    return tuple(found)
