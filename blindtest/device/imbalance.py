"""Channel imbalance: what left and right differ by, apart from what they have in common.

Half the difference goes to each ear, so that the mean over both in dB stays as it was: the stage changes where a sound
sits, not how it is balanced as a whole. Measured differences hold the noise of seating too; where each channel was
seated several times, `spread` says how much of it (the root of the summed variances of both means).
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from blindtest.errors import BlindtestError, Fault

from .response import Response, SeatingAverage, average_seatings, interpolated

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


def channel_imbalance(*measured: Response | SeatingAverage | Sequence[Response]) -> Imbalance:
    """Return what left and right differ by: of one measurement with both channels, or of two, left first.

    A list of responses counts as the seatings of one channel (or of both at once) and is averaged in dB.

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
    both = average_seatings([left, right])  # refuses different rigs, finds the common grid
    frequency = both.response.frequency
    spreads = [_error(average, place, frequency) for average, place in columns]
    known = [one for one in spreads if one is not None]
    return Imbalance(
        frequency=frequency,
        difference_db=(interpolated(left, frequency) - interpolated(right, frequency))[:, 0],
        spread_db=np.hypot(*known) if len(known) == 2 else None,
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


def _error(average: SeatingAverage, place: int, frequency: Floats) -> Floats | None:
    if average.seatings < 2:
        return None
    one = Response(frequency=average.response.frequency, magnitude=average.spread[:, place : place + 1])
    return np.asarray(interpolated(one, frequency)[:, 0] / np.sqrt(average.seatings), dtype=np.float64)
