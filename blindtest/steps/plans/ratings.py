"""Plans of ratings: can a panel show that one device is rated above another?"""

from dataclasses import replace

from blindtest.errors import Fault, WrongUse
from blindtest.report import PlanCurves
from blindtest.stats import (
    ContrastDesign,
    Hands,
    contrast_power,
    contrast_sample_size,
    simulated_contrast_power,
)
from blindtest.steps.plans.contract import PlanAsked, PlanShown, fitting

__all__ = ["plan_contrast"]

DEFAULT_LISTENERS = 12
DEFAULT_CLIPS = 5
DEFAULT_DIFFERENCE = 8.0
LISTENERS = (2, 3, 4, 5, 6, 8, 10, 12, 14, 16, 20, 24, 28, 32, 40, 48, 56, 64)


def plan_contrast(asked: PlanAsked, hands: Hands | None) -> PlanShown:
    """Return what ratings of a panel can show about the difference of two devices."""
    given = {
        name: value
        for name in ("repeats", "devices", "sd_listener", "sd_clip", "sd_residual")
        if (value := getattr(asked, name)) is not None
    }
    design = ContrastDesign(
        listeners=asked.listeners or DEFAULT_LISTENERS,
        clips=asked.clips or DEFAULT_CLIPS,
        clips_are_a_sample=not asked.these_clips,
        **given,
    )
    lines: list[str] = []
    if asked.minutes is not None:
        if asked.repeats is not None:
            raise WrongUse(Fault(problem="--repeats and --minutes exclude each other", remedy="give one of them"))
        repeats = fitting(asked, per_trial=design.clips * design.devices, what="rating of every device on every clip")
        assert repeats is not None
        design = replace(design, repeats=repeats)
        lines.append(
            f"{asked.minutes:g} minutes hold {repeats} ratings of each device on each clip ({asked.seconds:g} s each)."
        )
    difference = DEFAULT_DIFFERENCE if asked.difference is None else asked.difference
    sides = {"alpha": asked.alpha, "two_sided": not asked.one_sided}
    found = contrast_power(design, difference=difference, margin=asked.margin, **sides)  # type: ignore[arg-type]
    lines.append(found.sentence)
    values = found.to_dict()
    if asked.studies:
        if design.df < 1:
            raise WrongUse(Fault(problem="nothing can be simulated of a plan that can show nothing", key="--studies"))
        simulated = simulated_contrast_power(
            design, difference=difference, margin=asked.margin, studies=asked.studies, seed=asked.seed, hands=hands,
            **sides,  # type: ignore[arg-type]
        )  # fmt: skip
        values["simulated"] = simulated.to_dict()
        lines.append(f"Simulated, each study fitted by the mixed model: {simulated.sentence}")
    size = contrast_sample_size(design, difference=difference, **sides)  # type: ignore[arg-type]
    values["listeners_needed"] = size
    lines.append(
        f"{size} listeners show {difference:g} points with probability .8."
        if size is not None
        else f"With {design.clips} clips no number of listeners shows {difference:g} points with probability .8: the "
        "result would hang on which clips were taken. Take more clips, or claim for these clips only (--these-clips)."
    )
    lines += [f"{remark[0].upper()}{remark[1:]}." for remark in found.remarks]
    lines.append(
        f"Assumed: standard deviations {design.sd_listener:g} of listeners' differences"
        + (f", {design.sd_clip:g} of clips'" if design.clips_are_a_sample else "")
        + f", {design.sd_residual:g} of a rating; {found.method}."
    )
    counts = tuple(sorted({*LISTENERS, design.listeners}))
    drawn = sorted({difference / 2, difference, 1.5 * difference})
    curves = PlanCurves(
        title="What panels of different sizes show",
        size="listeners",
        sizes=counts,
        chance="of being shown",
        curves=tuple(
            (
                f"{points:g} points",
                tuple(
                    contrast_power(replace(design, listeners=count), difference=points, **sides).power  # type: ignore[arg-type]
                    for count in counts
                ),
            )
            for points in drawn
        ),
        planned=design.listeners,
    )
    return PlanShown(method="contrast", lines=tuple(lines), values=values, curves=curves)
