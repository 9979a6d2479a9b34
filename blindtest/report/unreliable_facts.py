"""Ratings under names that may be wrong, as a report tells them: what the sound is worth, and what the name."""

from dataclasses import dataclass
from typing import TYPE_CHECKING

from blindtest.report.recognition_facts import RecognitionFacts
from blindtest.stats import LabelEffectResult

if TYPE_CHECKING:
    from pandas import DataFrame

__all__ = ["CellMean", "NamedRating", "UnreliableFacts", "UnreliablePlan", "UnreliableTruth"]


@dataclass(frozen=True, slots=True, kw_only=True)
class CellMean:
    """The mean rating of one sound under one name."""

    sound: str
    label: str
    mean: float
    ratings: int


@dataclass(frozen=True, slots=True, kw_only=True)
class NamedRating:
    """A listener's mean rating of one sound under one name."""

    listener: str
    sound: str
    label: str
    mean: float


@dataclass(frozen=True, slots=True, kw_only=True)
class UnreliablePlan:
    """What was known before anybody listened."""

    sentence: str
    chance_to_fail: float
    """Chance of *negligible* where the sound is worth nothing."""


@dataclass(frozen=True, slots=True, kw_only=True)
class UnreliableTruth:
    """What simulated listeners were made of, points; demonstrations only."""

    sound: float
    label: float


@dataclass(frozen=True, slots=True, kw_only=True)
class UnreliableFacts:
    """What the same ratings say of sound and name."""

    result: LabelEffectResult
    cells: tuple[CellMean, ...]
    """Four: either sound under either name, the device first."""
    listeners: tuple[NamedRating, ...] = ()
    """The same by listener, where there are several."""
    recognition: tuple[RecognitionFacts, ...] = ()
    """Single listeners first, all answers last."""
    unanswered: int = 0
    truth: UnreliableTruth | None = None

    @property
    def word(self) -> str:
        """How the claim ends: that of the sound."""
        return self.result.sound_conclusion.word

    def mean(self, sound: str, label: str) -> float | None:
        """Return the mean rating of a sound under a name; None where it was not rated."""
        return next((one.mean for one in self.cells if (one.sound, one.label) == (sound, label)), None)

    @classmethod
    def of(
        cls,
        result: LabelEffectResult,
        *,
        table: "DataFrame",
        recognition: tuple[RecognitionFacts, ...] = (),
        unanswered: int = 0,
        truth: UnreliableTruth | None = None,
    ) -> "UnreliableFacts":
        """Return the facts of an analysis; `table`: listener, sound, label, rating."""
        pair = (result.device, result.comparator)
        kept = table[table["sound"].isin(pair) & table["label"].isin(pair)]
        found = {
            (sound, label): kept.loc[(kept["sound"] == sound) & (kept["label"] == label), "rating"]
            for sound in pair
            for label in pair
        }
        own = kept.groupby(["listener", "sound", "label"])[["rating"]].mean().reset_index()
        several = kept["listener"].nunique() > 1
        return cls(
            result=result,
            cells=tuple(
                CellMean(sound=sound, label=label, mean=float(ratings.mean()), ratings=len(ratings))
                for (sound, label), ratings in found.items()
                if len(ratings)
            ),
            listeners=tuple(
                NamedRating(
                    listener=str(row["listener"]),
                    sound=str(row["sound"]),
                    label=str(row["label"]),
                    mean=float(row["rating"]),
                )
                for row in own.to_dict("records")
            )
            if several
            else (),
            recognition=recognition,
            unanswered=unanswered,
            truth=truth,
        )
