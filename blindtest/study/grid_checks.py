"""What must hold of a condition's grid: one stage of its chain, nothing that names it; for a threshold, values that go
one way."""

from typing import Any

from blindtest.study.findings import Findings
from blindtest.study.grids import GRID_STAGES, level_name

__all__ = ["check_grid"]


def check_grid(condition: dict[str, Any], index: int, found: Findings) -> None:
    """Gather what is wrong with the grid of one condition, pruned of what the schema refused."""
    grid, path = condition.get("grid"), ("condition", index, "grid")
    if not isinstance(grid, dict):
        return
    for key, words in (
        ("anchor", "an anchor is one rendering"),
        ("decoy", "a decoy is one rendering"),
        ("label", "its levels are never named"),
    ):
        if condition.get(key):
            found.fault((*path[:2], key), f"the condition has a grid: {words}", remedy=f"take {key} or grid out")
    stage = grid.get("stage")
    if isinstance(stage, str):
        own = [one for one in condition.get("stages", ()) if isinstance(one, dict) and stage in one]
        if len(own) != 1 and not found.is_touched("condition", index, "stages"):
            found.fault(
                (*path, "stage"),
                "the chain has no such stage" if not own else "the chain has several such stages",
                got=stage,
                allowed="a stage that stands in stages once; its number there is replaced by each value",
            )
    values = grid.get("values")
    if isinstance(values, list) and not found.is_touched(*path, "values"):
        claims = found.source.data.get("claim")
        looked_for = any(
            isinstance(claim, dict) and claim.get("kind") == "threshold" and claim.get("device") == condition.get("id")
            for claim in (claims if isinstance(claims, list) else ())
        )
        _values(values, str(stage), (*path, "values"), found, one_way=looked_for)


def _values(values: list[float], stage: str, path: tuple[str | int, ...], found: Findings, *, one_way: bool) -> None:
    low, high = GRID_STAGES.get(stage, (float("-inf"), float("inf")))
    for number, value in enumerate(values):
        if not low <= value <= high:
            found.fault((*path, number), "out of range", got=value, allowed=f"{low:g} ... {high:g}")
        elif value == 0 and one_way:
            found.fault((*path, number), "a level of nothing", got=value, remedy="take it out: the reference is that")
    if one_way and len({value > 0 for value in values if value}) > 1:
        found.fault(path, "some values are above 0, some below", got=values, allowed="all above 0, or all below 0")
    names = [level_name("", float(value)) for value in values]
    if len(set(names)) < len(names):
        found.fault(path, "a value stands twice", got=values, allowed="each once, told apart by six digits")
