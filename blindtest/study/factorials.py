"""Factorials: a condition spread over stages of its chain that are switched on and off, to tell which one is heard.

`factors = { stages = ["response", "harmonics", "hump"] }` in a condition "heron" stands for eight conditions, from
"heron@response-harmonics-hump-" to "heron@response+harmonics+hump+": the same chain without the stages that are off.
Stages that are not named are always on. `fraction = "1/2"` keeps half of the combinations (`design.factorial`).
"""

import re
from collections.abc import Mapping, Sequence
from typing import Any

from blindtest.design import Factorial, factorial
from blindtest.study.condition import StudyCondition

__all__ = ["FRACTIONS", "cells", "combination_name", "factorial_in", "factorial_of", "places", "without"]

FRACTIONS = ("1", "1/2", "1/4", "1/8", "1/16")
_NAMED = re.compile(r"([a-z_0-9]*[a-z_])(?: ([1-9][0-9]?))?")


def places(named: Sequence[str], stages: Sequence[Any]) -> dict[str, int | None]:
    """Return where each named stage stands in a chain; None: nowhere, or in several places.

    A name is the key of a stage, such as 'hump', or 'hump 2' for the second one of its kind.
    """
    found: dict[str, int | None] = {}
    for name in named:
        match = _NAMED.fullmatch(name)
        own = [] if match is None else [at for at, stage in enumerate(stages) if _has(stage, match[1])]
        nth = None if match is None or match[2] is None else int(match[2])
        if nth is None:
            found[name] = own[0] if len(own) == 1 else None
        else:
            found[name] = own[nth - 1] if nth <= len(own) else None
    return found


def _has(stage: Any, key: str) -> bool:
    value = stage.get(key) if isinstance(stage, Mapping) else getattr(stage, key, None)
    return value is not None


def factorial_of(table: Mapping[str, Any]) -> Factorial | None:
    """Return the design of a condition's table; None where it has none, or none that can be made."""
    own = table.get("factors")
    if not isinstance(own, Mapping):
        return None
    named, fraction = own.get("stages"), own.get("fraction", "1")
    if not isinstance(named, list) or fraction not in FRACTIONS:
        return None
    try:
        return factorial([str(name) for name in named], FRACTIONS.index(fraction))
    except ValueError:
        return None


def combination_name(condition: str, factors: Sequence[str], run: Sequence[bool]) -> str:
    """Return the id of a combination: '@' stands in no id that is written."""
    switches = (f"{name.replace(' ', '')}{'+' if on else '-'}" for name, on in zip(factors, run, strict=True))
    return f"{condition}@{''.join(switches)}"


def cells(table: Mapping[str, Any]) -> tuple[tuple[str, tuple[tuple[str, bool], ...]], ...]:
    """Return (id, what is on) of every combination of a condition's table; () without factors."""
    design = factorial_of(table)
    if design is None or "id" not in table:
        return ()
    return tuple(
        (combination_name(table["id"], design.factors, run), tuple(zip(design.factors, run, strict=True)))
        for run in design.runs
    )


def without(stages: Sequence[Any], switches: Sequence[tuple[str, bool]]) -> list[Any]:
    """Return the stages of a chain that are on."""
    where = places([name for name, _ in switches], stages)
    off = {where[name] for name, on in switches if not on}
    return [stage for at, stage in enumerate(stages) if at not in off]


def factorial_in(combinations: Sequence[StudyCondition]) -> Factorial:
    """Return the design of a study's conditions that are the combinations of one factorial."""
    names = [name for name, _ in combinations[0].switches]
    whole = 2 ** len(names)
    return factorial(names, (whole // len(combinations)).bit_length() - 1)
