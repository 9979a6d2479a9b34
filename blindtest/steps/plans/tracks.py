"""Plans of free listening: what can choices and dwell on whole tracks conclude?"""

from typing import Any

from blindtest.errors import Fault, WrongUse
from blindtest.report import PlanCurves
from blindtest.stats import Hands, choice_power, dwell_power
from blindtest.steps.plans.contract import SETUP_MINUTES, PlanAsked, PlanShown

__all__ = ["plan_tracks"]

DEFAULT_TRACKS = 20
DEFAULT_SHARE = 0.7
DEFAULT_MARGIN = 0.2
TRACK_SECONDS = 240.0
"""A track of four minutes; our guess."""
TRACKS = (6, 8, 10, 12, 14, 16, 18, 20, 24, 28, 32, 36, 40)
SHARES = (0.6, 0.65, 0.7, 0.8)


def plan_tracks(asked: PlanAsked, hands: Hands | None) -> PlanShown:
    """Return what choices between two slots, and the time spent with each, can conclude."""
    tracks = asked.trials or DEFAULT_TRACKS
    lines: list[str] = []
    if asked.minutes is not None:
        seconds = TRACK_SECONDS if asked.seconds == PlanAsked(method="").seconds else asked.seconds
        tracks = int(60 * (asked.minutes - SETUP_MINUTES) // seconds)
        if tracks < 1:
            raise WrongUse(Fault(problem="no track fits in", key="--minutes", got=asked.minutes, remedy="take more"))
        lines.append(f"{asked.minutes:g} minutes hold {tracks} tracks of {seconds:g} s.")
    common: dict[str, Any] = {
        "alpha": asked.alpha,
        "margin": DEFAULT_MARGIN if asked.margin is None else asked.margin,
        "direction": "claimed" if asked.one_sided else "two-sided",
        "listeners": asked.listeners or 1,
        "sd_listener": asked.sd_listener or 0.0,
        "seed": asked.seed,
    }
    share = DEFAULT_SHARE if asked.share is None else asked.share
    studies: dict[str, Any] = {} if asked.studies is None else {"studies": asked.studies}
    try:
        choice = choice_power(tracks, share=share, **common, **studies)
        dwell = dwell_power(tracks, share=share, **common, **studies, **_spread(asked))
    except ValueError as error:
        raise WrongUse(Fault(problem=str(error), key="--share")) from None
    lines += [f"Choice: {choice.sentence}", f"Dwell: {dwell.sentence}"]
    counts = tuple(sorted({*TRACKS, tracks}))
    curves = None
    if common["listeners"] == 1:
        curves = PlanCurves(
            title="What choices on whole tracks show",
            size="tracks",
            sizes=counts,
            chance="that the choice is shown",
            curves=tuple(
                (f"chosen in {100 * one:g} %", tuple(choice_power(n, share=one, **common).shown for n in counts))
                for one in SHARES
            ),
            planned=tracks,
        )
    values = {"choice": choice.to_dict(), "dwell": dwell.to_dict()}
    return PlanShown(method="free-listening", lines=tuple(lines), values=values, curves=curves)


def _spread(asked: PlanAsked) -> dict[str, Any]:
    return {} if asked.sd_track is None else {"sd": asked.sd_track}
