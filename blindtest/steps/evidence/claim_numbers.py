"""What became of a claim, in numbers that another program can read: an effect with its limits, counts, exact tests.

For each kind of claim the first effect is the one that its word rests on; scales are named, so that nobody pools what
is not counted in the same unit. Numbers that are infinite or do not exist are null.
"""

from collections.abc import Mapping, Sequence
from fractions import Fraction
from math import isfinite, sqrt
from typing import Any

from blindtest.methods import METHODS
from blindtest.stats import Conclusion, DiscriminationResult, PanelChances
from blindtest.steps.answers.attribute import AttributeAnswers
from blindtest.steps.answers.claim import ClaimAnswers
from blindtest.steps.answers.listened import ListenedAnswers
from blindtest.steps.answers.preferred import PreferredAnswers
from blindtest.steps.answers.sitting import SittingAnswers
from blindtest.steps.answers.stopped import StoppedAnswers

__all__ = [
    "counts_of",
    "effects_of",
    "exact_of",
    "exact_test",
    "fraction",
    "guess_of",
    "listeners_of",
    "method_of",
    "number",
    "power_of",
]

Table = dict[str, Any]

SHARE_HEARD = "share of trials heard beyond guessing"
RIGHT = "proportion of right answers"
D_PRIME = "d'"
PREFERRED = "probability to prefer the device"
CHOSEN = "share of choices beyond an equal share"
_GREATEST_DENOMINATOR = 64
"""Guess rates are simple fractions: 1/2, 1/3, 1/10."""


def number(value: float | None) -> float | None:
    """Return a number that JSON can hold; None where it is infinite, not a number or missing."""
    return None if value is None or not isfinite(value) else float(value)


def _effect(
    scale: str,
    estimate: float,
    interval: tuple[float, float] | None,
    level: float,
    *,
    std_error: float | None = None,
    df: float | None = None,
    unit: str = "",
) -> Table:
    return {
        "scale": scale,
        "unit": unit,
        "estimate": number(estimate),
        "std_error": number(std_error),
        "df": number(df),
        "interval": None if interval is None else [number(interval[0]), number(interval[1])],
        "level": level,
    }


def _of_mean(scale: str, one: Any, unit: str) -> Table:
    """Return a mean effect with limits at its level."""
    return _effect(scale, one.estimate, one.interval, one.level, std_error=one.std_error, df=one.df, unit=unit)


def _of_contrast(scale: str, one: Any, unit: str) -> Table:
    """Return an estimated difference with limits at 1 - alpha."""
    return _effect(scale, one.estimate, one.interval, 1 - one.alpha, std_error=one.std_error, df=one.df, unit=unit)


