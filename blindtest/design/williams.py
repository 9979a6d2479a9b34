"""Williams designs: orders of presentation in which every condition follows every other equally often.

Source: Williams 1949 (Aust. J. Sci. Res. A 2, 149): for an even number k of conditions k rows, for an odd number 2k,
in which each condition stands at each place equally often, and each ordered pair of neighbours occurs equally often.
So what a sound owes to the one heard just before it falls on all alike.

A *round* is one presentation of all conditions: a clip's trials one after the other where one sound is rated at a time,
the slots of a page where all stand side by side. Full cycles of rows come in an order that the sitting's own plan
draws. Of what is left over, the rows follow from the listener's place in the panel, so that over as many listeners as
there are rows each has come equally often; which listener begins where is drawn from the study seal's nonce.
"""

from collections.abc import Sequence

from blindtest.design.draws import Draws
from blindtest.methods import Drawn, Slot

__all__ = ["arranged", "panel_start", "rows_in", "williams"]


def williams(conditions: int) -> tuple[tuple[int, ...], ...]:
    """Return the rows of the design: k for an even number k of conditions, 2k for an odd one; conditions from 0.

    >>> williams(4)
    ((0, 1, 3, 2), (1, 2, 0, 3), (2, 3, 1, 0), (3, 0, 2, 1))
    """
    k = conditions
    if k < 2:
        raise ValueError(f"an order needs two conditions, got {k}")
    first = [0]
    for step in range(1, k):
        first.append((step + 1) // 2 if step % 2 else k - step // 2)
    rows = tuple(tuple((one + shift) % k for one in first) for shift in range(k))
    return rows if k % 2 == 0 else rows + tuple(row[::-1] for row in rows)


def rows_in(draws: Draws, block: str, rounds: int, conditions: int, start: int) -> tuple[tuple[int, ...], ...]:
    """Return the row of each round of a sitting: full cycles in drawn order, then those that fall to the listener.

    Parameters
    ----------
    block : its id; the purposes of the draws are "williams/...", of no other draw
    start : where the listener begins in the rows that are left over, see `panel_start`
    """
    rows = williams(conditions)
    cycles, rest = divmod(rounds, len(rows))
    found: list[tuple[int, ...]] = []
    for cycle in range(cycles):
        found += draws.shuffled(f"williams/{block}/{cycle}", rows)
    left = [rows[(start + place) % len(rows)] for place in range(rest)]
    # What is left over may come first or last: its place in the sitting is drawn, too.
    at = draws.source(f"williams/{block}/rest")(cycles + 1) * len(rows)
    return (*found[:at], *draws.shuffled(f"williams/{block}/left", left), *found[at:])


def panel_start(draws: Draws, block: str, place: int, conditions: int) -> int:
    """Return where the `place`-th listener of a panel (0-based) begins: each row once over as many listeners.

    `draws` are those of the study seal's nonce.
    """
    starts = tuple(range(len(williams(conditions))))
    return draws.shuffled(f"williams/{block}/panel/{place // len(starts)}", starts)[place % len(starts)]


def arranged(drawn: Drawn, conditions: Sequence[str], row: Sequence[int]) -> Drawn:
    """Return a page whose rated slots hold the conditions in the order of `row`; other slots stay."""
    order = iter(row)
    return Drawn(
        slots=tuple(
            Slot(name=one.name, role=one.role, condition=conditions[next(order)]) if one.role == "rated" else one
            for one in drawn.slots
        ),
        right=drawn.right,
    )
