"""What few listeners can't show: how far people differ."""

__all__ = ["PLAN_OF_SEVERAL", "few_listeners_sentence"]

PLAN_OF_SEVERAL = (
    "The plan's chance of negligible is reckoned for all answers together; that it must also withstand how far "
    "listeners differ takes up to .14 from it with two or three listeners, next to nothing with twenty."
)
"""Simulated: heard_scatter.csv and preference_scatter.csv in tests/references/stats, listeners who are alike."""

ENOUGH = 6
"""From so many on all come from one of two equal halves of people with a chance of 1 in 32 or less."""


def few_listeners_sentence(listeners: int) -> str:
    """Return what to say beside *negligible* of two to five listeners; empty for one, and for more.

    No limit that follows from how listeners' answers scatter helps where by chance all of them are alike: of two equal
    halves of people all n come from the same one with chance 2 (1/2)^n.
    """
    if not 2 <= listeners < ENOUGH:
        return ""
    return (
        f"{listeners} listeners can't show how far people differ: were one half of all people unlike the other, all "
        f"{listeners} would come from the same half with a chance of {100 * 2.0 ** (1 - listeners):.0f} %. Negligible "
        "is said of these listeners."
    )