def effects_of(one: ClaimAnswers) -> list[Table]:
    """Return the effects that were estimated for a claim, the one that its word rests on first."""
    if one.heard is not None:
        return _heard(one.heard.conclusion)
    if one.stopped is not None:
        return _stopped(one.stopped)
    if one.preferred is not None:
        told = one.preferred.conclusion.answered
        n = told.wins + told.losses
        error = sqrt(told.proportion * (1 - told.proportion) / n) if n else None
        return [_effect(PREFERRED, told.proportion, told.interval, told.level, std_error=error)]
    if one.attribute is not None:
        held = one.attribute.conclusion.answered or one.attribute.conclusion.against
        spread = sqrt(held.proportion * (1 - held.proportion) / held.trials)
        named = f"proportion of choices of the device, {one.attribute.attribute}"
        return [
            _effect(f"{D_PRIME} of {one.attribute.attribute}", held.d_prime, held.d_prime_interval, held.level),
            _effect(named, held.proportion, held.interval, held.level, std_error=spread),
        ]
    if one.scaled is not None:
        concluded = one.scaled.facts.decisive.conclusion
        scale = f"difference in {one.scaled.facts.scale}"
        return [] if concluded is None else [_of_contrast(scale, concluded, one.scaled.facts.unit)]
    if one.listened is not None:
        choice = one.listened.choice
        level = (choice.panel or choice.pooled).level if choice.unit == "listener" else choice.pooled.level
        return [_effect(CHOSEN, choice.estimate, choice.interval, level)]
    if one.rated is not None:
        found = one.rated.result
        told_of = {
            "blind effect": found.blind,
            "labelled effect": found.labelled,
            "blind less labelled effect": found.difference,
            "blind effect less the share kept of the labelled one": found.kept_contrast,
        }
        return [_of_mean(scale, effect, "points") for scale, effect in told_of.items()]
    if one.unreliable is not None:
        said = one.unreliable.result
        named_too = {"effect of the sound": said.sound, "effect of the name": said.label, "sound x name": said.together}
        return [_of_mean(scale, effect, "points") for scale, effect in named_too.items()]
    if one.threshold is not None:
        ended = one.threshold.conclusion
        # Each limit is one-sided at alpha: together they hold at 1 - 2 alpha.
        scale = f"level of {one.record['device']} at {100 * ended.proportion:.3g} % right"
        return [_effect(scale, ended.estimate, ended.limits, 1 - 2 * ended.alpha)]
    if one.matched is not None and one.matched.result is not None:
        told_by = one.matched.result
        scale = f"setting of {one.matched.attribute} from the match"
        unit, error = one.matched.unit, told_by.std_error
        return [
            _effect(scale, told_by.mean, told_by.interval, told_by.level, std_error=error, df=told_by.df, unit=unit)
        ]
    if one.staged is not None:
        return [_of_mean(f"effect of {one.staged.stage} on {one.staged.scale}", one.staged.own.effect, "points")]
    return []


def _heard(concluded: Conclusion) -> list[Table]:
    held: DiscriminationResult = concluded.answered or concluded.difference
    spread = sqrt(held.proportion * (1 - held.proportion) / held.trials)
    return [
        _effect(
            SHARE_HEARD, held.distinguishers, held.distinguishers_interval, held.level,
            std_error=held.distinguishers_std_error,
        ),
        _effect(D_PRIME, held.d_prime, held.d_prime_interval, held.level, std_error=held.d_prime_std_error),
        _effect(RIGHT, held.proportion, held.interval, held.level, std_error=spread),
    ]  # fmt: skip


def _stopped(one: StoppedAnswers) -> list[Table]:
    """Return the effect of each sitting that a rule ended: together they have a test and no common interval."""
    guess = one.conclusion.guess_rate

    def heard(right: float) -> float:
        return max(0.0, (right - guess) / (1 - guess))

    return [
        _effect(
            f"{SHARE_HEARD}, {sitting.listener}",
            heard(sitting.estimate),
            (heard(sitting.interval[0]), heard(sitting.interval[1])),
            sitting.level,
        )
        for sitting in one.conclusion.sittings
    ]


def method_of(one: ClaimAnswers, blocks: Sequence[Mapping[str, Any]]) -> list[str]:
    """Return the test methods that answer a claim, in the order of its blocks; blocks : as sealed."""
    return list(dict.fromkeys(str(block["method"]) for block in blocks if block["id"] in one.record["blocks"]))


def counts_of(one: ClaimAnswers, sittings: Sequence[SittingAnswers]) -> Table:
    """Return trials planned, answered, left unanswered, and what they were answered by; sittings : that count."""
    trials = sum(len({int(row["trial"]) for row in sitting.of_claim(one.record)}) for sitting in sittings)
    own = {
        "planned": one.planned,
        "trials": trials,
        "unanswered": sum(sitting.unanswered_for(one.record) for sitting in sittings),
        "listeners": len({sitting.entry.listener for sitting in sittings if sitting.of_claim(one.record)}),
        "sittings": len([sitting for sitting in sittings if sitting.planned_for(one.record)]),
    }
    if one.heard is not None:
        return {**own, "correct": one.heard.conclusion.correct}
    if one.stopped is not None:
        return {**own, "correct": one.stopped.conclusion.correct}
    if one.attribute is not None:
        return {**own, "correct": one.attribute.conclusion.correct}
    if one.preferred is not None:
        told = one.preferred.conclusion
        return {**own, "wins": told.wins, "losses": told.losses, "ties": told.ties}
    if one.listened is not None:
        pooled = one.listened.choice.pooled
        return {**own, "chosen": pooled.chosen, "of": pooled.tracks, "without_choice": pooled.without_choice}
    return own


