"""What a plan can show of a claim and what would refute it, said beside the claim; a complaint where it cannot fail.

A claim is decided by the answers of all listeners together, so these plans of one listener's trials complain only where
one is planned. What several can conclude takes their scatter into account and is simulated: `blindtest check` and
sealing do it (`steps.several`), and complain in the same words.
"""

from blindtest.study.attribute_reach import AttributeReach, choices_needed
from blindtest.study.findings import Findings
from blindtest.study.lines import Place
from blindtest.study.refutation import PreferenceReach, Reach, pairs_needed, trials_needed

__all__ = ["say_attribute", "say_preference", "say_reach"]


EACH = "each listener alone: "


def say_reach(plan: Reach, place: Place, guess: float, found: Findings, *, several: bool = False) -> None:
    """Say what scores would show and refute a claim heard, or complain that it can't fail."""
    if several:
        found.note(place, EACH + plan.sentence)
        return
    fewest = trials_needed(plan.margin, guess) if not plan.can_fail or plan.shown_from is None else None
    remedy = f"{fewest} trials are the fewest that could" if fewest else "more trials, or a larger margin"
    got = f"{plan.trials} trials and margin {plan.margin:g}"
    if not plan.can_fail:
        at = (
            "no score would make it negligible"
            if plan.negligible_to is None
            else f"{plan.negligible_to} or fewer right would make it negligible, "
            f"which a guesser reaches with chance {plan.chance_negligible:.2f}"
        )
        found.fault(place, f"the claim can't fail: {at}", got=got, allowed="a chance of .50 or more", remedy=remedy)
    elif plan.shown_from is None:
        found.fault(place, "even all answers right would not show a difference", got=got, remedy=remedy)
    else:
        found.note(place, plan.sentence)


def say_preference(plan: PreferenceReach, place: Place, ties: bool, found: Findings, *, several: bool = False) -> None:
    """Say how many pairs won would show and refute a claim, or complain that it can't fail."""
    tied = "; each answer 'no preference' takes a pair away" if ties else ""
    if several:
        found.note(place, EACH + plan.sentence + tied)
        return
    weak = not plan.can_fail or plan.shown_from is None
    fewest = pairs_needed(plan.margin, plan.direction) if weak else None
    remedy = (
        f"{fewest} {plan.of.trials} are the fewest that could"
        if fewest
        else f"more {plan.of.trials}, or a larger margin"
    )
    got = f"{plan.trials} {plan.of.trials} and margin {plan.margin:g}"
    if not plan.can_fail:
        refuted = (
            f"no number of {plan.of.wins} would refute it"
            if plan.refuted_to is None
            else f"{plan.refuted_to} or fewer {plan.of.wins} would refute it, reached with chance "
            f"{plan.chance_refuted:.2f} at a true {plan.of.share} of {0.5 - plan.margin:g}"
        )
        negligible = (
            "none would make it negligible"
            if plan.negligible is None
            else f"{plan.negligible[0]} to {plan.negligible[1]} would make it negligible, reached with chance "
            f"{plan.chance_negligible:.2f} where {plan.of.neither}"
        )
        found.fault(
            place,
            f"the claim can't fail: {refuted}; {negligible}",
            got=got,
            allowed="a chance of .50 or more of one of them",
            remedy=remedy,
        )
    elif plan.shown_from is None:
        found.fault(place, f"even all {plan.of.trials} won would not show {plan.of.more}", got=got, remedy=remedy)
    else:
        found.note(place, plan.sentence + tied)


def say_attribute(plan: AttributeReach, place: Place, found: Findings, *, several: bool = False) -> None:
    """Say how many choices would show and refute a claim of an attribute, or complain that it can't fail."""
    if several:
        found.note(place, EACH + plan.sentence)
        return
    weak = not plan.can_fail or plan.shown_from is None
    fewest = choices_needed(plan.margin, plan.method, plan.direction) if weak else None
    remedy = f"{fewest} trials are the fewest that could" if fewest else "more trials, or a larger margin"
    got = f"{plan.trials} trials and margin d' {plan.margin:g}"
    if not plan.can_fail:
        refuted = (
            "no number of choices would refute it"
            if plan.refuted_to is None
            else f"{plan.refuted_to} or fewer choices would refute it, reached with chance {plan.chance_refuted:.2f} "
            f"at d' {-plan.margin:g}"
        )
        negligible = (
            "none would make it negligible"
            if plan.negligible is None
            else f"{plan.negligible[0]} to {plan.negligible[1]} would make it negligible, reached with chance "
            f"{plan.chance_negligible:.2f} by a guesser"
        )
        found.fault(
            place,
            f"the claim can't fail: {refuted}; {negligible}",
            got=got,
            allowed="a chance of .50 or more of one of them",
            remedy=remedy,
        )
    elif plan.shown_from is None:
        found.fault(place, "even all choices right would not show it", got=got, remedy=remedy)
    else:
        found.note(place, plan.sentence)
