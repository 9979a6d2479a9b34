"""Simulated studies spread over many hands: the same numbers, whoever counts and however many."""

from collections.abc import Callable, Sequence
from typing import Any, Protocol, TypeVar

import numpy as np

__all__ = ["CHUNK", "Hands", "chunks", "spread"]

T = TypeVar("T")
CHUNK = 100
"""Studies simulated with one seed; fixed, so that the result does not hang on the number of hands."""


class _Promise(Protocol):
    def result(self) -> Any:
        """Return what was computed, or raise what went wrong."""


class Hands(Protocol):
    """Whoever computes: an executor of concurrent.futures, or a client of a Dask cluster."""

    def submit(self, call: Callable[..., Any], /, *arguments: Any) -> _Promise:
        """Begin a call."""


def chunks(studies: int, seed: int) -> list[tuple[int, np.random.SeedSequence]]:
    """Return numbers of studies with a seed each, children of `seed`: independent, and the same every time."""
    if studies < 1:
        raise ValueError(f"studies must be 1 or more, got {studies}")
    counts = [CHUNK] * (studies // CHUNK) + ([studies % CHUNK] if studies % CHUNK else [])
    return list(zip(counts, np.random.SeedSequence(seed).spawn(len(counts)), strict=True))


def spread(calls: Sequence[tuple[Callable[..., T], *tuple[Any, ...]]], hands: Hands | None) -> list[T]:
    """Return the results of `calls` (function, arguments ...) in their order, by many hands or one after another."""
    if hands is None:
        return [call(*arguments) for call, *arguments in calls]
    promises = [hands.submit(call, *arguments) for call, *arguments in calls]
    return [promise.result() for promise in promises]
