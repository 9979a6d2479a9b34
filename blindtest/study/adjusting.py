"""What must hold where listeners set a sound themselves: a grid to move on, and something to set it against."""

from collections.abc import Mapping, Sequence
from typing import Any

from blindtest.design import METHODS, Block, Claim, Protocol
from blindtest.errors import did_you_mean
from blindtest.study.comparing import adjusted_grid, block_conditions
from blindtest.study.condition import StudyCondition
from blindtest.study.entries import entries
from blindtest.study.findings import Findings
from blindtest.study.grids import GRID_UNITS, levels
from blindtest.study.lines import Place
from blindtest.study.reading import Tables

__all__ = ["check_adjusted", "check_match"]

FEWEST_LEVELS = 5
FEW_SETTINGS = 8
"""Of one listener, half of them from each side; with fewer, scatter and the pull of the start are hardly known."""


def check_adjusted(
    protocol: Protocol, claims: Sequence[Claim], conditions: Sequence[StudyCondition], data: Tables, found: Findings
) -> None:
    """Complain about blocks whose listeners would have nothing to move on, or nothing to set it against."""
    changes = found.source.data["protocol"].get("changes")
    place: Place = ("protocol", "changes") if changes else ("protocol", "use")
    grids = {str(one["id"]): one["grid"] for _, one in entries(data, "condition") if one.get("grid") and "id" in one}
    plain = [condition.id for condition in conditions if condition.plain]
    for block in protocol.blocks:
        if METHODS[block.method].answer_kind != "adjust":
            continue
        grid = adjusted_grid(block, claims, conditions)
        if grid not in grids:
            found.fault(
                place,
                f"block {block.id}: no condition of this id has a grid"
                if grid
                else f"block {block.id}: on which grid do listeners set it?",
                got=grid or ", ".join(grids) or "no condition with a grid",
                allowed=", ".join(grids),
                remedy=did_you_mean(grid, grids)
                if grids and grid
                else f"write {block.id}.adjusts = 'condition-id' under [protocol.changes]"
                if grids
                else "write [[condition]] with grid = { stage = 'gain_db', values = [-4, ..., 4] }",
            )
            continue
        _enough(block, grid, grids[grid], data, found)
        against = block.numbers.get("against")
        if against is not None and against not in plain:
            found.fault(
                place,
                f"block {block.id}: what a setting is to equal is no condition of this study",
                got=against,
                allowed=", ".join(plain),
                remedy=did_you_mean(str(against), plain),
            )
        elif not block_conditions(block, claims, conditions):
            found.fault(
                place,
                f"block {block.id}: what is a setting to equal?",
                remedy=f"write {block.id}.against = 'condition-id' under [protocol.changes]",
            )
        stage = grids[grid].get("stage")
        if stage not in (None, "gain_db") and "attribute" not in block.numbers:
            found.fault(
                place,
                f"block {block.id} asks for a loudness, and the grid of {grid} runs over {stage}",
                got=stage,
                remedy=f"write {block.id}.attribute = 'bass' under [protocol.changes], or what it is about",
            )


def _enough(block: Block, grid: str, table: Mapping[str, Any], data: Tables, found: Findings) -> None:
    index = next(number for number, one in entries(data, "condition") if one.get("id") == grid)
    path, values = ("condition", index, "grid", "values"), table.get("values", [])
    most = METHODS[block.method].conditions[1] - 1
    if not found.is_touched(*path) and not FEWEST_LEVELS <= len(values) <= most:
        found.fault(
            path,
            f"block {block.id} moves on this grid: {'too few' if len(values) < FEWEST_LEVELS else 'too many'} levels",
            got=len(values),
            allowed=f"{FEWEST_LEVELS} to {most}: all that can be set in a trial is held in memory",
        )


def check_match(
    claim: Tables,
    margin: float,
    blocks: Sequence[Block],
    data: Tables,
    place: Place,
    planned: int,
    found: Findings,
) -> None:
    """Complain where no setting could refute that a match holds; say by what it ends."""
    if len({block.numbers.get("sets") for block in blocks}) > 1:
        found.fault(
            place,
            "one block sets what is equal, another what is preferred: which of them is claimed?",
            got=", ".join(block.id for block in blocks),
            remedy="name another condition's grid in one of them: adjusts = 'condition-id'",
        )
    table = next((one for _, one in entries(data, "condition") if one.get("id") == claim.get("device")), {})
    values = [value for _, value in levels(table)]
    if not values:
        return
    unit = GRID_UNITS.get(table["grid"].get("stage", ""), "")
    if not (min(values) < -margin and max(values) > margin):
        found.fault(
            place,
            "no setting could refute the claim: the grid ends within the margin",
            got=f"{min(values):g} to {max(values):g}",
            allowed=f"values from below {-margin:g} to above {margin:g}",
            remedy="a wider grid, about twice the margin and more on both sides of 0",
        )
        return
    trials = sum(block.trials * block.sittings for block in blocks)
    who = "settings" if planned == 1 else "listeners' means"
    found.note(
        place,
        f"{trials} settings of each listener: shown where the 90 % interval of the mean of {who} lies within "
        f"-{margin:g} ... {margin:g} {unit}, refuted where it lies outside; how often that is reached isn't computed "
        "here",
    )
    if trials < FEW_SETTINGS:
        found.note(place, f"fewer than {FEW_SETTINGS} settings: how far they scatter is hardly known")
