"""Channel imbalance: what left and right differ by, apart from what they have in common.

Half the difference goes to each ear, so that the mean over both in dB stays as it was: the stage changes where a sound
sits, not how it is balanced as a whole. Measured differences hold the noise of seating too; where each channel was
seated several times, `spread_db` says how much of it: the standard error of the difference, from its own spread where
both ears were seated together, else from those of both.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from blindtest.errors import BlindtestError, Fault

from .response import Response, SeatingAverage, average_seatings, interpolated, level_at, smooth

__all__ = ["Imbalance", "channel_imbalance"]

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Imbalance:
    """Left against right of one unit."""

    frequency: Floats
    """(bins,) Hz"""
    difference_db: Floats
    """(bins,) dB: left minus right."""
    spread_db: Floats | None = None
    """(bins,) dB: standard error of the difference from the seatings of both; None where one was seated once."""
    sources: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        for name in ("frequency", "difference_db", "spread_db"):
            value = getattr(self, name)
            if value is not None:
                view = np.asarray(value, dtype=np.float64).view()
                view.flags.writeable = False
                object.__setattr__(self, name, view)

    @property
    def left_db(self) -> Floats:
        """What it adds to the left channel (bins,) dB: half the difference."""
        return self.difference_db / 2

    @property
    def right_db(self) -> Floats:
        """What it adds to the right channel (bins,) dB."""
        return -self.difference_db / 2

    def at(self, frequency: Floats) -> Floats:
        """Return what it adds to left and right (points, 2) dB at `frequency` (points,) Hz, its ends held."""
        both = np.stack([self.left_db, self.right_db], axis=1)
        one = Response(frequency=self.frequency, magnitude=both, channels=("left", "right"))
        return interpolated(one, frequency)

    def rms_db(self, low_hz: float, high_hz: float) -> float:
        """Return the root mean square difference from `low_hz` to `high_hz`, every octave counting alike, dB."""
        grid = np.geomspace(low_hz, high_hz, 400)
        apart = 2 * self.at(grid)[:, 0]
        return float(np.sqrt(np.mean(apart**2)))

    def rms_error_db(self, low_hz: float, high_hz: float) -> float | None:
        """Return the root mean square standard error in the same band, dB; None where the seatings don't say."""
        if self.spread_db is None:
            return None
        one = Response(frequency=self.frequency, magnitude=self.spread_db[:, None])
        return float(np.sqrt(np.mean(interpolated(one, np.geomspace(low_hz, high_hz, 400)) ** 2)))


def channel_imbalance(
    *measured: Response | SeatingAverage | Sequence[Response], smoothing: float | None = None
) -> Imbalance:
    """Return what left and right differ by: of one measurement with both channels, or of two, left first.

    A list of responses counts as the seatings of one channel (or of both at once) and is averaged in dB. `smoothing`
    is the part of an octave over which each channel is smoothed before (mean power; `smooth`), None for none.

    Raises
    ------
    BlindtestError
        There aren't two channels, they are of different rigs, or have no frequencies in common.
    """
    averages = [_average(one) for one in measured]
    columns = [(average, place) for average in averages for place in range(len(average.response.channels))]
    if len(columns) != 2:
        raise BlindtestError(
            Fault(
                problem="an imbalance needs a left and a right channel",
                file=", ".join(source for average in averages for source in average.response.sources),
                got=f"{len(columns)} channel" + ("" if len(columns) == 1 else "s"),
                remedy="measure both ears, and name them left and right",
            )
        )
    if [average.response.channels[place] for average, place in columns] == ["right", "left"]:
        columns.reverse()
    left, right = (_column(average, place) for average, place in columns)
    if smoothing is not None:
        left, right = smooth(left, smoothing), smooth(right, smoothing)
    both = average_seatings([left, right])  # refuses different rigs, finds the common grid
    frequency = both.response.frequency
    return Imbalance(
        frequency=frequency,
        difference_db=(interpolated(left, frequency) - interpolated(right, frequency))[:, 0],
        spread_db=_standard_error(columns, frequency),
        sources=both.response.sources,
    )


def _average(one: Response | SeatingAverage | Sequence[Response]) -> SeatingAverage:
    if isinstance(one, SeatingAverage):
        return one
    return average_seatings([one] if isinstance(one, Response) else one)


def _column(average: SeatingAverage, place: int) -> Response:
    one = average.response
    return Response(
        frequency=one.frequency, magnitude=one.magnitude[:, place : place + 1], sources=one.sources, rig=one.rig
    )


def _standard_error(columns: Sequence[tuple[SeatingAverage, int]], frequency: Floats) -> Floats | None:
    """Return that of the difference: of both ears seated together by its own spread, else from both spreads."""
    (one, place), (other, other_place) = columns
    if one is other:
        if one.difference_spread is None:
            return None
        own = level_at(one.response.frequency, one.difference_spread, frequency)
        return np.asarray(own / np.sqrt(one.seatings), dtype=np.float64)
    if one.seatings < 2 or other.seatings < 2:
        return None
    parts = [
        level_at(average.response.frequency, average.spread[:, column], frequency) / np.sqrt(average.seatings)
        for average, column in ((one, place), (other, other_place))
    ]
    return np.asarray(np.hypot(*parts), dtype=np.float64)
