"""A condition as a chain of stages.

A stage says what it adds to the level at each frequency, or which recording stands in for the clip; a `Condition` is an
ordered chain of them, and the empty chain is the clip as it is. Levels are in dB over frequencies in Hz; every curve is
a mean of left and right, since a filter per ear would turn the noise of seating into shifts of the image. What becomes
of a chain over a playback unit stands in `curves.py`.
"""

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import ClassVar, Protocol

import numpy as np
from numpy.typing import NDArray

from blindtest.device import Response, channel_mean, interpolated

__all__ = ["STAGES", "Condition", "GainStage", "RecordingStage", "ResponseStage", "Stage"]


class Stage(Protocol):
    """What one stage of a chain answers. A new stage is a class like those below, a line in `STAGES`, a test."""

    kind: ClassVar[str]

    def level_db(self, frequency: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return what the stage adds to the level (bins,) in dB at `frequency` (bins,) Hz."""
        ...

    def facts(self) -> Mapping[str, object]:
        """Return what decides the stage's sound, as JSON can hold it; names of devices are not part of it."""
        ...


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class ResponseStage:
    """A device by its measured response: the mean of its channels in dB, seatings averaged before."""

    unit_id: str
    response: Response
    kind: ClassVar[str] = "response"

    def level_db(self, frequency: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the response (bins,) in dB, its ends held outside the measured range."""
        return mean_level_db(self.response, frequency)

    def facts(self) -> Mapping[str, object]:
        """Return the kind and a hash of frequencies and levels."""
        return {"kind": self.kind, "response": response_hash(self.response)}


@dataclass(frozen=True, slots=True, kw_only=True)
class GainStage:
    """A deliberate offset from the matched loudness, in dB: what a claim about level, or an audible control, is about.

    Level matching takes every other difference of level away; this one is put back afterwards.
    """

    gain_db: float
    kind: ClassVar[str] = "gain"

    def level_db(self, frequency: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the gain at every frequency."""
        return np.full(len(frequency), float(self.gain_db))

    def facts(self) -> Mapping[str, object]:
        """Return the kind and the gain."""
        return {"kind": self.kind, "gain_db": float(self.gain_db)}


@dataclass(frozen=True, slots=True, kw_only=True)
class RecordingStage:
    """An existing recording in place of each clip, on the clip's own time axis; aligned only if asked."""

    files: Mapping[str, Path]
    """Clip id to audio file."""
    align: bool = False
    """Find the recording's delay against the clip by cross-correlation and take it out."""
    kind: ClassVar[str] = "recording"

    def level_db(self, frequency: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return 0 dB: a recording brings its own spectrum with it."""
        return np.zeros(len(frequency))

    def facts(self) -> Mapping[str, object]:
        """Return the kind and whether it is aligned; which file, its bytes say."""
        return {"kind": self.kind, "align": bool(self.align)}


STAGES: dict[str, type[ResponseStage] | type[GainStage] | type[RecordingStage]] = {
    stage.kind: stage for stage in (ResponseStage, GainStage, RecordingStage)
}
"""Every stage there is, by its key in a study file."""


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Condition:
    """What a listener compares: an ordered chain of stages; no stage at all is the clip as it is."""

    id: str
    stages: tuple[Stage, ...] = ()

    @property
    def measured(self) -> bool:
        """Whether a measured response is applied, over the playback unit's inverse."""
        return any(is_measured(stage) for stage in self.stages)

    @property
    def designed(self) -> tuple["Stage", ...]:
        """Stages known at every frequency (corrections, anchors, tilts): added on top of what was measured."""
        return tuple(stage for stage in self.stages if getattr(stage, "designed", False))

    def at_rate(self, rate: int) -> "Condition":
        """Return the condition as it is heard at a rate in Hz: some stages do a little different at another one."""
        if not any(hasattr(stage, "at_rate") for stage in self.stages):
            return self
        stages = (stage.at_rate(rate) if hasattr(stage, "at_rate") else stage for stage in self.stages)
        return Condition(id=self.id, stages=tuple(stages))

    @property
    def filtered(self) -> bool:
        """Whether anything but a gain is applied; if not, the samples pass through a unit impulse."""
        return self.measured or bool(self.designed)

    @property
    def offset_db(self) -> float:
        """Deliberate difference from the matched loudness: the sum of all gain stages."""
        return float(sum(stage.gain_db for stage in self.stages if isinstance(stage, GainStage)))

    @property
    def recording(self) -> RecordingStage | None:
        """The stage that stands in for the clip, if there is one."""
        return next((stage for stage in self.stages if isinstance(stage, RecordingStage)), None)

    @property
    def distortion(self) -> Stage | None:
        """The stage that adds harmonics, if there is one; it works ahead of every filter."""
        return next((stage for stage in self.stages if stage.kind == "harmonics"), None)

    @property
    def imbalance(self) -> Stage | None:
        """The stage that does to left what it doesn't to right, if there is one."""
        return next((stage for stage in self.stages if stage.kind == "imbalance"), None)

    @property
    def binaural(self) -> Stage | None:
        """The stage that is two loudspeakers at two ears, if there is one."""
        return next((stage for stage in self.stages if stage.kind == "binaural_response"), None)

    @property
    def excess_phase(self) -> Stage | None:
        """The stage that makes the chain other than minimum phase, if there is one."""
        return next((stage for stage in self.stages if stage.kind == "excess_phase"), None)

    def facts(self) -> list[Mapping[str, object]]:
        """Return what decides the chain's sound, stage by stage; the condition's name is not part of it."""
        return [stage.facts() for stage in self.stages]


def is_measured(stage: Stage) -> bool:
    """Return whether a stage stands for a device as measured, which the playback unit's inverse goes with."""
    return isinstance(stage, ResponseStage) or bool(getattr(stage, "measured", False))


def mean_level_db(response: Response, frequency: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the mean of a response's channels (bins,) in dB at `frequency`, the ends held."""
    level: NDArray[np.float64] = interpolated(channel_mean(response), frequency)[:, 0]
    return level


def response_hash(response: Response) -> str:
    """Return the SHA-256 (hex) of a response's frequencies and levels, alike on every machine."""
    digest = hashlib.sha256(repr(response.magnitude.shape).encode())
    for values in (response.frequency, response.magnitude):
        digest.update(np.ascontiguousarray(values, dtype="<f8").tobytes())
    return digest.hexdigest()
