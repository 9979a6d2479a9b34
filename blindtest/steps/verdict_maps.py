"""The map of a verdict's error rates, as `blindtest power --method rating --map` shows it."""

from dataclasses import dataclass
from typing import Any

from blindtest.stats import Hands, VerdictMap, verdict_map
from blindtest.steps.columns import columns

__all__ = ["MAP_OPTIONS", "VerdictMapShown", "rating_map"]

MAP_OPTIONS = ("listeners", "sittings", "clips", "repeats", "labelled", "margin", "alpha", "studies", "seed", "map")


@dataclass(frozen=True, slots=True, kw_only=True)
class VerdictMapShown:
    """What `blindtest power --method rating --map` prints."""

    map: VerdictMap
    curves: None = None

    def to_dict(self) -> dict[str, Any]:
        """Return what JSON can hold."""
        return {"verdict_map": self.map.to_dict()}

    def text(self) -> str:
        """Return the worst cell in words, and for each scatter, labelled effect and true state the worst of its own."""
        worst: dict[tuple[float, float, str], Any] = {}
        for cell in self.map.cells:
            place = (cell.scatter, cell.labelled, cell.true_state)
            if place not in worst or cell.wrong > worst[place].wrong:
                worst[place] = cell
        rows = [
            (
                f"{cell.scatter:g}", f"{cell.labelled:g}", cell.true_state, f"{cell.blind:+.4g}", f"{cell.wrong:.4f}",
                f"{cell.right:.2f}", f"{cell.undecided:.2f}", f"{cell.nothing_on_record:.2f}",
            )
            for cell in worst.values()
        ]  # fmt: skip
        headings = (
            "scatter", "labelled", "true", "worst at", "wrong", "right there", "undecided", "nothing on record",
        )  # fmt: skip
        return "\n".join([self.map.sentence, "", columns(headings, rows)])


def rating_map(
    *,
    listeners: int = 1,
    sittings: int = 2,
    clips: int = 5,
    repeats: int = 2,
    labelled: float | None = None,
    margin: float | None = None,
    alpha: float = 0.05,
    studies: int | None = None,
    seed: int = 1,
    hands: Hands | None = None,
) -> VerdictMapShown:
    """Return how often a plan of labelled and blind ratings ends in a wrong verdict, over all that could be true."""
    return VerdictMapShown(
        map=verdict_map(
            listeners=listeners,
            sittings=sittings,
            clips=clips,
            repeats=repeats,
            labelled=None if labelled is None else (labelled,),
            margin=8.0 if margin is None else margin,
            alpha=alpha,
            studies=20_000 if studies is None else studies,
            seed=seed,
            hands=hands,
        )
    )