def listeners_of(one: ClaimAnswers) -> list[Table]:
    """Return each listener's counts, where a claim is answered by choices; [] for ratings and settings."""
    if one.heard is not None:
        return [
            {"listener": own.listener, "correct": own.correct, "trials": own.trials, "unanswered": own.unanswered}
            for own in one.heard.listeners
        ]
    if one.stopped is not None:
        return [
            {
                "listener": own.listener,
                "correct": own.correct,
                "trials": own.trials,
                "unanswered": own.most - own.trials,
            }
            for own in one.stopped.conclusion.sittings
        ]
    if one.attribute is not None:
        return [
            {
                "listener": own.listener,
                "correct": own.conclusion.correct,
                "trials": own.conclusion.trials,
                "unanswered": own.conclusion.unanswered,
            }
            for own in one.attribute.listeners
        ]
    if one.listened is not None:
        return [
            {"listener": own.listener, "chosen": own.chosen, "of": own.tracks, "without_choice": own.without_choice}
            for own in one.listened.choice.by_listener
        ]
    return [] if one.preferred is None else _preferred_by_listener(one.preferred, str(one.record["device"]))


def _preferred_by_listener(one: PreferredAnswers, device: str) -> list[Table]:
    found: dict[str, Table] = {}
    for row in one.comparisons.to_dict("records"):
        own = found.setdefault(
            str(row["listener"]),
            {"listener": str(row["listener"]), "wins": 0, "losses": 0, "ties": 0, "unanswered": 0},
        )
        outcome = row["outcome"]
        if outcome not in ("first", "second", "tie"):
            own["unanswered"] += 1
        elif outcome == "tie":
            own["ties"] += 1
        else:
            own["wins" if row[outcome] == device else "losses"] += 1
    return [found[name] for name in sorted(found)]


def guess_of(methods: Sequence[str]) -> str | None:
    """Return how often a guess is right by these methods, as the text of a fraction; None where they don't agree."""
    rates = {METHODS[name].guess_rate for name in methods if name in METHODS}
    return str(fraction(rate)) if len(rates) == 1 and (rate := rates.pop()) else None


def exact_test(what: str, successes: int, trials: int, guess: Fraction, tail: str, p_value: float) -> Table:
    """Return an exact binomial test as anybody can compute it again.

    tail : "upper", "lower", or "two-sided": twice the smaller tail, at most 1
    """
    return {
        "what": what,
        "successes": successes,
        "trials": trials,
        "guess": str(guess),
        "tail": tail,
        "p_value": p_value,
    }


def fraction(value: float) -> Fraction:
    """Return the simple fraction that a guess rate or margin was before it became a float."""
    return Fraction(value).limit_denominator(_GREATEST_DENOMINATOR)


def exact_of(one: ClaimAnswers) -> list[Table]:
    """Return the exact binomial tests of a claim, of the answered trials alone first; () where it rests on no such."""
    if one.heard is not None:
        return _exact_heard(one.heard.conclusion)
    if one.preferred is not None:
        return _exact_preferred(one.preferred)
    if one.attribute is not None:
        return _exact_attribute(one.attribute)
    if one.listened is not None:
        return _exact_listened(one.listened)
    return []


