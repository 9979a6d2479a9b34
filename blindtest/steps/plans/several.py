"""What several listeners' answers together can conclude, beside what one listener's can."""

from collections.abc import Mapping, Sequence
from typing import Any, Literal

from blindtest.errors import Fault, WrongUse
from blindtest.stats import PanelChances, panel_chances

__all__ = ["LEAST_CHANCE", "can_fail_together", "panel_dicts", "panel_lines", "panels_of"]

LEAST_CHANCE = 0.5


def panels_of(
    kind: Literal["heard", "preferred", "attribute"],
    *,
    listeners: int | None,
    sd_listener: float | None,
    trials: int,
    margin: float,
    **how: Any,
) -> tuple[PanelChances, ...]:
    """Return the chances of a panel that is alike and, where a spread is stated, of one that scatters so.

    Parameters
    ----------
    listeners : None or 1: no panel
    sd_listener : standard deviation of listeners' own effects, in the unit of the margin
    trials : of each listener
    how : method, alpha and direction, as `panel_chances` takes them

    Raises
    ------
    WrongUse
        A spread without a panel, or one that can't be.
    """
    if listeners is None or listeners < 2:
        if sd_listener is not None:
            raise WrongUse(
                Fault(
                    problem="a spread is one of several listeners",
                    key="--sd-listener",
                    got=sd_listener,
                    remedy="name how many: --listeners N, 2 or more",
                )
            )
        return ()
    spreads = (0.0, sd_listener) if sd_listener else (0.0,)
    try:
        return tuple(
            panel_chances(kind, listeners=listeners, trials=trials, margin=margin, spread=spread, **how)
            for spread in spreads
        )
    except ValueError as error:
        raise WrongUse(Fault(problem=str(error), key="--sd-listener")) from None


def panel_lines(panels: Sequence[PanelChances]) -> list[str]:
    """Return what stands below the chances of one listener."""
    if not panels:
        return []
    return [
        "That is what one listener's answers say. All listeners' answers together, where negligible must also "
        "withstand how far listeners differ:",
        *(f"  {one.sentence}" for one in panels),
    ]


def can_fail_together(panels: Sequence[PanelChances]) -> bool:
    """Return whether a panel that is alike refutes a false claim, or finds it negligible, at least every other time."""
    return any(one.chance_to_fail >= LEAST_CHANCE for one in panels[:1])


def panel_dicts(panels: Sequence[PanelChances]) -> Mapping[str, Any]:
    """Return what JSON can hold; nothing where there is no panel."""
    return {"panel": [one.to_dict() for one in panels]} if panels else {}
