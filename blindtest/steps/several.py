"""What a study's plan can conclude from all of its listeners' answers together, and whether a claim can fail by them.

A claim can fail if the plan reaches *refuted* or *negligible* with a chance of one half when that is the truth (claims,
section 2). The plan is that of all planned listeners: their answers together decide, so they together are asked, with
what few of them lose by their scatter. A single listener's trials are judged where the study file is read
(`study.reach_words`).
"""

from bisect import bisect_left
from collections.abc import Callable, Mapping
from functools import partial
from typing import Any

from blindtest.errors import BlindtestError, Fault
from blindtest.nouns import number_of
from blindtest.stats import PanelChances, panel_chances, panel_choice_chances
from blindtest.steps.claim_lines import line_of_claim
from blindtest.steps.plans.several import LEAST_CHANCE
from blindtest.study import AttributeReach, PreferenceReach, Reach, Study, claim_blocks, primary_claim

__all__ = ["check_several", "several_chances", "several_faults"]

ALPHA = 0.05
"""Of every study seal."""
MOST_LISTENERS, MOST_TRIALS = 400, 400
"""Up to which a plan that would do is looked for."""
WHAT = {"preferred": "pair", "keeps listening": "track"}
Plan = Callable[[int, int], PanelChances]
"""The chances of so many listeners with so many trials each."""


def several_chances(study: Study) -> Mapping[str, PanelChances]:
    """Return what listeners who are alike can show and refute together, by the claim's id; empty for one listener.

    Of claims that are decided by right answers, choices or pairs whose number is fixed, and by choices of tracks.
    """
    return {name: plan(study.listeners.planned, trials) for name, (trials, plan) in _plans(study).items()}


def _plans(study: Study) -> Mapping[str, tuple[int, Plan]]:
    """Return each such claim's trials of a listener, and the chances of its plans."""
    if study.listeners.planned < 2:
        return {}
    claims = {claim.id: claim for claim in study.claims or (primary_claim(study),)}
    found: dict[str, tuple[int, Plan]] = {}
    for name, reach in study.reaches.items():
        if name not in claims or not isinstance(reach, Reach | PreferenceReach | AttributeReach):
            continue
        claim = claims[name]
        blocks = claim_blocks(study, claim)
        if claim.kind not in ("heard", "preferred", "attribute", "keeps listening") or not blocks:
            continue
        how: dict[str, Any] = {"margin": reach.margin, "alpha": ALPHA}
        how["direction"] = claim.direction if claim.kind != "heard" else "claimed"
        if claim.kind == "keeps listening":
            chances: Callable[..., PanelChances] = partial(panel_choice_chances, **how)
        else:
            chances = partial(panel_chances, claim.kind, method=blocks[0].method, **how)
        found[name] = (reach.trials, partial(_asked, chances))
    return found


def _asked(chances: Callable[..., PanelChances], listeners: int, trials: int) -> PanelChances:
    return chances(listeners=listeners, trials=trials)


def several_faults(study: Study) -> tuple[Fault, ...]:
    """Return where a claim cannot fail, or cannot be shown, by the answers of all planned listeners together."""
    plans, faults = _plans(study), []
    models = {claim.id: 1 for claim in study.claims if not claim.variant_of}
    for claim in study.claims:
        if claim.variant_of in models:
            models[claim.variant_of] += 1
    listeners = study.listeners.planned
    for name, (trials, plan) in plans.items():
        if models and name not in models:
            continue  # another model of the same claim, with the same numbers
        count = models.get(name, 1)
        found = plan(listeners, trials)
        if _does(found, count):
            continue
        what = WHAT.get(found.kind, "trial")
        file, line, key = line_of_claim(study, name)
        faults.append(
            Fault(
                problem=_problem(found, count),
                file=file,
                line=line,
                key=key,
                got=f"{number_of(listeners, 'listener')}, {number_of(trials, what)} each, margin {found.margin:g}",
                allowed="a chance of .50 or more" + (" of one of them" if found.chance_refuted is not None else ""),
                remedy=_remedy(plan, listeners, trials, what, count),
            )
        )
    return tuple(faults)


def check_several(study: Study) -> None:
    """Refuse to seal a study of several listeners in which a claim cannot fail.

    Raises
    ------
    BlindtestError
        See `several_faults`.
    """
    if faults := several_faults(study):
        raise BlindtestError.of(list(faults))


def _does(found: PanelChances, models: int = 1) -> bool:
    """Return whether a plan can both show a claim and refute it, over all models of what is claimed."""
    return found.chance_to_fail**models >= LEAST_CHANCE and found.chance_shown > 0


def _problem(found: PanelChances, models: int) -> str:
    if found.chance_to_fail**models >= LEAST_CHANCE:
        return "no answers of all listeners together would show it"
    over = f" for each of {models} models" if models > 1 else ""
    negligible = f"negligible with chance {found.chance_negligible**models:.2f}{over}"
    if found.chance_refuted is None:
        return f"the claim can't fail: all listeners' answers together, all of them guesses, would end as {negligible}"
    return (
        "the claim can't fail: all listeners' answers together would refute it with chance "
        f"{found.chance_refuted**models:.2f}{over} where the margin is the truth the other way round, and end as "
        f"{negligible} where there is nothing"
    )


def _remedy(plan: Plan, listeners: int, trials: int, what: str, models: int) -> str:
    more = _enough(lambda count: _does(plan(count, trials), models), listeners, MOST_LISTENERS)
    longer = _enough(lambda count: _does(plan(listeners, count), models), trials, MOST_TRIALS)
    ways = []
    if more is not None:
        ways.append(f"planned = {more} under [listeners]")
    if longer is not None:
        ways.append(f"{number_of(longer, what)} of each of {number_of(listeners, 'listener')}")
    return (" or ".join(ways) + " would do") if ways else "more listeners, more of each, or a larger margin"


def _enough(does: Callable[[int], bool], planned: int, most: int) -> int | None:
    """Return a number above the planned one that does, with fewer than which it hardly ever is so; None: none."""
    counts = range(planned + 1, most + 1)
    place = bisect_left(counts, True, key=does)
    return counts[place] if place < len(counts) else None
