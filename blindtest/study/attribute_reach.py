"""Can the plan refute a claim that one has more of a named attribute? Exact binomial arithmetic, in whole numbers.

The plan has to reach *refuted* or *negligible*, each when it is true (claims.md 2), with the arithmetic of
`stats.attribute`: choices of the claimed one are held against guessing on both sides, and their limits against the
margin, a d'. How often the claimed one is chosen at a d' is the integral of phi(z - d) Phi(z)^(m - 1) over z, for m
alternatives (Hacker & Ratcliff 1979), taken here by Simpson's rule: `check` loads no scipy.
"""

from dataclasses import dataclass
from fractions import Fraction
from math import erf, exp, pi, sqrt

from blindtest.design import Direction
from blindtest.nouns import number_of
from blindtest.study.tails import ALPHA, LEAST_CHANCE, chance_of, cumulative

__all__ = ["ALTERNATIVES", "AttributeReach", "attribute_reach", "choices_needed", "proportion_at_d"]

ALTERNATIVES = {"2afc": 2, "3afc": 3}
"""How many sounds there are to choose from, by method."""


@dataclass(frozen=True, slots=True, kw_only=True)
class AttributeReach:
    """Which conclusions a plan of choices can reach, and how often."""

    trials: int
    margin: float
    """d'."""
    method: str
    direction: Direction
    shown_from: int | None
    """Least number of choices of the claimed one that shows it has more; None where even all would not."""
    refuted_to: int | None
    """Greatest number that refutes it; None where even none would not."""
    negligible: tuple[int, int] | None
    """From the first to the second number: the difference is negligible; None where no number is."""
    chance_shown: float
    """Of *shown* where d' is the margin."""
    chance_refuted: float
    """Of *refuted* where d' is the margin, the other way round."""
    chance_negligible: float
    """Of *negligible* for a guesser."""

    @property
    def chance_to_fail(self) -> float:
        """The larger of the chances of *refuted* and *negligible*, each when it is true."""
        return max(self.chance_refuted, self.chance_negligible)

    @property
    def can_fail(self) -> bool:
        """Whether a false claim is refuted, or found negligible, at least every other time."""
        return self.chance_to_fail >= LEAST_CHANCE

    @property
    def sentence(self) -> str:
        """What the plan can show and refute, in plain words."""
        shown = (
            "no number of choices shows it"
            if self.shown_from is None
            else f"{self.shown_from} or more for the device show it (chance {self.chance_shown:.2f} at d' "
            f"{self.margin:g})"
        )
        refuted = (
            "no number refutes it"
            if self.refuted_to is None
            else f"{self.refuted_to} or fewer refute it (chance {self.chance_refuted:.2f} at d' {-self.margin:g})"
        )
        negligible = (
            "no number makes it negligible"
            if self.negligible is None
            else f"{self.negligible[0]} to {self.negligible[1]} make it negligible (chance "
            f"{self.chance_negligible:.2f} for a guesser)"
        )
        sides = "tested on both sides" if self.direction == "two-sided" else "tested in the claimed direction"
        return (
            f"with {number_of(self.trials, 'trial')} and margin d' {self.margin:g}, {sides}, {shown}, "
            f"{refuted}, {negligible}"
        )


def attribute_reach(
    trials: int, margin: float, method: str = "2afc", direction: Direction = "two-sided"
) -> AttributeReach:
    """Return what a plan of `trials` forced choices can show, for a margin in d'.

    >>> r = attribute_reach(36, 1.0)
    >>> r.shown_from, r.refuted_to, r.negligible, round(r.chance_shown, 2)
    (25, 11, (14, 22), 0.87)
    """
    guess = Fraction(1, ALTERNATIVES[method])
    more, less = (Fraction(proportion_at_d(d, method)).limit_denominator(10**12) for d in (margin, -margin))
    guessing, at_more, at_less = (list(cumulative(trials, p)) for p in (guess, more, less))
    tail = ALPHA / 2 if direction == "two-sided" else ALPHA

    def at_least(table: list[Fraction], right: int) -> Fraction:
        return 1 - table[right - 1] if right else Fraction(1)

    counts = range(trials + 1)
    inside = [x for x in counts if at_least(at_less, x) <= ALPHA and at_more[x] <= ALPHA]
    shown = [x for x in counts if at_least(guessing, x) <= tail and x not in inside]
    refuted = [x for x in counts if guessing[x] <= tail and x not in inside]

    return AttributeReach(
        trials=trials,
        margin=margin,
        method=method,
        direction=direction,
        shown_from=min(shown, default=None),
        refuted_to=max(refuted, default=None),
        negligible=(min(inside), max(inside)) if inside else None,
        chance_shown=chance_of(at_more, shown),
        chance_refuted=chance_of(at_less, refuted),
        chance_negligible=chance_of(guessing, inside),
    )


def choices_needed(
    margin: float, method: str = "2afc", direction: Direction = "two-sided", most: int = 400
) -> int | None:
    """Return the smallest number of trials that can both show the claim and refute it, up to `most`; None beyond."""
    share = proportion_at_d(margin, method) - 1 / ALTERNATIVES[method]
    variance = (1 / ALTERNATIVES[method]) * (1 - 1 / ALTERNATIVES[method])
    # From 2/5 of what the normal approximation of a one-sided 5 % test at 1/2 asks for.
    for trials in range(max(1, int(0.4 * 1.645**2 * variance / share**2)), most + 1):
        plan = attribute_reach(trials, margin, method, direction)
        if plan.can_fail and plan.shown_from is not None:
            return trials
    return None


def proportion_at_d(d_prime: float, method: str) -> float:
    """Return how often the one with `d_prime` more of the attribute is chosen (below 0: less), to about 1e-12."""
    others, steps, reach = ALTERNATIVES[method] - 1, 2000, 10.0
    width = 2 * reach / steps
    total = 0.0
    for at in range(steps + 1):
        z = d_prime - reach + at * width
        weight = 1 if at in (0, steps) else 4 if at % 2 else 2
        total += weight * exp(-((z - d_prime) ** 2) / 2) * (0.5 * (1 + erf(z / sqrt(2)))) ** others
    return total * width / 3 / sqrt(2 * pi)
