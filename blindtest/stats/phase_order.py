"""Which phase a listener had first: said by a column, or told by numbered sittings."""

from typing import TYPE_CHECKING

from blindtest.errors import BlindtestError, Fault, did_you_mean

if TYPE_CHECKING:
    from pandas import DataFrame

__all__ = ["BLIND_FIRST", "LABELLED_FIRST", "orders_of_sittings", "stated_orders"]

BLIND_FIRST, LABELLED_FIRST = "blind-first", "labelled-first"


def stated_orders(table: "DataFrame", modes: tuple[str, str]) -> tuple[tuple[str, str], ...]:
    """Return (listener, order) of the column `order`, "blind-first" or "labelled-first"; rows of other phases aside.

    Raises
    ------
    BlindtestError
        Another word, or two orders of one listener.
    """
    stated: dict[str, str] = {}
    faults = []
    lacking = (table["order"].isna() | (table["order"] == "")).tolist()
    rows = zip(table["listener"].tolist(), table["mode"].tolist(), table["order"].tolist(), lacking, strict=True)
    for number, (listener, mode, order, missing) in enumerate(rows, start=1):
        if missing or str(mode) not in modes:
            continue
        if str(order) not in (BLIND_FIRST, LABELLED_FIRST):
            faults.append(
                Fault(
                    problem="no such order of phases",
                    line=number,
                    key="order",
                    got=order,
                    allowed=f"{BLIND_FIRST}, {LABELLED_FIRST}",
                    remedy=did_you_mean(str(order), (BLIND_FIRST, LABELLED_FIRST)),
                )
            )
        elif stated.setdefault(str(listener), str(order)) != str(order):
            faults.append(
                Fault(
                    problem=f"{listener} had another order in an earlier row",
                    line=number,
                    key="order",
                    got=order,
                    remedy="a listener has one order: which phase came first",
                )
            )
    if faults:
        raise BlindtestError.of(faults)
    return tuple(sorted(stated.items()))


def orders_of_sittings(
    rows: list[tuple[str, str, str, str, str, float]], modes: tuple[str, str]
) -> tuple[tuple[str, str], ...]:
    """Return (listener, order) of `rows`: listener, clip, device, mode, sitting, rating.

    Nothing unless all sittings are whole numbers and none of a listener's stands in both modes.
    """
    held: dict[str, tuple[set[int], set[int]]] = {}
    for listener, _, _, mode, sitting, _ in rows:
        if not (sitting.isascii() and sitting.isdecimal()):
            return ()
        held.setdefault(listener, (set(), set()))[modes.index(mode)].add(int(sitting))
    if any(named & blind for named, blind in held.values()):
        return ()
    return tuple(
        (listener, BLIND_FIRST if min(blind) < min(named) else LABELLED_FIRST)
        for listener, (named, blind) in sorted(held.items())
        if named and blind
    )
