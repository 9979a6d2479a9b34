"""What must hold of a condition whose stages are switched on and off, and what its combinations can't tell apart."""

from blindtest.design import METHODS, Factorial
from blindtest.errors import did_you_mean
from blindtest.study.factorials import FRACTIONS, combination_name, factorial_of, places, without
from blindtest.study.findings import Findings
from blindtest.study.lines import Place
from blindtest.study.reading import Tables

__all__ = ["alias_words", "check_factors"]

MOST = METHODS["rating"].conditions[1]
"""On one page."""


def check_factors(data: Tables, condition: Tables, index: int, found: Findings) -> None:
    """Gather what is wrong with the factors of one condition, pruned of what the schema refused."""
    own, path = condition.get("factors"), ("condition", index, "factors")
    if not isinstance(own, dict):
        return
    for key, words in (
        ("anchor", "an anchor is one rendering"),
        ("decoy", "a decoy is one rendering"),
        ("reference", "the original is one rendering"),
        ("label", "its combinations are never named"),
        ("grid", "a condition spans levels or combinations, not both"),
        ("hardware", "stages of a real unit can't be switched"),
    ):
        if condition.get(key):
            remedy = f"take {key} or factors out"
            found.fault((*path[:2], key), f"the condition has factors: {words}", remedy=remedy)
    named = own.get("stages")
    if not isinstance(named, list) or found.is_touched(*path):
        return
    stages = condition.get("stages", [])
    if found.is_touched("condition", index, "stages"):
        return
    where = places(named, stages)
    kinds = [str(key) for stage in stages if isinstance(stage, dict) for key in stage]
    for number, name in enumerate(named):
        if named.index(name) < number or any(
            where[name] == where[other] is not None for other in named[:number] if other != name
        ):
            found.fault((*path, "stages", number), "a stage is named twice", got=name, remedy="name each once")
        elif where[name] is None:
            several = kinds.count(name) > 1
            found.fault(
                (*path, "stages", number),
                "the chain has several such stages" if several else "the chain has no such stage",
                got=name,
                allowed=f"'{name} 1', '{name} 2': which of them" if several else ", ".join(dict.fromkeys(kinds)),
                remedy="" if several else did_you_mean(name, kinds),
            )
    if any(place is None for place in where.values()) or len(set(named)) < len(named):
        return
    _corrected(condition, where, index, found)
    design = factorial_of(condition)
    whole = 2 ** len(named)
    if design is None:
        found.fault(
            (*path, "fraction"),
            f"so few of {whole} combinations can't tell {len(named)} stages from each other",
            got=own.get("fraction"),
            allowed=", ".join(one for halvings, one in enumerate(FRACTIONS) if whole // 2**halvings > len(named)),
        )
    elif len(design.runs) > MOST:
        fits = next((f for h, f in enumerate(FRACTIONS) if len(named) < whole // 2**h <= MOST), "")
        found.fault(
            path,
            f"{len(design.runs)} combinations are too many to be rated together",
            got=len(design.runs),
            allowed=f"{MOST} at most (ITU-R BS.1534-3, 5.3)",
            remedy=f"write fraction = '{fits}' in factors, or switch fewer stages" if fits else "switch fewer stages",
        )
    else:
        found.note(path, alias_words(condition.get("id", ""), design))
        _hidden_twice(data, condition, design, path, found)


def _hidden_twice(data: Tables, condition: Tables, design: Factorial, path: Place, found: Findings) -> None:
    """Say where a combination is the very rendering that another condition is."""
    for other in data.get("condition", ()):
        if not isinstance(other, dict) or other is condition or other.get("factors") or other.get("grid"):
            continue
        for run in design.runs:
            left = without(condition["stages"], tuple(zip(design.factors, run, strict=True)))
            if left == other.get("stages"):
                name = combination_name(condition.get("id", ""), design.factors, run)
                found.note(path, f"{name} is the same rendering as {other.get('id', '')}: it is heard twice on a page")


def _corrected(condition: Tables, where: dict[str, int | None], index: int, found: Findings) -> None:
    """A correction stands on the response that it corrects: switched off, that would leave it correcting nothing."""
    stages = condition["stages"]
    off = {place: name for name, place in where.items()}
    for at, stage in enumerate(stages):
        own = stage.get("correction") if isinstance(stage, dict) else None
        unit = own.get("unit") if isinstance(own, dict) else None
        before = [one for one in range(at) if isinstance(stages[one], dict) and stages[one].get("response") == unit]
        for one in before[-1:]:
            if one in off and unit is not None:
                found.fault(
                    ("condition", index, "factors", "stages"),
                    f"without {off[one]} the correction of {unit} would correct what isn't there",
                    got=off[one],
                    remedy="switch the correction alone",
                )


def alias_words(condition: str, design: Factorial) -> str:
    """Return what a design can tell apart and what it can't, in a sentence; said by `check` and sealed."""
    of = "all combinations" if design.fraction == "1" else f"{design.fraction} of all combinations"
    text = f"{condition}: {len(design.runs)} renderings, {of} of {', '.join(design.factors)}"
    if design.resolution is None:
        return f"{text}; every stage and every product of stages can be told from all others"
    made = "; ".join(f"{name} is on as the product of {' and '.join(word)}" for name, word in design.generators)
    text += f", resolution {design.resolution_words} ({made})"
    if not design.confounded:
        return f"{text}; every stage and every product of two can be told from all others of this size"
    return f"{text}; can't be told apart: {'; '.join(design.confounded)}"
