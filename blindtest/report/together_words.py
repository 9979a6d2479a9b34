"""What several listeners' plan could conclude from all their answers together, in words."""

from blindtest.report.words import plural, spelled
from blindtest.stats import PLAN_OF_SEVERAL, PanelChances

__all__ = ["panel_plan"]


def panel_plan(found: PanelChances | None, *, scatter: bool) -> list[str]:
    """Return the sentence about the plan of several; of one listener none.

    scatter : whether listeners' counts scattered, where the chances are not known
    """
    if found is None:
        return [PLAN_OF_SEVERAL] if scatter else []
    refuted = ""
    if found.chance_refuted is not None:
        refuted = f", as refuted with {spelled(found.chance_refuted)} where it is the truth the other way round"
    return [
        f"Of {plural(found.listeners, 'listener')} negligible must also withstand how far they differ. "
        f"{plural(found.trials, 'trial')} of each, all listeners being alike, would have ended as shown with a chance "
        f"of {spelled(found.chance_shown)} where the margin is the truth{refuted}, and as negligible with "
        f"{spelled(found.chance_negligible)} where there is nothing (simulated, {found.studies} studies)."
    ]
