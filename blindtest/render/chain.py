"""A condition as a chain of stages, and the curves that make it audible.

A stage says what it adds to the level at each frequency, or which recording stands in for the clip; a `Condition` is an
ordered chain of them, and the empty chain is the clip as it is. Levels are in dB over frequencies in Hz; every curve is
a mean of left and right, since a filter per ear would turn the noise of seating into shifts of the image.

Over a playback unit (`over="inverse"`) a condition's curve is the device's response plus *one* inverse of the
playback response, regularised and limited once for all conditions: limiting each quotient would change the very
difference under test. Each curve is then brought to a mean of 0 dB over the trusted band, since level matching takes
the absolute level away anyhow; so any two curves differ by exactly what was measured, up to one constant. Outside the
trusted band all conditions share one curve, blended in over 1/3 octave that lies outside the band's edges.
"""

import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import ClassVar, Protocol

import numpy as np
from numpy.typing import NDArray

from blindtest.device import (
    RegularisedInverse,
    Response,
    channel_mean,
    interpolated,
    level_between,
    regularised_inverse_db,
)

__all__ = [
    "STAGES",
    "CommonCurve",
    "Condition",
    "GainStage",
    "Limit",
    "Playback",
    "RecordingStage",
    "ResponseStage",
    "Stage",
    "boost_limits",
    "common_curve",
    "condition_curve_db",
    "display_grid",
    "heard_curve_db",
    "playback_inverse_db",
    "trusted_band",
    "trusted_weight",
    "zero_curve",
]

BLEND_OCTAVES = 1 / 3
"""Outside each edge of the trusted band; our rule."""
LIMIT_ACTED_DB = 0.5
"""A playback inverse that falls short of the exact one by more than this is reported as limited; our rule."""
DEFAULT_BAND_HZ = (20.0, 10_000.0)
"""Where nothing else is known: the range in which an ear simulator can be trusted (IEC 60318-4)."""

