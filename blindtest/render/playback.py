"""What the listener wears or sits before: the inverse that all conditions share, and what is heard through it.

The inverse is regularised and limited once for all conditions: limiting each quotient would change the very difference
under test. Levels are in dB over frequencies in Hz.
"""

from collections.abc import Mapping
from dataclasses import dataclass

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

from .chain import response_hash
from .grid import fine_grid

__all__ = ["Limit", "Playback", "boost_limits", "heard_curve_db", "playback_inverse_db"]

LIMIT_ACTED_DB = 0.5
"""A playback inverse that falls short of the exact one by more than this is reported as limited; our rule."""
DEFAULT_BAND_HZ = (20.0, 10_000.0)
"""Where nothing else is known: the range in which an ear simulator can be trusted (IEC 60318-4)."""


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


@dataclass(frozen=True, slots=True, kw_only=True)
class Limit:
    """A band in which the playback inverse fell short of the exact one, because boost is limited."""

    low_hz: float
    high_hz: float
    worst_db: float
    """How much of the playback unit's dip is left, at the worst frequency; positive."""


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
