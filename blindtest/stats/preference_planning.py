"""What a plan of paired preferences can conclude, before anybody listens: exact, by going through every count.

Every number of wins that can come out has its word (preference.py); a true preference gives each of them its binomial
probability. Nothing is approximated or simulated.
"""

from collections import Counter
from dataclasses import dataclass
from fractions import Fraction
from typing import Any

from blindtest.nouns import number_of
from blindtest.stats.binomial import checked_counts, checked_probability, point
from blindtest.stats.direction import Direction
from blindtest.stats.plain import plain
from blindtest.stats.planning import LEAST_CHANCE
from blindtest.stats.preference import PreferenceWord, margin_bounds, sides, word_of

__all__ = ["PreferenceChances", "preference_chances"]


@dataclass(frozen=True, slots=True, kw_only=True)
class PreferenceChances:
    """Which conclusions a plan of paired preferences can reach, and how often when they are true."""

    trials: int
    """Pairs presented."""
    margin: float
    """Probability beyond 1/2 that matters."""
    alpha: float
    direction: Direction
    preference: float
    """True probability to prefer the claimed device, assumed for `chance_shown`."""
    tie_share: float
    """Share of trials assumed to end without a preference."""
    critical_number: int | None
    """This many wins or more, all trials with a preference: *shown*; None: no number does."""
    refuting_number: int | None
    """This many wins or fewer: *refuted*; None: no number does."""
    negligible_numbers: tuple[int, int] | None
    """From the first to the second number of wins: *negligible*; None: no number does."""
    chance_shown: float
    """How often a preference of `preference` ends as *shown*."""
    chance_refuted: float
    """How often a preference of 1/2 - margin, on the other side, ends as *refuted*."""
    chance_negligible: float
    """How often no preference (1/2) ends as *negligible*."""
    chance_open: float
    """How often no preference ends as *open*."""
    chance_shown_by_luck: float
    """How often no preference ends as *shown*: at most alpha (two-sided: half of it)."""
    assumptions: tuple[str, ...] = (
        "every trial has the same chance to end for the claimed device, independently of the others",
        "ties come at random, with the stated share",
    )
    source: str = "exact binomial"

    @property
    def chance_to_fail(self) -> float:
        """The larger of the chances of *refuted* and *negligible*, each when it is true."""
        return max(self.chance_refuted, self.chance_negligible)

    @property
    def can_fail(self) -> bool:
        """Whether a claim under this plan can fail: `chance_to_fail` is at least one half (claims, section 2)."""
        return self.chance_to_fail >= LEAST_CHANCE

    @property
    def sentence(self) -> str:
        """The result in plain words."""
        if self.critical_number is None:
            shown = "no number of wins shows a preference"
        else:
            shown = (
                f"{self.critical_number} or more for the claimed device show a preference (probability "
                f"{self.chance_shown:.2f} at a true preference of {self.preference:g})"
            )
        if self.refuting_number is None:
            refuted = "no number refutes it"
        else:
            refuted = (
                f"{self.refuting_number} or fewer refute it (probability {self.chance_refuted:.2f} at "
                f"{0.5 - self.margin:g})"
            )
        if self.negligible_numbers is None:
            negligible = "no number makes it negligible"
        else:
            low, high = self.negligible_numbers
            negligible = f"{low} to {high} make it negligible (probability {self.chance_negligible:.2f} at .5)"
        ties = f", {100 * self.tie_share:g} % of them ties" if self.tie_share else ""
        return f"Of {number_of(self.trials, 'pair')}{ties}, {shown}; {refuted}; {negligible}."

    def to_dict(self) -> dict[str, Any]:
        """Return what JSON can hold."""
        return plain(self, "chance_to_fail", "can_fail", "sentence")


def preference_chances(
    trials: int,
    *,
    margin: float,
    alpha: float = 0.05,
    direction: Direction = "two-sided",
    preference: float | None = None,
    tie_share: float = 0.0,
) -> PreferenceChances:
    """Return which conclusions `trials` pairs can reach about a claim of preference with this margin.

    Parameters
    ----------
    margin : probability beyond 1/2 that matters, (0, 1/2)
    preference : true preference that `chance_shown` is about, (1/2, 1]; default 1/2 + margin
    tie_share : share of trials expected to end without a preference, [0, 1)

    Raises
    ------
    ValueError
        No trials, or a number out of its range.
    """
    _, trials = checked_counts(0, trials)
    checked_probability("alpha", alpha)
    bounds = margin_bounds(margin)
    assert bounds is not None
    true = 0.5 + margin if preference is None else float(preference)
    if not 0.5 < true <= 1:
        raise ValueError(f"the true preference must lie above 1/2, up to 1, got {preference}")
    if not 0 <= tie_share < 1:
        raise ValueError(f"the share of ties must lie in 0 ... 1, 1 excluded, got {tie_share}")
    if direction not in ("two-sided", "claimed"):
        raise ValueError(f"no direction {direction!r} (there are: two-sided, claimed)")

    def words(decided: int) -> list[PreferenceWord]:
        return [
            word_of(*sides(wins, decided - wins, 0, alpha=alpha, direction=direction, bounds=bounds))
            for wins in range(decided + 1)
        ]

    weights = {trials: 1.0}
    if tie_share:
        weights |= {n: point(n, trials, 1 - tie_share) for n in range(trials + 1)}
    tables = {decided: words(decided) for decided in weights}

    def chances(proportion: float | Fraction) -> Counter[PreferenceWord]:
        total: Counter[PreferenceWord] = Counter()
        for decided, weight in weights.items():
            for wins, word in enumerate(tables[decided]):
                chance = 1.0 if not decided else point(wins, decided, proportion)
                total[word] += weight * chance  # type: ignore[assignment]
        return total

    at_true, at_half, at_other = chances(true), chances(0.5), chances(bounds[0])
    all_decided = tables[trials]
    shown = [wins for wins, word in enumerate(all_decided) if word == "shown"]
    refuted = [wins for wins, word in enumerate(all_decided) if word == "refuted"]
    negligible = [wins for wins, word in enumerate(all_decided) if word == "negligible"]
    return PreferenceChances(
        trials=trials,
        margin=float(margin),
        alpha=float(alpha),
        direction=direction,
        preference=true,
        tie_share=float(tie_share),
        critical_number=min(shown, default=None),
        refuting_number=max(refuted, default=None),
        negligible_numbers=(min(negligible), max(negligible)) if negligible else None,
        chance_shown=float(at_true["shown"]),
        chance_refuted=float(at_other["refuted"]),
        chance_negligible=float(at_half["negligible"]),
        chance_open=float(at_half["open"]),
        chance_shown_by_luck=float(at_half["shown"]),
    )