_POINTS_PER_OCTAVE = 192
_LOWEST_HZ, _HIGHEST_HZ = 1.0, 200_000.0
_COMMON_POINTS_PER_OCTAVE = 12
_COMMON_RANGE_HZ = (4.0, 100_000.0)
_LEAST_OCTAVES = 1 / 4000
"""Points nearer than this to a measured one are left out: slopes over nothing are noise."""


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


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Playback:
    """What the listener wears or sits before, and the band in which measurements are trusted."""

    unit_id: str
    response: Response | None = None
    """Seatings averaged; None if unknown."""
    field: Response | None = None
    """The rig's field curve, taken off for loudness as heard; None where responses are field-referred already."""
    field_named: str = ""
    """What that curve is, in words."""
    max_boost_db: float = 12.0
    """Of the one inverse that all conditions share."""
    trusted_band_hz: tuple[float, float] = DEFAULT_BAND_HZ

    def facts(self) -> Mapping[str, object]:
        """Return what decides what is heard and what is divided out; the unit's name is not part of it."""
        return {
            "response": None if self.response is None else response_hash(self.response),
            "field": None if self.field is None else response_hash(self.field),
            "max_boost_db": float(self.max_boost_db),
            "trusted_band_hz": [float(edge) for edge in self.trusted_band_hz],
        }


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class CommonCurve:
    """The one curve that all conditions share outside the trusted band: frequency (bins,) Hz, level (bins,) dB."""

    frequency: NDArray[np.float64]
    level_db: NDArray[np.float64]
    untouched: bool
    """Made for a study with a condition that no response is applied to: 0 dB throughout."""

    def at(self, frequency: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the curve (bins,) in dB at `frequency`, its ends held."""
        return mean_level_db(Response(frequency=self.frequency, magnitude=self.level_db[:, None]), frequency)


@dataclass(frozen=True, slots=True, kw_only=True)
class Limit:
    """A band in which the playback inverse fell short of the exact one, because boost is limited."""

    low_hz: float
    high_hz: float
    worst_db: float
    """How much of the playback unit's dip is left, at the worst frequency; positive."""


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


def trusted_weight(frequency: NDArray[np.float64], band_hz: tuple[float, float]) -> NDArray[np.float64]:
    """Return how far each frequency follows its own curve (bins,): 1 inside the band, 0 from 1/3 octave outside it."""
    low, high = band_hz
    outside = np.maximum(np.log2(low / frequency), np.log2(frequency / high))
    share = np.clip(outside / BLEND_OCTAVES, 0.0, 1.0)
    weight: NDArray[np.float64] = 0.5 * (1.0 + np.cos(np.pi * share))
    return weight


def playback_inverse_db(playback: Playback | None, frequency: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the inverse that all conditions share (bins,) in dB; 0 dB where the playback response is unknown.

    The response is first brought to a mean of 0 dB over the trusted band, so that `max_boost_db` is a boost over it.
    """
    if playback is None or playback.response is None:
        return np.zeros(len(frequency))
    return _inverse(playback, frequency).inverse_db


def boost_limits(playback: Playback | None) -> tuple[Limit, ...]:
    """Return where, inside the trusted band, the inverse falls over 0.5 dB short of the exact one."""
    if playback is None or playback.response is None:
        return ()
    low, high = playback.trusted_band_hz
    frequency = fine_grid(playback.response)
    frequency = frequency[(frequency >= low) & (frequency <= high)]
    short = -_inverse(playback, frequency).error_db
    acted = np.concatenate(([False], short > LIMIT_ACTED_DB, [False]))
    edges = np.flatnonzero(acted[1:] != acted[:-1])
    return tuple(
        Limit(
            low_hz=float(frequency[first]),
            high_hz=float(frequency[last - 1]),
            worst_db=float(short[first:last].max()),
        )
        for first, last in zip(edges[::2], edges[1::2], strict=True)
    )


def heard_curve_db(playback: Playback | None, frequency: NDArray[np.float64]) -> NDArray[np.float64] | None:
    """Return what the playback unit does to a file on its way to being heard (bins,) in dB; None if unknown.

    Its response less the rig's field curve (the loudness model holds a head already), with a mean of 0 dB over the
    trusted band, so that loudness as heard stays near the loudness of the file.
    """
    if playback is None or playback.response is None:
        return None
    heard = _levelled_response(playback.response, frequency, playback.trusted_band_hz)
    if playback.field is not None:
        heard = heard - _levelled_response(playback.field, frequency, playback.trusted_band_hz)
    return heard


def condition_curve_db(
    condition: Condition,
    playback: Playback | None,
    common: CommonCurve,
    band_hz: tuple[float, float],
    frequency: NDArray[np.float64],
) -> NDArray[np.float64]:
    """Return a condition's curve (bins,) in dB at `frequency` (bins,) Hz, over the playback unit.

    Nothing of any other condition goes into it but `common` and the trusted band `band_hz`, which all share. A
    condition that no response is applied to is 0 dB.
    """
    curve = np.zeros(len(frequency))
    if condition.measured:
        weight = trusted_weight(frequency, band_hz)
        own = _own_curve_db(condition, playback, frequency, band_hz)
        curve = weight * own + (1.0 - weight) * common.at(frequency)
    for stage in condition.designed:
        curve = curve + stage.level_db(frequency)
    return curve


def common_curve(conditions: Sequence[Condition], playback: Playback | None) -> CommonCurve:
    """Return the curve outside the trusted band: the mean of the conditions' own, rounded as it will be stored.

    If any condition passes the samples through a unit impulse, that one is 0 dB everywhere and so is the curve.
    """
    if not all(condition.measured for condition in conditions):
        return zero_curve()
    frequency = _log_grid(*_COMMON_RANGE_HZ, _COMMON_POINTS_PER_OCTAVE).round(3)
    band = trusted_band(playback, conditions)
    own = [_own_curve_db(condition, playback, frequency, band) for condition in conditions]
    return CommonCurve(frequency=frequency, level_db=np.mean(own, axis=0).round(4), untouched=False)


def zero_curve() -> CommonCurve:
    """Return the common curve of a study that holds the clip as it is: 0 dB."""
    return CommonCurve(frequency=np.array(_COMMON_RANGE_HZ), level_db=np.zeros(2), untouched=True)


def display_grid() -> NDArray[np.float64]:
    """Return the frequencies that curves are shown at: 48 an octave from 5 Hz to 40 kHz."""
    return _log_grid(5.0, 40_000.0, 48)


def trusted_band(playback: Playback | None, conditions: Sequence[Condition]) -> tuple[float, float]:
    """Return the band in which conditions differ as measured, Hz.

    The playback's own if there is one; else what all responses cover within 20 Hz to 10 kHz.
    """
    if playback is not None:
        low, high = playback.trusted_band_hz
        return float(low), float(high)
    low, high = DEFAULT_BAND_HZ
    for condition in conditions:
        for stage in condition.stages:
            if isinstance(stage, ResponseStage):
                low = max(low, float(stage.response.frequency[0]))
                high = min(high, float(stage.response.frequency[-1]))
    return low, high


def _own_curve_db(
    condition: Condition, playback: Playback | None, frequency: NDArray[np.float64], band: tuple[float, float]
) -> NDArray[np.float64]:
    responses = [stage.response for stage in condition.stages if isinstance(stage, ResponseStage)]
    known = [] if playback is None or playback.response is None else [playback.response]

    def level(at: NDArray[np.float64]) -> NDArray[np.float64]:
        total = playback_inverse_db(playback, at)
        for stage in condition.stages:
            if is_measured(stage):
                total = total + stage.level_db(at)
        return total

    # The mean is taken on one fine grid, whatever the curve is asked at: all its readings share one constant.
    fine = fine_grid(*responses, *known)
    own: NDArray[np.float64] = level(frequency) - level_between(fine, level(fine), *band)
    return own


def _inverse(playback: Playback, frequency: NDArray[np.float64]) -> RegularisedInverse:
    assert playback.response is not None
    level = _levelled_response(playback.response, frequency, playback.trusted_band_hz)
    return regularised_inverse_db(level, playback.max_boost_db)


def _levelled_response(
    response: Response, frequency: NDArray[np.float64], band: tuple[float, float]
) -> NDArray[np.float64]:
    mean = channel_mean(response)
    levelled: NDArray[np.float64] = interpolated(mean, frequency)[:, 0] - level_between(
        mean.frequency, mean.magnitude[:, 0], *band
    )
    return levelled


def _log_grid(low: float, high: float, per_octave: int) -> NDArray[np.float64]:
    count = int(np.floor(np.log2(high / low) * per_octave))
    grid: NDArray[np.float64] = low * 2.0 ** (np.arange(count + 1) / per_octave)
    return grid


def fine_grid(*responses: Response) -> NDArray[np.float64]:
    """Return a fine logarithmic grid that holds every measured frequency of `responses`, Hz ascending."""
    grid = np.empty(0)
    for response in responses:
        grid = _merged(grid, response.frequency[response.frequency > 0])
    return _merged(grid, _log_grid(_LOWEST_HZ, _HIGHEST_HZ, _POINTS_PER_OCTAVE))


def _merged(grid: NDArray[np.float64], more: NDArray[np.float64]) -> NDArray[np.float64]:
    if len(grid) == 0:
        return np.array(more, dtype=np.float64)
    place = np.searchsorted(grid, more)
    below, above = grid[np.maximum(place - 1, 0)], grid[np.minimum(place, len(grid) - 1)]
    away = np.minimum(np.abs(np.log2(more / below)), np.abs(np.log2(more / above)))
    return np.sort(np.concatenate((grid, more[away > _LEAST_OCTAVES])))
