"""Measured harmonics as a stage of a condition, ahead of every filter of its chain.

It stands where the nonlinearity of a transducer stands, ahead of the response that it is heard through; what the bench
measured behind that response is referred back through it. The level of a table belongs to a sine: `full_scale_db` says
at which of its levels a full-scale sine of the clip is reproduced.
"""

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import TYPE_CHECKING, ClassVar, Literal

import numpy as np
from numpy.typing import NDArray

from blindtest.device import HarmonicStage, Response, harmonic_stage

from .chain import response_hash
from .programme import Programme

if TYPE_CHECKING:
    from pandas import DataFrame

__all__ = ["DistortionStage", "distorted"]

RULES = 1
"""Goes into the facts: raised when the same inputs come out as other products."""
AHEAD_S = 10.0
"""Of the programme on both sides of an excerpt: as much as the longest filter of a chain reads."""


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class DistortionStage:
    """The harmonics of a unit, as measured."""

    unit_id: str
    table: "DataFrame"
    full_scale_db: float
    """Level of the table at which a full-scale sine of the clip is reproduced."""
    design_level_db: float | None = None
    """The level that is met exactly; None: the highest one."""
    scale_db: float = 0.0
    polarity: Literal[1, -1] = 1
    topology: Literal["after", "before"] = "after"
    response: Response | None = None
    """Of the unit, where the chain applies it behind this stage and the table was measured behind it."""
    kind: ClassVar[str] = "harmonics"

    def level_db(self, frequency: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return 0 dB: what it adds is no change of the response."""
        return np.zeros(len(frequency))

    def facts(self) -> Mapping[str, object]:
        """Return hashes of the table and the response, and the numbers; no name of a unit is in it."""
        return {
            "kind": self.kind,
            "rules": RULES,
            "table": _table_hash(self.table),
            "response": None if self.response is None else response_hash(self.response),
            "full_scale_db": float(self.full_scale_db),
            "design_level_db": None if self.design_level_db is None else float(self.design_level_db),
            "scale_db": float(self.scale_db),
            "polarity": int(self.polarity),
            "topology": self.topology,
        }

    def model(self, rate: int) -> HarmonicStage:
        """Return the stage itself at `rate` Hz, its drive set by `full_scale_db`."""
        return _model(self, rate)


@lru_cache(maxsize=16)
def _model(stage: DistortionStage, rate: int) -> HarmonicStage:
    levels = stage.table["level_db"].to_numpy(dtype=np.float64)
    named = levels[~np.isnan(levels)]
    design = stage.design_level_db
    if design is None:
        design = float(named.max()) if len(named) else stage.full_scale_db
    elif len(named):
        design = float(named[np.argmin(np.abs(named - design))])
    return harmonic_stage(
        stage.table,
        rate,
        # A table without levels holds at the one level it was measured at: that of a full-scale sine.
        drive=float(10 ** ((design - stage.full_scale_db) / 20)),
        design_level_db=design if len(named) else None,
        scale_db=stage.scale_db,
        polarity=stage.polarity,
        topology=stage.topology,
        response=stage.response,
    )


def distorted(programme: Programme, stage: DistortionStage | None) -> Programme:
    """Return a programme with the harmonics added, to what sounds ahead of it too; their mean over it taken out."""
    if stage is None:
        return programme
    model = stage.model(programme.rate)
    reach = round(AHEAD_S * programme.rate)
    ahead = programme.before[max(0, len(programme.before) - reach) :]
    earlier = programme.before[: len(programme.before) - len(ahead)]
    behind = programme.after[:reach]
    whole = np.concatenate([ahead, programme.frames, behind])
    first, last = len(ahead), len(ahead) + len(programme.frames)
    added = model.products(whole, before=earlier, after=programme.after[reach:])
    added -= added[first:last].mean(axis=0)
    added += whole
    return replace(programme, frames=np.asfortranarray(added[first:last]), before=added[:first], after=added[last:])


def _table_hash(table: "DataFrame") -> str:
    columns = [name for name in ("frequency_hz", "level_db", "order", "distortion_db", "phase_deg") if name in table]
    ordered = table.sort_values(["level_db", "order", "frequency_hz"])[columns]
    digest = hashlib.sha256(repr((columns, len(ordered))).encode())
    digest.update(np.ascontiguousarray(ordered.to_numpy(dtype=np.float64), dtype="<f8").tobytes())
    return digest.hexdigest()
