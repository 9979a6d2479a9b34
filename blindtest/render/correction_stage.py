"""A correction as a stage: what its filter adds to the level, at every frequency.

Unlike a measured response it is known everywhere, by design: it goes on top of whatever the chain measured, also
outside the trusted band, and it isn't brought to a mean of 0 dB, since it is 0 dB outside its own band.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import ClassVar

import numpy as np
from numpy.typing import NDArray

from blindtest.device import CorrectionCurve, Limits, Response, correction_curve

from .chain import response_hash

__all__ = ["CorrectionStage", "limit_facts"]

SMOOTHING_OCTAVES = 1 / 12
RULES = 1
"""Goes into the facts: raised when the same inputs come out as another curve."""


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class CorrectionStage:
    """The correction of a unit towards a target, by the rules of `blindtest.device.correction`.

    Raises
    ------
    BlindtestError
        The curves don't cover the bands, or are of different rigs.
    """

    unit_id: str
    response: Response
    """The unit as measured, seatings averaged before."""
    target: Response
    align_hz: tuple[float, float]
    band_hz: tuple[float, float]
    max_boost_db: float
    smoothing: float = SMOOTHING_OCTAVES
    limits: Limits | None = None
    """What holds it back beside `max_boost_db`."""
    seatings: Response | None = None
    """Standard deviation over the seatings, only to say where the measurement is uncertain."""
    curve: CorrectionCurve = field(init=False)
    """What these come out as."""
    kind: ClassVar[str] = "correction"
    designed: ClassVar[bool] = True

    def __post_init__(self) -> None:
        curve = correction_curve(
            self.response,
            self.target,
            align_hz=self.align_hz,
            band_hz=self.band_hz,
            max_boost_db=self.max_boost_db,
            smoothing=self.smoothing,
            limits=self.known_limits,
        )
        object.__setattr__(self, "curve", curve)

    @property
    def known_limits(self) -> Limits:
        """The limits, and the spread over the seatings where it is known."""
        limits = Limits() if self.limits is None else self.limits
        return limits if limits.spread is not None else limits.knowing(self.seatings)

    def level_db(self, frequency: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the gain of the correction (bins,) in dB; 0 dB from 1/3 octave outside its band."""
        return self.curve.gain_at(frequency)

    def facts(self) -> Mapping[str, object]:
        """Return hashes of what was measured and of the target, and the numbers; no name of a unit is in it."""
        return {
            "kind": self.kind,
            "rules": RULES,
            "response": response_hash(self.response),
            "target": response_hash(self.target),
            "align_hz": [float(edge) for edge in self.align_hz],
            "band_hz": [float(edge) for edge in self.band_hz],
            "max_boost_db": float(self.max_boost_db),
            # What isn't used isn't written: the facts of corrections made before are as they were.
            **({} if self.smoothing == SMOOTHING_OCTAVES else {"smoothing": float(self.smoothing)}),
            **limit_facts(self.limits),
        }


def limit_facts(limits: Limits | None) -> Mapping[str, object]:
    """Return what of the limits decides a correction; nothing where none is set."""
    if limits is None:
        return {}
    facts: dict[str, object] = {}
    if limits.boost is not None:
        facts["boost"] = response_hash(limits.boost)
    if limits.spread is not None and limits.spread_sd > 0:
        facts["spread"] = [response_hash(limits.spread), float(limits.spread_sd)]
    if limits.without_hz:
        facts["without_hz"] = [[float(low), float(high)] for low, high in limits.without_hz]
    return facts
