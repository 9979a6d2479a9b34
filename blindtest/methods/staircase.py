"""Staircases: each trial is made harder or easier by the answers before it, so that a track closes in on a threshold.

Sources: Levitt 1971 (JASA 49, 467-477), transformed up-down; Kaernbach 1991 (Perception & Psychophysics 49, 227-229),
weighted up-down. The rules stand in `up_down.py`, the trial in `level_trial.py`. A block is one track; the number of
its trials is fixed beforehand, and every listener runs several.

Numbers of a block: `task` odd or abx; `start`, where the track begins as a share of the grid (1: the strongest level);
`step`, the first step in levels; `halvings`, at how many of the first reversals it is halved; for the transformed rule
`down`, how many right answers in a row make a step down; for the weighted one `ratio`, how many times the step down a
step up is.
"""

from collections.abc import Mapping, Sequence
from math import floor

from blindtest.methods.contract import Outcome, Setting, Value
from blindtest.methods.level_trial import adaptive_method
from blindtest.methods.up_down import transformed, weighted

__all__ = ["STAIRCASE", "STAIRCASE_WEIGHTED", "default_numbers", "settles_at"]

DEFAULTS: Mapping[str, float | int] = {"start": 1.0, "step": 4, "halvings": 2, "down": 2, "ratio": 3}


_READ = {
    "staircase": ("start", "step", "halvings", "down"),
    "staircase-weighted": ("start", "step", "halvings", "ratio"),
    "threshold-bayes": (),
}


def default_numbers(method: str) -> dict[str, Value]:
    """Return the numbers that an adaptive method reads where a block names none; of other methods nothing."""
    if method not in _READ:
        return {}
    return {"task": "odd", **{name: DEFAULTS[name] for name in _READ[method]}}


def settles_at(method: str, numbers: Mapping[str, Value]) -> float | None:
    """Return the proportion of right answers at which a method's rule settles; None where it seeks no such point."""
    if method == STAIRCASE.name:
        return float(0.5 ** (1 / _number(numbers, "down")))
    if method == STAIRCASE_WEIGHTED.name:
        return _number(numbers, "ratio") / (1 + _number(numbers, "ratio"))
    return None


def _number(numbers: Mapping[str, Value], name: str) -> float | int:
    value = numbers.get(name, DEFAULTS[name])
    if isinstance(value, str):
        raise ValueError(f"{name} is a number, got {value!r}")
    return value


def _begun(setting: Setting) -> dict[str, int]:
    """Return what both rules begin with."""
    levels = len(setting.conditions) - 1
    return {
        "levels": levels,
        # Halves go up, on every machine and version alike.
        "start": floor(_number(setting.numbers, "start") * (levels - 1) + 0.5),
        "step": int(_number(setting.numbers, "step")),
        "halvings": int(_number(setting.numbers, "halvings")),
    }


def _answers(earlier: Sequence[Outcome]) -> list[bool]:
    return [outcome.correct is True for outcome in earlier]


def _transformed(setting: Setting, earlier: Sequence[Outcome]) -> int:
    return transformed(_answers(earlier), down=int(_number(setting.numbers, "down")), **_begun(setting))


def _weighted(setting: Setting, earlier: Sequence[Outcome]) -> int:
    return weighted(_answers(earlier), ratio=int(_number(setting.numbers, "ratio")), **_begun(setting))


STAIRCASE = adaptive_method(
    name="staircase", title="Staircase, transformed up-down", source="Levitt 1971", next_place=_transformed
)
STAIRCASE_WEIGHTED = adaptive_method(
    name="staircase-weighted", title="Staircase, weighted up-down", source="Kaernbach 1991", next_place=_weighted
)
