"""What is known of one unit on the bench, ready to be drawn and told."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from blindtest.device import HarmonicLevel, Imbalance, Impedance, ImpulseFacts, Response

__all__ = [
    "BenchFacts",
    "ChannelCurve",
    "DelayCurve",
    "HarmonicFacts",
    "ImpedanceFacts",
    "ImpulseTrace",
    "SourceChange",
    "TargetFacts",
]

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class ChannelCurve:
    """The average over one channel's seatings."""

    channel: str
    frequency: Floats
    """(bins,) Hz"""
    level_db: Floats
    """(bins,) dB, smoothed where that was asked for."""
    spread_db: Floats | None
    """(bins,) dB: standard deviation over the seatings, unsmoothed; None for a single one."""
    range_db: Floats
    """(bins,) dB: highest minus lowest seating, unsmoothed."""
    seatings: int


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class TargetFacts:
    """The mean of the channels against a target, both at 0 dB on average over the aligned band."""

    name: str
    frequency: Floats
    level_db: Floats
    target_db: Floats
    aligned_hz: tuple[float, float]
    band_hz: tuple[float, float]
    """Over which the error is told."""
    rms_db: float
    worst_db: float
    """Measured minus target, where it is largest."""
    worst_hz: float


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class HarmonicFacts:
    """One table of harmonics."""

    file: str
    levels: tuple[HarmonicLevel, ...]


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class SourceChange:
    """What a source of some output impedance makes of the response."""

    source_ohm: float
    response: Response
    """Of the divider; 0 dB is the source's own voltage."""
    relative_db: Floats
    """(bins,) dB re its level at 1 kHz: what matching in level leaves."""
    loss_db: float
    """Level lost at 1 kHz, positive."""
    highest_db: float
    highest_hz: float
    lowest_db: float
    lowest_hz: float


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class ImpedanceFacts:
    """One impedance curve."""

    file: str
    impedance: Impedance
    least_ohm: float
    """From 20 Hz to 20 kHz."""
    least_hz: float
    greatest_ohm: float
    greatest_hz: float
    changes: tuple[SourceChange, ...]


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class DelayCurve:
    """When each frequency arrives, of one channel."""

    file: str
    channel: str
    frequency: Floats
    """(points,) Hz"""
    delay_s: Floats
    """(points,) group delay re `mean_s`; NaN where there is no level."""
    excess_s: Floats
    """(points,) excess group delay."""
    mean_s: float
    """Mean delay from 2 to 8 kHz beside minimum phase."""
    from_phase: bool
    """Told by the phase of a response file; else by an impulse response."""


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class ImpulseTrace:
    """One channel of one impulse response."""

    file: str
    facts: ImpulseFacts
    samples: Floats
    """(n,) as captured."""
    rate: int
    delay: DelayCurve
    """Its mean is that from the file's beginning."""
    turned: bool
    """Whether its polarity was turned to tell the delays."""


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class BenchFacts:
    """All that is drawn of a unit."""

    unit: str
    channels: tuple[ChannelCurve, ...] = ()
    power_mean: bool = False
    smoothing: str = ""
    """"1/6 octave", or nothing."""
    target: TargetFacts | None = None
    imbalance: Imbalance | None = None
    harmonics: tuple[HarmonicFacts, ...] = ()
    impedances: tuple[ImpedanceFacts, ...] = ()
    impulses: tuple[ImpulseTrace, ...] = ()
    delays: tuple[DelayCurve, ...] = ()
