"""Plans of attribution: how often each of several stages, switched on and off, ends as heard or as negligible."""

from typing import Any

from blindtest.design import factorial
from blindtest.errors import Fault, WrongUse
from blindtest.report import PlanCurves
from blindtest.stats import Hands
from blindtest.steps.plans.contract import PlanAsked, PlanShown, fitting
from blindtest.study import FRACTIONS, stage_reach

__all__ = ["plan_stages"]

DEFAULT_STAGES, DEFAULT_LISTENERS, DEFAULT_CLIPS, DEFAULT_MARGIN = 3, 16, 4, 8.0
MOST_STAGES = 8
LISTENERS = (3, 4, 5, 6, 8, 10, 12, 14, 16, 20, 24, 28, 32, 40, 48, 56, 64)


def plan_stages(asked: PlanAsked, hands: Hands | None) -> PlanShown:
    """Return what ratings of all combinations of stages, or of a fraction of them, can show about each."""
    count = asked.stages or DEFAULT_STAGES
    fraction = asked.fraction or "1"
    if not 2 <= count <= MOST_STAGES:
        raise WrongUse(Fault(problem="out of range", key="--stages", got=count, allowed=f"2 to {MOST_STAGES}"))
    fits = [one for halvings, one in enumerate(FRACTIONS) if 2**count // 2**halvings > count]
    if fraction not in fits:
        raise WrongUse(
            Fault(
                problem=f"no fraction that tells {count} stages from each other",
                key="--fraction",
                got=fraction,
                allowed=", ".join(fits),
            )
        )
    names = "ABCDEFGH"[:count]
    made = factorial(names, FRACTIONS.index(fraction))
    combinations = len(made.runs)
    clips, repeats = asked.clips or DEFAULT_CLIPS, asked.repeats or 1
    lines: list[str] = []
    if asked.minutes is not None:
        if asked.repeats is not None:
            raise WrongUse(Fault(problem="--repeats and --minutes exclude each other", remedy="give one of them"))
        fitted = fitting(asked, per_trial=clips * combinations, what="rating of every combination on every clip")
        assert fitted is not None
        repeats = fitted
        lines.append(
            f"{asked.minutes:g} minutes hold {repeats} ratings of each combination on each clip ({asked.seconds:g} s "
            "each)."
        )
    design: dict[str, Any] = {
        "clips": clips,
        "repeats": repeats,
        "combinations": combinations,
        "stages": count,
        "products": len(made.pairs),
        "margin": asked.margin or DEFAULT_MARGIN,
        "directed": asked.one_sided,
        "only_these_clips": asked.these_clips,
        "alpha": asked.alpha,
    }
    listeners = asked.listeners or DEFAULT_LISTENERS
    plan = stage_reach(listeners=listeners, **design)
    sentence = f"{plan.sentence[0].upper()}{plan.sentence[1:]}."
    lines.append(sentence)
    if plan.std_error is None:
        lines.append(
            "Nothing can be shown: two listeners are no panel, and so few ratings leave no scatter to judge by."
        )
    made_of = "; ".join(f"{name} = {''.join(word)}" for name, word in made.generators)
    told = (
        "every stage and every product of stages can be told from all others"
        if made.resolution is None
        else f"resolution {made.resolution_words} ({made_of}); can't be told apart: "
        + ("; ".join(made.confounded) or "no stage or product of two")
    )
    lines.append(f"{combinations} combinations of {', '.join(names)}: {told}.")
    counts = tuple(sorted({*LISTENERS, *([listeners] if plan.std_error is not None else [])}))
    panels = [stage_reach(listeners=size, **design) for size in counts]
    curves = PlanCurves(
        title="What panels of different sizes tell of a stage",
        size="listeners",
        sizes=counts,
        chance="of ending so, each where it is true",
        curves=(
            (f"shown ({plan.margin:g} points)", tuple(one.chance_shown for one in panels)),
            ("negligible (nothing)", tuple(one.chance_negligible for one in panels)),
        ),
        planned=listeners if listeners in counts else None,
    )
    values = {
        **plan.to_dict(),
        "sentence": sentence,
        "fraction": fraction,
        "resolution": made.resolution_words,
        "confounded": list(made.confounded),
        "alpha": asked.alpha,
    }
    return PlanShown(method="stages", lines=tuple(lines), values=values, curves=curves)