def _exact_heard(concluded: Conclusion) -> list[Table]:
    found = []
    for what, held in (("answered trials", concluded.answered), ("unanswered taken as wrong", concluded.difference)):
        if held is not None and not held.mid_p:
            guess = fraction(held.guess_rate)
            against = f"against guessing, {what}"
            found.append(exact_test(against, held.correct, held.trials, guess, "upper", held.p_value))
    if (similar := concluded.similarity) is not None:
        guess, margin = fraction(concluded.difference.guess_rate), Fraction(str(similar.margin))
        against = "against the margin, unanswered taken as right"
        at_margin = guess + margin * (1 - guess)
        found.append(exact_test(against, similar.correct, similar.trials, at_margin, "lower", similar.p_value))
    return found


def _exact_preferred(one: PreferredAnswers) -> list[Table]:
    told, half = one.conclusion, Fraction(1, 2)
    tail = "two-sided" if told.direction == "two-sided" else "upper"
    found = []
    for what, held in (
        ("answered trials", told.answered),
        ("unanswered taken as losses", told.against),
        ("unanswered taken as wins", told.favouring),
    ):
        n = held.wins + held.losses
        if n:
            found.append(exact_test(f"against 1/2, {what}", held.wins, n, half, tail, held.p_value))
    return found


def _exact_attribute(one: AttributeAnswers) -> list[Table]:
    told = one.conclusion
    tail = "two-sided" if told.direction == "two-sided" else "upper"
    found = []
    for what, held in (
        ("answered trials", told.answered),
        ("unanswered taken as the other one", told.against),
        ("unanswered taken as the claimed one", told.favouring),
    ):
        if held is not None:
            guess = fraction(held.guess_rate)
            found.append(exact_test(f"against guessing, {what}", held.correct, held.trials, guess, tail, held.p_value))
    return found


def _exact_listened(one: ListenedAnswers) -> list[Table]:
    """Return the two tails over all tracks: tracks without a choice count against the device, then for it."""
    pooled = one.choice.pooled
    every, share = pooled.tracks + pooled.without_choice, fraction(pooled.equal_share)
    if not every:
        return []
    for_it = pooled.chosen + pooled.without_choice
    return [
        exact_test("chosen more often, no choice taken as another", pooled.chosen, every, share, "upper",
                   pooled.p_claimed),
        exact_test("chosen less often, no choice taken as this", for_it, every, share, "lower", pooled.p_other),
    ]  # fmt: skip


def power_of(one: ClaimAnswers, chance_to_vanish: float | None) -> Table | None:
    """Return how often the plan ends with a word where that is the truth; None where it has no margin, or none counted.

    chance_to_vanish : of a claim that an impression survives
    """
    if one.rated is not None:
        return {"shown": None, "refuted": None, "negligible": chance_to_vanish}
    if one.listened is not None:
        plan = one.listened.chances
        if plan is None:
            return None
        return {"shown": plan.more.shown, "refuted": plan.less.refuted, "negligible": plan.alike.negligible}
    found: Any = None
    if one.heard is not None:
        found = one.heard.chances
    elif one.stopped is not None:
        found = one.stopped.chances
    elif one.preferred is not None:
        found = one.preferred.chances
    elif one.attribute is not None:
        found = one.attribute.chances
    elif one.scaled is not None:
        found = one.scaled.facts.plan
    elif one.staged is not None:
        found = one.staged.plan
    if found is None:
        return None
    together = getattr(one.heard or one.preferred or one.attribute, "together", None)
    return {**_chances(found), **({} if together is None else {"together": _panel(together)})}


def _chances(found: Any) -> Table:
    return {
        "shown": number(found.chance_shown),
        "refuted": number(getattr(found, "chance_refuted", None)),
        "negligible": number(found.chance_negligible),
    }


def _panel(found: PanelChances) -> Table:
    """Return the chances of listeners who are alike, whose scatter *negligible* must withstand."""
    return {"listeners": found.listeners, "trials": found.trials, **_chances(found), "studies": found.studies}
