"""A correction by second-order sections as a stage: fitted once, or the user's own, and heard as they run at a rate.

Like every correction it is known everywhere, by design. A fitted chain is that of one rate (the study's `rate_hz`, else
48 kHz), so that there is one list of sections to take away; at the rate of a clip it does what its coefficients do
there, which near half the rate is a little different.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import ClassVar

import numpy as np
from numpy.typing import NDArray

from blindtest.device import (
    Limits,
    Response,
    Section,
    SectionCorrection,
    correction_sections,
    section_level_db,
    sections_towards,
)

from .chain import response_hash
from .correction_stage import limit_facts

__all__ = ["SectionStage"]

RULES = 1
"""Goes into the facts: raised when the same inputs come out as other sections."""
DESIGN_RATE = 48_000


@dataclass(frozen=True, eq=False, kw_only=True)
class SectionStage:
    """The correction of a unit towards a target by at most `count` sections, or by the user's `own`."""

    unit_id: str
    response: Response
    """The unit as measured, seatings averaged before."""
    target: Response
    align_hz: tuple[float, float]
    band_hz: tuple[float, float]
    max_boost_db: float
    """Of all sections together; it doesn't bind the user's own."""
    count: int = 0
    own: tuple[Section, ...] | None = None
    max_gain_db: float = 12.0
    max_q: float = 8.0
    smoothing: float = 1 / 12
    limits: Limits | None = None
    seatings: Response | None = None
    """Standard deviation over the seatings, only to say where the measurement is uncertain."""
    rate: int = DESIGN_RATE
    kind: ClassVar[str] = "sections"
    designed: ClassVar[bool] = True

    @cached_property
    def correction(self) -> SectionCorrection:
        """What these come out as, at `rate`; fitted when first asked for. Raises as `correction_sections`."""
        limits = Limits() if self.limits is None else self.limits
        if self.own is not None:
            known = Limits(notches=False, spread=self.seatings, spread_sd=0.0, without_hz=limits.without_hz)
            return sections_towards(
                self.own,
                self.response,
                self.target,
                self.rate,
                band=self.band_hz,
                align_hz=self.align_hz,
                limits=known,
            )
        return correction_sections(
            self.response,
            self.target,
            self.rate,
            count=self.count,
            max_gain_db=self.max_gain_db,
            max_q=self.max_q,
            band=self.band_hz,
            align_hz=self.align_hz,
            max_boost_db=self.max_boost_db,
            smoothing=self.smoothing,
            limits=limits if limits.spread is not None else limits.knowing(self.seatings),
        )

    def level_db(self, frequency: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return what the sections do (bins,) in dB at their own rate."""
        return self.at_rate(self.rate).level_db(frequency)

    def at_rate(self, rate: int) -> "_Running":
        """Return the stage as it is heard at a rate in Hz. Raises BlindtestError: a section at or above half of it."""
        return _Running(correction=self.correction.at_rate(rate), own_facts=self.facts())

    def facts(self) -> Mapping[str, object]:
        """Return what decides the sections; no name of a unit is in it."""
        without = [] if self.limits is None else [[float(low), float(high)] for low, high in self.limits.without_hz]
        if self.own is not None:
            rows = [[one.type, float(one.frequency_hz), float(one.gain_db), float(one.q)] for one in self.own]
            return {"kind": self.kind, "rules": RULES, "own": rows, "without_hz": without}
        return {
            "kind": self.kind,
            "rules": RULES,
            "response": response_hash(self.response),
            "target": response_hash(self.target),
            "align_hz": [float(edge) for edge in self.align_hz],
            "band_hz": [float(edge) for edge in self.band_hz],
            "max_boost_db": float(self.max_boost_db),
            "count": int(self.count),
            "max_gain_db": float(self.max_gain_db),
            "max_q": float(self.max_q),
            "smoothing": float(self.smoothing),
            "rate": int(self.rate),
            **limit_facts(self.limits),
        }


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class _Running:
    """A chain at the rate of a clip."""

    correction: SectionCorrection
    own_facts: Mapping[str, object]
    kind: ClassVar[str] = "sections"
    designed: ClassVar[bool] = True

    def level_db(self, frequency: NDArray[np.float64]) -> NDArray[np.float64]:
        return section_level_db(self.correction.chain, frequency, self.correction.rate)

    def facts(self) -> Mapping[str, object]:
        return self.own_facts
